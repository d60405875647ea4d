/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "accuracy/tally.h"

#include "accuracy/oracle.h"

#include "base/trace_file.h"
#include "reference/reference_json.h"
#include "reference/reference_model.h"
#include "trend/proportion.h"
#include "verdict/judge.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { POWER_UPS = 4, MOST_UNITS = 8 };

bool campaign_set_variant(struct campaign *campaign, const char *name)
{
    struct spreads *s = &campaign->spreads;
    *s = usual_spreads;
    campaign->repeats = 1;
    if (strcmp(name, "usual") == 0)
        return true;
    if (strcmp(name, "halved") == 0 || strcmp(name, "doubled") == 0) {
        double factor = name[0] == 'h' ? 0.5 : 2;
        s->common *= factor;
        s->own *= factor;
        s->length *= factor;
    } else if (strcmp(name, "independent") == 0) {
        s->own = sqrt(s->common * s->common + s->own * s->own);
        s->common = 0;
    } else if (strcmp(name, "strays") == 0) {
        s->stray_rate = 1.0 / 200;
    } else if (strcmp(name, "volts") == 0) {
        campaign->judged_volts_share = 0.02;
    } else if (strcmp(name, "two-volts") == 0) {
        campaign->two_volts = true;
        campaign->judged_volts_share = 0.05;
    } else if (strcmp(name, "drift") == 0) {
        s->drift = 0.01;
    } else if (strcmp(name, "repeats") == 0) {
        campaign->repeats = 3;
    } else {
        return false;
    }
    return true;
}

/* The smallest fault is one and a half counts of the readback or more in every
 * step: one count of difference is no evidence. */
static bool can_resolve(const struct module_type *type, const struct bench_supply *supply)
{
    for (int i = 0; i < type->count; i++)
        if (0.1 * type->steps[i].level_A < 1.5 * supply->step_A)
            return false;
    return true;
}

static struct reference *teach_bench(const struct campaign *campaign, struct dice *dice,
                                     const struct module_type *type,
                                     const struct bench_supply *supply)
{
    struct known_good goods[MOST_UNITS];
    struct trace traces[MOST_UNITS][POWER_UPS] = {0};
    static const char *const names[MOST_UNITS] = {"a", "b", "c", "d", "e", "f", "g", "h"};
    for (int u = 0; u < campaign->units; u++) {
        struct unit unit;
        make_unit(dice, type, &campaign->spreads, &unit);
        for (int j = 0; j < POWER_UPS; j++) {
            struct fault none = {.kind = FAULT_NONE};
            struct module_type shifted = *type;
            struct spreads spreads = campaign->spreads;
            (void)shifted;
            if (campaign->two_volts)
                spreads.volts_share = 0;
            struct module_type at = *type;
            double share = campaign->two_volts ? (j % 2 ? 0.08 : -0.08) : 0;
            at.volts = type->volts * (1 + share);
            for (int k = 0; k < type->count; k++) {
                double factor = pow(1 + share, type->steps[k].exponent);
                at.steps[k].level_A *= factor;
                at.steps[k].end_level_A *= factor;
                at.steps[k].transient_A *= factor;
                at.steps[k].pulse_A *= factor;
            }
            make_power_up(dice, &at, &unit, supply, &spreads, &none, &traces[u][j], NULL);
        }
        goods[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = POWER_UPS};
    }
    struct reference_request request = {
        .module_type = "bench", .nominal_voltage_V = NAN, .watch_s = NAN};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, (size_t)campaign->units, &error);
    if (!reference)
        error_print(&error);
    for (int u = 0; u < campaign->units; u++)
        for (int j = 0; j < POWER_UPS; j++)
            trace_clear(&traces[u][j]);
    return reference;
}

