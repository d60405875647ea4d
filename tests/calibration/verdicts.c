/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Whole verdicts on made-up benches against what references state of
 * themselves, against what is promised, and where the prior is wrong.
 */
#include "calibration/parts.h"
#include "calibration/table.h"
#include "reference/rates.h"
#include "reference/spread.h"
#include "verdict/judge.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { GOODS = 20, FAULTS = 20, MOST_SETS = 600 };

/* What was seen in each reference set, and what its reference states. */
struct seen {
    size_t count;
    struct set_seen false_bad[MOST_SETS], missed[MOST_SETS], unsure_good[MOST_SETS],
        unsure_faulty[MOST_SETS], stated_bad[MOST_SETS], stated_missed[MOST_SETS];
    /* Of the type's steps the reference tells apart fewer, and cannot state what it
     * misses in those it does not know. */
    struct set_seen missed_merged[MOST_SETS];
};

/* What is drawn. */
struct trial {
    int units, sets;
    struct spreads spreads;
    bool by_prior;     /* each type's spreads drawn from the prior, weighted */
    bool level_faults; /* 10 % of one level; else any */
};

static double draw_spread(struct dice *dice, double *weight)
{
    double drawn = -2 * log(dice_even(dice, 0, 1)); /* chi squared of 2 degrees */
    *weight *= drawn / 2;
    return sqrt(SPREAD_PRIOR_DF / drawn);
}

static enum verdict_kind judge_one(struct bench *bench, const struct reference *reference,
                                   struct fault *fault)
{
    struct trace trace = {0};
    struct verdict verdict;
    bench_power_up(bench, fault, &trace);
    if (judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL) != 0)
        exit(EXIT_FAILURE);
    trace_clear(&trace);
    return verdict.kind;
}

static void choose_fault(struct bench *bench, const struct trial *trial, struct fault *fault)
{
    if (!trial->level_faults) {
        make_fault(&bench->dice, &bench->type, fault);
        return;
    }
    *fault = (struct fault){.kind = FAULT_LEVEL,
                            .step = dice_below(&bench->dice, bench->type.count),
                            .size = dice_below(&bench->dice, 2) ? 1.1 : 0.9,
                            .at_s = NAN};
}

static void run_set(const struct trial *trial, uint64_t seed, int kind, int which,
                    struct seen *seen)
{
    struct bench bench;
    struct taught_by by;
    struct lesson_plan plan = {.units = trial->units};
    double weight = 1;
    bench_make(seed, kind, which, &trial->spreads, &bench);
    if (!bench_resolves(&bench))
        return;
    if (trial->by_prior) {
        bench.spreads.common *= draw_spread(&bench.dice, &weight);
        bench.spreads.own *= draw_spread(&bench.dice, &weight);
        bench.spreads.length *= draw_spread(&bench.dice, &weight);
    }
    bench_known_goods(&bench, &plan, &by);
    struct reference *reference = bench_teach(&plan, &by);
    struct reference_rates rates = reference_rates(reference);
    double good[3] = {0};
    double faulty[3] = {0};
    for (int i = 0; i < GOODS; i++) {
        struct fault none = {.kind = FAULT_NONE, .step = -1};
        good[judge_one(&bench, reference, &none)]++;
    }
    for (int i = 0; i < FAULTS; i++) {
        struct fault fault;
        choose_fault(&bench, trial, &fault);
        faulty[judge_one(&bench, reference, &fault)]++;
    }
    size_t at = seen->count++;
    double missed = isnan(rates.missed_level) ? 0 : rates.missed_level;
    seen->false_bad[at] = (struct set_seen){good[VERDICT_BAD], GOODS, weight};
    seen->unsure_good[at] = (struct set_seen){good[VERDICT_UNSURE], GOODS, weight};
    seen->missed[at] = (struct set_seen){faulty[VERDICT_GOOD], FAULTS, weight};
    bool merged = reference->phase_count < (size_t)bench.type.count;
    seen->missed_merged[at] = merged ? seen->missed[at] : (struct set_seen){0, 0, weight};
    seen->unsure_faulty[at] = (struct set_seen){faulty[VERDICT_UNSURE], FAULTS, weight};
    seen->stated_bad[at] = (struct set_seen){
        GOODS * fmin(1, rates.false_bad_levels + rates.false_bad_times), GOODS, weight};
    seen->stated_missed[at] = (struct set_seen){FAULTS * missed, FAULTS, weight};
    reference_destroy(reference);
    taught_by_clear(&by);
}

