/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Units judged on several power-ups together: good ones, faulty ones, and those
 * whose fault comes in every other power-up or in one of them.
 */
#include "accuracy/tally.h"
#include "reference/reference_model.h"
#include "verdict/repeated.h"

#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

enum { MOST_TOGETHER = 8, GOODS = 8, FAULTY = 8, LINES = 4 };
static const size_t counts_together[LINES] = {1, 2, 4, MOST_TOGETHER};

enum what { ALWAYS_GOOD, ALWAYS_FAULTY, EVERY_OTHER, ONE_OF_THEM, WHATS };

/* Of so many power-ups together; fine: where the supply resolves the smallest
 * fault in every step. */
struct line {
    struct set_counts *fine; /* one a reference; of ALWAYS_GOOD and ALWAYS_FAULTY */
    long seen[WHATS][2][3];  /* coarse or not; by verdict */
};

/* The unit again and again, with the fault in those power-ups where it is. */
static void power_up(struct accuracy_bench *bench, const struct campaign *campaign,
                     const struct unit *unit, const struct fault *fault,
                     struct repeated_power_up *left)
{
    struct fault here = *fault;
    struct trace trace = {0};
    struct verdict verdict;
    struct phases phases = {0};
    make_power_up(&bench->dice, &bench->type, unit, &bench->supply, &campaign->spreads, &here,
                  &trace, NULL);
    if (repeated_judge_trace(bench->reference, NULL, trace.readings, trace.count, &verdict, &phases,
                             left) != 0)
        abort();
    phases_clear(&phases);
    trace_clear(&trace);
}

static enum verdict_kind judge_first(const struct campaign *campaign,
                                     const struct accuracy_bench *bench,
                                     const struct repeated_power_up *power_ups, size_t count,
                                     enum what what, const struct fault *fault, const char *label)
{
    static const char *const names[WHATS] = {"good", "faulty", "every other", "one of them"};
    struct unit_verdict verdict;
    if (repeated_judge(bench->reference, NULL, power_ups, count, &verdict) != 0)
        abort();
    bool wrong = verdict.kind == (what == ALWAYS_GOOD ? VERDICT_BAD : VERDICT_GOOD);
    if (campaign->tell && (wrong || (verdict.kind == VERDICT_UNSURE && !bench->coarse)))
        printf("  %s%s, %zu together (%zu good, %zu bad), %s, %s step %d size %.3g: %s (%s)\n",
               label, bench->coarse ? " coarse" : "", count, verdict.good, verdict.bad, names[what],
               fault_names[fault->kind], fault->step, fault->size, verdict_kind_name(verdict.kind),
               verdict.reason_count ? verdict.reasons[0].text : "");
    return verdict.kind;
}

static void count_in(struct line *line, size_t set, enum what what, bool coarse,
                     enum verdict_kind kind)
{
    line->seen[what][coarse][kind]++;
    struct set_counts *fine = &line->fine[set];
    if (coarse)
        return;
    if (what == ALWAYS_GOOD) {
        fine->good++;
        fine->false_bad += kind == VERDICT_BAD;
        fine->unsure_good += kind == VERDICT_UNSURE;
    } else if (what == ALWAYS_FAULTY) {
        fine->faulty++;
        fine->missed += kind == VERDICT_GOOD;
        fine->unsure_faulty += kind == VERDICT_UNSURE;
    }
}

static void judge_unit(const struct campaign *campaign, struct accuracy_bench *bench,
                       const struct fault *fault, size_t set, struct line *lines, const char *label)
{
    static const struct fault none = {.kind = FAULT_NONE, .step = -1};
    bool faulty = fault->kind != FAULT_NONE;
    struct unit unit;
    struct repeated_power_up with[MOST_TOGETHER];
    struct repeated_power_up without[MOST_TOGETHER];
    struct repeated_power_up mixed[MOST_TOGETHER];
    make_unit(&bench->dice, &bench->type, &campaign->spreads, &unit);
    for (size_t i = 0; i < MOST_TOGETHER; i++) {
        power_up(bench, campaign, &unit, fault, &with[i]);
        if (faulty)
            power_up(bench, campaign, &unit, &none, &without[i]);
    }
    enum what what = faulty ? ALWAYS_FAULTY : ALWAYS_GOOD;
    for (size_t l = 0; l < LINES; l++) {
        size_t count = counts_together[l];
        count_in(&lines[l], set, what, bench->coarse,
                 judge_first(campaign, bench, with, count, what, fault, label));
        if (!faulty || count < 2)
            continue;
        for (size_t i = 0; i < count; i++)
            mixed[i] = i % 2 ? with[i] : without[i];
        count_in(&lines[l], set, EVERY_OTHER, bench->coarse,
                 judge_first(campaign, bench, mixed, count, EVERY_OTHER, fault, label));
        for (size_t i = 0; i < count; i++)
            mixed[i] = i == 1 ? with[i] : without[i];
        count_in(&lines[l], set, ONE_OF_THEM, bench->coarse,
                 judge_first(campaign, bench, mixed, count, ONE_OF_THEM, fault, label));
    }
}