static void add_delay(struct tally *tally, double delay)
{
    if (tally->delay_count == tally->delay_capacity) {
        tally->delay_capacity = tally->delay_capacity ? 2 * tally->delay_capacity : 256;
        double *grown = realloc(tally->delays, tally->delay_capacity * sizeof *grown);
        if (!grown)
            abort();
        tally->delays = grown;
    }
    tally->delays[tally->delay_count++] = delay;
}

/* Readings from the first that can show the fault to the one that decided. */
static void measure_delay(const struct campaign *campaign, struct tally *tally,
                          const struct reference *reference, const struct module_type *type,
                          const struct fault *fault, const struct trace *trace,
                          const struct verdict *verdict)
{
    double from = fault->at_s;
    if (fault->kind == FAULT_STALL || fault->kind == FAULT_LONG) {
        if (reference->phase_count != (size_t)type->count)
            return;
        from += reference->phases[fault->step].duration_high_s;
    }
    long readings = 0;
    double onset = verdict->onset_s;
    for (size_t i = 0; i < trace->count; i++) {
        double since = trace->readings[i].time_s - onset;
        readings += since >= from && since <= verdict->decided_at_s + 1e-9;
    }
    add_delay(tally, (double)readings);
    if (campaign->tell_delays)
        printf("  delay %ld: %s, step %d, size %.3g, %.0f readings a second: %s\n", readings,
               fault_names[fault->kind], fault->step, fault->size,
               1 / reference->reading_interval_s, reason_code_name(verdict->reasons[0].code));
}

static bool prefix_holds(const struct reference *reference, const struct trace *trace,
                         const struct verdict *verdict)
{
    if (!verdict->final)
        return true;
    size_t count = 0;
    while (count < trace->count &&
           trace->readings[count].time_s <= verdict->onset_s + verdict->decided_at_s + 1e-9)
        count++;
    struct verdict cut;
    if (judge_trace(reference, NULL, trace->readings, count, &cut, NULL) != 0)
        abort();
    return cut.kind == verdict->kind && cut.final && cut.decided_at_s == verdict->decided_at_s &&
           cut.reason_count == verdict->reason_count &&
           (cut.reason_count == 0 || cut.reasons[0].code == verdict->reasons[0].code);
}

/* Leaves the reference and the trace of an error as files, to be looked at with
 * the judge command. */
static void keep_files(const struct campaign *campaign, const struct reference *reference,
                       const struct trace *trace, const char *label, struct tally *tally)
{
    char path[400];
    snprintf(path, sizeof path, "%s/%ld %s.json", campaign->keep_in, tally->kept, label);
    FILE *file = fopen(path, "w");
    char *text = reference_print(reference);
    if (file && text)
        fputs(text, file);
    free(text);
    if (file)
        fclose(file);
    snprintf(path, sizeof path, "%s/%ld %s.csv", campaign->keep_in, tally->kept++, label);
    file = fopen(path, "w");
    if (file) {
        trace_file_write(file, trace->readings, trace->count);
        fclose(file);
    }
}

/* The same traces put to the one who knows everything. */
static void ask_oracle(const struct campaign *campaign, const struct module_type *type,
                       const struct bench_supply *supply, const struct trace *trace,
                       const struct truth *truth, const struct fault *fault, bool coarse,
                       struct tally *tally)
{
    struct oracle oracle;
    struct oracle_tally *seen = &tally->oracle[coarse];
    if (fault->kind != FAULT_NONE && fault->kind != FAULT_LEVEL)
        return;
    oracle_read(type, supply, &campaign->spreads, trace, truth, &oracle);
    if (fault->kind == FAULT_LEVEL) {
        int sign = fault->size > 1 ? 1 : -1;
        seen->faulty++;
        seen->missed += oracle_calls(&oracle, fault->step) != sign;
        return;
    }
    bool called = false;
    for (int k = 0; k < type->count; k++)
        called |= oracle_calls(&oracle, k) != 0;
    seen->good++;
    seen->called += called;
}