static void run(const struct trial *trial, uint64_t seed, struct seen *seen)
{
    seen->count = 0;
    for (uint64_t s = 0; seen->count < (size_t)trial->sets; s++)
        for (int kind = 0; kind < KIND_COUNT; kind++)
            for (int which = 0; which < SUPPLY_COUNT && seen->count < (size_t)trial->sets; which++)
                run_set(trial, seed + s, kind, which, seen);
}

static void named_row(int units, const char *what, double stated, const struct set_seen *sets,
                      size_t count, bool claimed)
{
    char line[80];
    snprintf(line, sizeof line, "%d unit%s, %s", units, units == 1 ? "" : "s", what);
    if (claimed)
        at_most_row(line, stated, sets, count);
    else
        shown_row(line, stated, sets, count);
}

static void stated_rates(uint64_t seed, struct seen *seen)
{
    static const struct {
        int units, sets;
    } plans[] = {{1, 600}, {2, 600}, {4, 240}, {8, 240}};
    head("Whole verdicts where types spread as assumed (weighted): what the references state of\n"
         "themselves (at most) and what they do; faults: one level off by 10 %; merged: where the\n"
         "reference tells fewer phases apart than the type has");
    for (size_t i = 0; i < sizeof plans / sizeof *plans; i++) {
        int units = plans[i].units;
        struct trial trial = {.units = units,
                              .sets = plans[i].sets,
                              .spreads = usual_spreads,
                              .by_prior = true,
                              .level_faults = true};
        run(&trial, seed + 1000 * i, seen);
        named_row(units, "good called bad", share_over_sets(seen->stated_bad, seen->count).mean,
                  seen->false_bad, seen->count, true);
        named_row(units, "faulty called good",
                  share_over_sets(seen->stated_missed, seen->count).mean, seen->missed, seen->count,
                  true);
        named_row(units, "faulty called good, merged", NAN, seen->missed_merged, seen->count,
                  false);
        named_row(units, "unsure of a good one", NAN, seen->unsure_good, seen->count, false);
    }
}

static void promised_rates(uint64_t seed, struct seen *seen)
{
    head("Whole verdicts, 4 known-goods of 4 power-ups, types spread just as the default; all\n"
         "kinds of fault (promised: at most)");
    struct trial trial = {.units = 4, .sets = 150, .spreads = usual_spreads};
    run(&trial, seed, seen);
    named_row(4, "good called bad", 0.001, seen->false_bad, seen->count, true);
    named_row(4, "faulty called good", 0.0015, seen->missed, seen->count, true);
    named_row(4, "unsure of a good one", 0.02, seen->unsure_good, seen->count, true);
    named_row(4, "unsure of a faulty one", 0.02, seen->unsure_faulty, seen->count, true);
}

static void wrong_prior(uint64_t seed, struct seen *seen)
{
    static const struct {
        double factor;
        const char *name;
    } wrongs[] = {{2, "twice the default"}, {0.5, "half the default"}};
    static const int units[] = {1, 2, 4};
    for (size_t w = 0; w < 2; w++) {
        char title[120];
        snprintf(title, sizeof title, "Whole verdicts where every type spreads %s (shown)",
                 wrongs[w].name);
        head(title);
        for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
            struct trial trial = {.units = units[i], .sets = 75, .spreads = usual_spreads};
            trial.spreads.common *= wrongs[w].factor;
            trial.spreads.own *= wrongs[w].factor;
            trial.spreads.length *= wrongs[w].factor;
            run(&trial, seed + 50 * i, seen);
            named_row(units[i], "good called bad", NAN, seen->false_bad, seen->count, false);
            named_row(units[i], "faulty called good", NAN, seen->missed, seen->count, false);
            named_row(units[i], "unsure of a good one", NAN, seen->unsure_good, seen->count, false);
        }
    }
}

void verdict_rates(uint64_t seed)
{
    struct seen *seen = malloc(sizeof *seen);
    if (!seen)
        exit(EXIT_FAILURE);
    stated_rates(seed, seen);
    promised_rates(seed, seen);
    wrong_prior(seed, seen);
    free(seen);
}