/* Averages speak to levels, so that every other fault is one. */
static void make_fault_together(struct accuracy_bench *bench, int number, struct fault *fault)
{
    do
        make_fault(&bench->dice, &bench->type, fault);
    while (number % 2 && fault->kind != FAULT_LEVEL);
}

static void run_bench(const struct campaign *campaign, uint64_t seed, int kind, int which,
                      size_t set, struct line *lines)
{
    struct accuracy_bench bench;
    accuracy_bench_begin(campaign, seed, kind, which, &bench);
    char label[80];
    snprintf(label, sizeof label, "seed %llu kind %d supply %d phases %zu of %d",
             (unsigned long long)seed, kind, which, bench.reference->phase_count, bench.type.count);
    struct fault fault = {.kind = FAULT_NONE, .step = -1};
    for (int i = 0; i < GOODS; i++)
        judge_unit(campaign, &bench, &fault, set, lines, label);
    for (int i = 0; i < FAULTY; i++) {
        make_fault_together(&bench, i, &fault);
        judge_unit(campaign, &bench, &fault, set, lines, label);
    }
    accuracy_bench_end(&bench);
}

static long all_of(const long seen[3])
{
    return seen[VERDICT_GOOD] + seen[VERDICT_BAD] + seen[VERDICT_UNSURE];
}

#define LIMIT(wrong, of)                                                                           \
    accuracy_upper_limit(line->fine, sets, offsetof(struct set_counts, wrong),                     \
                         offsetof(struct set_counts, of))

static void print_line(const struct line *line, size_t together, size_t sets)
{
    const long *good = line->seen[ALWAYS_GOOD][0];
    const long *faulty = line->seen[ALWAYS_FAULTY][0];
    printf("%5zu %7ld %8.3f %% %8.2f %% %7ld %6.3f %% %8.2f %%\n", together, all_of(good),
           accuracy_percent(good[VERDICT_BAD], all_of(good)),
           accuracy_percent(good[VERDICT_UNSURE], all_of(good)), all_of(faulty),
           accuracy_percent(faulty[VERDICT_GOOD], all_of(faulty)),
           accuracy_percent(faulty[VERDICT_UNSURE], all_of(faulty)));
    printf("      upper 95 %% over %zu reference sets: false bad %.3f %%, unsure %.2f %%, missed "
           "%.3f %%, unsure %.2f %%\n",
           sets, LIMIT(false_bad, good), LIMIT(unsure_good, good), LIMIT(missed, faulty),
           LIMIT(unsure_faulty, faulty));
    const long *coarse_good = line->seen[ALWAYS_GOOD][1];
    const long *coarse_faulty = line->seen[ALWAYS_FAULTY][1];
    printf("      where the supply is too coarse: of %ld good %.3f %% bad, %.1f %% unsure; of %ld "
           "faulty %.3f %% missed, %.1f %% unsure\n",
           all_of(coarse_good), accuracy_percent(coarse_good[VERDICT_BAD], all_of(coarse_good)),
           accuracy_percent(coarse_good[VERDICT_UNSURE], all_of(coarse_good)),
           all_of(coarse_faulty),
           accuracy_percent(coarse_faulty[VERDICT_GOOD], all_of(coarse_faulty)),
           accuracy_percent(coarse_faulty[VERDICT_UNSURE], all_of(coarse_faulty)));
    if (together < 2)
        return;
    const long *every = line->seen[EVERY_OTHER][0];
    const long *one = line->seen[ONE_OF_THEM][0];
    printf("      faulty in every other one: %.3f %% missed, %.2f %% unsure; in one of them: "
           "%.3f %% missed, %.2f %% unsure\n",
           accuracy_percent(every[VERDICT_GOOD], all_of(every)),
           accuracy_percent(every[VERDICT_UNSURE], all_of(every)),
           accuracy_percent(one[VERDICT_GOOD], all_of(one)),
           accuracy_percent(one[VERDICT_UNSURE], all_of(one)));
}

void together_run(const struct campaign *campaign)
{
    struct line lines[LINES] = {0};
    size_t sets = (size_t)campaign->seeds * KIND_COUNT * SUPPLY_COUNT;
    for (size_t l = 0; l < LINES; l++) {
        lines[l].fine = calloc(sets ? sets : 1, sizeof *lines[l].fine);
        if (!lines[l].fine)
            abort();
    }
    size_t set = 0;
    for (int s = 0; s < campaign->seeds; s++)
        for (int kind = 0; kind < KIND_COUNT; kind++)
            for (int which = 0; which < SUPPLY_COUNT; which++)
                run_bench(campaign, campaign->first_seed + (uint64_t)s, kind, which, set++, lines);
    printf("power-ups of a unit judged together\n%5s %7s %10s %10s %7s %8s %10s\n", "of it", "good",
           "false bad", "unsure", "faulty", "missed", "unsure");
    for (size_t l = 0; l < LINES; l++) {
        print_line(&lines[l], counts_together[l], sets);
        free(lines[l].fine);
    }
}