static void judge_one(const struct campaign *campaign, struct dice *dice,
                      const struct reference *reference, const struct module_type *type,
                      const struct bench_supply *supply, bool faulty, bool coarse,
                      struct tally *tally, bool *erred, const char *label)
{
    struct unit unit;
    struct fault fault = {.kind = FAULT_NONE, .step = -1};
    struct trace trace = {0};
    static struct truth truth;
    make_unit(dice, type, &campaign->spreads, &unit);
    if (faulty)
        make_fault(dice, type, &fault);
    struct module_type at = *type;
    double share = campaign->judged_volts_share * dice_even(dice, -1, 1);
    at.volts = type->volts * (1 + share);
    for (int k = 0; k < type->count; k++) {
        double factor = pow(1 + share, type->steps[k].exponent);
        at.steps[k].level_A *= factor;
        at.steps[k].end_level_A *= factor;
        at.steps[k].transient_A *= factor;
        at.steps[k].pulse_A *= factor;
    }
    make_power_up(dice, &at, &unit, supply, &campaign->spreads, &fault, &trace, &truth);
    if (campaign->oracle)
        ask_oracle(campaign, &at, supply, &trace, &truth, &fault, coarse, tally);
    struct verdict verdict;
    if (judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL) != 0)
        abort();
    tally->prefix_broken += !prefix_holds(reference, &trace, &verdict);
    bool wrong = verdict.kind == (faulty ? VERDICT_GOOD : VERDICT_BAD);
    bool unsure = verdict.kind == VERDICT_UNSURE;
    tally->by_fault[fault.kind][verdict.kind] += !coarse;
    if (fault.kind == FAULT_LEVEL)
        tally->level[coarse][verdict.kind]++;
    if (!coarse) {
        struct set_counts *set = &tally->sets[tally->references];
        set->good += !faulty;
        set->faulty += faulty;
        set->false_bad += !faulty && wrong;
        set->missed += faulty && wrong;
        set->unsure_good += !faulty && unsure;
        set->unsure_faulty += faulty && unsure;
    }
    if (coarse && faulty) {
        tally->coarse_faulty++;
        tally->coarse_missed += wrong;
    } else if (coarse) {
        tally->coarse_good++;
        tally->coarse_good_unsure += unsure;
        tally->coarse_false_bad += wrong;
    } else if (faulty) {
        tally->faulty++;
        tally->missed += wrong;
        tally->unsure_faulty += unsure;
        if (verdict.kind == VERDICT_BAD)
            measure_delay(campaign, tally, reference, type, &fault, &trace, &verdict);
    } else {
        tally->good++;
        tally->false_bad += wrong;
        tally->unsure_good += unsure;
    }
    *erred |= wrong && !coarse;
    if (campaign->tell && (wrong || (unsure && !coarse)))
        printf("  %s%s %s step %d size %.3g: %s at %.3f (%s)\n", label, coarse ? " coarse" : "",
               fault_names[fault.kind], fault.step, fault.size, verdict_kind_name(verdict.kind),
               verdict.decided_at_s, verdict.reason_count ? verdict.reasons[0].text : "");
    if (campaign->keep_in && !coarse && (wrong || unsure)) {
        char named[160];
        snprintf(named, sizeof named, "%s %s %d %.3g", label, fault_names[fault.kind], fault.step,
                 fault.size);
        keep_files(campaign, reference, &trace, named, tally);
    }
    trace_clear(&trace);
}

void accuracy_bench_begin(const struct campaign *campaign, uint64_t seed, int kind, int which,
                          struct accuracy_bench *bench)
{
    *bench = (struct accuracy_bench){
        .dice = {.state = seed * 1000003u + (uint64_t)(kind * 31 + which * 7)}};
    for (int i = 0; i < 5; i++)
        (void)dice_even(&bench->dice, 0, 1);
    make_type(&bench->dice, kind, &bench->type);
    make_supply(&bench->dice, which, &bench->supply);
    if (campaign->repeats > 1) {
        bench->supply.repeats = campaign->repeats;
        bench->supply.rate_hz *= campaign->repeats;
    }
    bench->reference = teach_bench(campaign, &bench->dice, &bench->type, &bench->supply);
    if (!bench->reference)
        abort();
    bench->coarse = !can_resolve(&bench->type, &bench->supply);
}

void accuracy_bench_end(struct accuracy_bench *bench)
{
    reference_destroy(bench->reference);
    bench->reference = NULL;
}

static void run_bench(const struct campaign *campaign, uint64_t seed, int kind, int which,
                      struct tally *tally)
{
    struct accuracy_bench bench;
    accuracy_bench_begin(campaign, seed, kind, which, &bench);
    const struct module_type *type = &bench.type;
    const struct bench_supply *supply = &bench.supply;
    struct reference *reference = bench.reference;
    if (campaign->keep_in && type->count != (int)reference->phase_count) {
        struct trace none = {0};
        keep_files(campaign, reference, &none, "phases", tally);
    }
    bool coarse = bench.coarse;
    char label[80];
    snprintf(label, sizeof label, "seed %llu kind %d supply %d phases %zu of %d",
             (unsigned long long)seed, kind, which, reference->phase_count, type->count);
    if (campaign->tell && reference->phase_count != (size_t)type->count)
        printf("  %s: another count of phases\n", label);
    bool erred = false;
    struct set_counts *grown =
        realloc(tally->sets, ((size_t)tally->references + 1) * sizeof *tally->sets);
    if (!grown)
        abort();
    tally->sets = grown;
    grown[tally->references] = (struct set_counts){0};
    for (int i = 0; i < campaign->good_units; i++)
        judge_one(campaign, &bench.dice, reference, type, supply, false, coarse, tally, &erred,
                  label);
    for (int i = 0; i < campaign->faulty_units; i++)
        judge_one(campaign, &bench.dice, reference, type, supply, true, coarse, tally, &erred,
                  label);
    tally->references++;
    tally->references_erring += erred;
    accuracy_bench_end(&bench);
}

void campaign_run(const struct campaign *campaign, struct tally *tally)
{
    for (int s = 0; s < campaign->seeds; s++)
        for (int kind = 0; kind < KIND_COUNT; kind++)
            for (int which = 0; which < SUPPLY_COUNT; which++)
                run_bench(campaign, campaign->first_seed + (uint64_t)s, kind, which, tally);
}

void tally_print_head(void)
{
    printf("%5s %7s %10s %10s %7s %8s %10s %11s %10s %12s\n", "units", "good", "false bad",
           "unsure", "faulty", "missed", "unsure", "delay 50/95", "refs erring", "coarse fb/ms/un");
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

double accuracy_percent(long part, long whole)
{
    return whole ? 100.0 * (double)part / (double)whole : 0;
}

enum { RESAMPLES = 2000 };

/* Units judged by one reference err together, so the upper 95 % limit is over
 * reference sets: drawn anew with replacement (bootstrap), and no less than what
 * the exact binomial limit of the sets that err allows. */
double accuracy_upper_limit(const struct set_counts *all, size_t sets, size_t wrong_at,
                            size_t of_at)
{
    struct dice dice = {.state = 95};
    double rates[RESAMPLES];
    long wrong = 0;
    long of = 0;
    long erring = 0;
    for (int r = -1; r < RESAMPLES; r++) {
        long wrong_r = 0;
        long of_r = 0;
        for (size_t i = 0; i < sets; i++) {
            size_t pick = r < 0 ? i : (size_t)dice_below(&dice, (int)sets);
            const char *set = (const char *)&all[pick];
            long one = *(const long *)(const void *)(set + wrong_at);
            wrong_r += one;
            of_r += *(const long *)(const void *)(set + of_at);
            erring += r < 0 && one > 0;
        }
        if (r < 0) {
            wrong = wrong_r;
            of = of_r;
        } else {
            rates[r] = accuracy_percent(wrong_r, of_r);
        }
    }
    qsort(rates, RESAMPLES, sizeof *rates, by_size);
    double exact = proportion_at_most((unsigned)erring, (unsigned)sets, 0.95);
    double in_erring = erring ? (double)wrong / (double)erring : 1;
    double least = 100 * exact * in_erring * (double)sets / fmax((double)of, 1);
    return fmax(rates[(size_t)(0.95 * RESAMPLES)], least);
}

#define LIMIT(wrong, of)                                                                           \
    accuracy_upper_limit(tally->sets, (size_t)tally->references,                                   \
                         offsetof(struct set_counts, wrong), offsetof(struct set_counts, of))

void tally_print_limits(const struct tally *tally)
{
    printf("      upper 95 %% over %ld reference sets: false bad %.3f %%, unsure %.2f %%, missed "
           "%.3f %%, unsure %.2f %%\n",
           tally->references, LIMIT(false_bad, good), LIMIT(unsure_good, good),
           LIMIT(missed, faulty), LIMIT(unsure_faulty, faulty));
}

void tally_print_oracle(const struct tally *tally)
{
    static const char *const where[] = {"where the supply resolves a tenth of each level",
                                        "where it does not"};
    for (int coarse = 0; coarse < 2; coarse++) {
        const struct oracle_tally *seen = &tally->oracle[coarse];
        const long *level = tally->level[coarse];
        long faulty = level[VERDICT_GOOD] + level[VERDICT_BAD] + level[VERDICT_UNSURE];
        printf("      %s: knowing all of the generator's own parameters, at even odds, %.2f %% of "
               "%ld good called off and %.2f %% of %ld levels off by a tenth or more missed; the "
               "judge misses %.2f %% of those and is unsure of %.2f %%\n",
               where[coarse], accuracy_percent(seen->called, seen->good), seen->good,
               accuracy_percent(seen->missed, seen->faulty), seen->faulty,
               accuracy_percent(level[VERDICT_GOOD], faulty),
               accuracy_percent(level[VERDICT_UNSURE], faulty));
    }
}

void tally_print(const struct tally *tally, int units)
{
    size_t n = tally->delay_count;
    if (n > 0)
        qsort(tally->delays, n, sizeof *tally->delays, by_size);
    printf("%5d %7ld %8.3f %% %8.2f %% %7ld %6.3f %% %8.2f %% %5.0f/%-5.0f %4ld of %-5ld "
           "%.2f/%.2f/%.1f %%%s\n",
           units, tally->good, accuracy_percent(tally->false_bad, tally->good),
           accuracy_percent(tally->unsure_good, tally->good), tally->faulty,
           accuracy_percent(tally->missed, tally->faulty),
           accuracy_percent(tally->unsure_faulty, tally->faulty), n ? tally->delays[n / 2] : 0,
           n ? tally->delays[(size_t)(0.95 * (double)n)] : 0, tally->references_erring,
           tally->references, accuracy_percent(tally->coarse_false_bad, tally->coarse_good),
           accuracy_percent(tally->coarse_missed, tally->coarse_faulty),
           accuracy_percent(tally->coarse_good_unsure, tally->coarse_good),
           tally->prefix_broken ? "  PREFIX BROKEN" : "");
    if (getenv("BY_FAULT")) {
        for (int f = 0; f < FAULT_COUNT; f++)
            printf("      %-9s good %5ld bad %5ld unsure %5ld\n", fault_names[f],
                   tally->by_fault[f][0], tally->by_fault[f][1], tally->by_fault[f][2]);
    }
    fflush(stdout);
}

void tally_clear(struct tally *tally)
{
    free(tally->delays);
    free(tally->sets);
    *tally = (struct tally){0};
}
