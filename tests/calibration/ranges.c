/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A stated range beside one or two known-goods: right, off, contradicted. The
 * same power-ups are judged with and without it.
 */
#include "calibration/parts.h"
#include "calibration/table.h"
#include "reference/compare.h"
#include "verdict/judge.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { GOODS = 20, FAULTS = 20, SETS = 200 };

/* Where the range's middle lies, as a share of the type's final draw; it is 8 %
 * wide, as of units that spread by 2 %. */
static const struct {
    double off;
    const char *name;
} ranges[] = {{0, "right"}, {0.03, "3 % off"}, {0.06, "6 % off"}, {0.15, "15 % off"}};
enum { RANGES = sizeof ranges / sizeof *ranges };

struct seen {
    struct set_seen false_bad[SETS], missed[SETS], unsure[SETS];
    /* Against the same known-goods without the range: limit of all levels together;
     * squared error of the final level. */
    struct set_seen limit[SETS], error2[SETS];
};

static double common_limit(const struct reference *r)
{
    return r->level_common.predictive *
           level_limit_factor(r->level_common.predictive_df, level_tests(r));
}

static double final_error2(const struct reference *r, double final_A)
{
    double error = log(r->phases[r->phase_count - 1].level_A / final_A);
    return error * error;
}

static void run_set(uint64_t seed, int units, double factor, size_t at, struct seen *seen)
{
    struct bench bench;
    struct taught_by by;
    struct lesson_plan plan = {.units = units};
    struct spreads spreads = usual_spreads;
    spreads.common *= factor;
    spreads.own *= factor;
    bench_make(seed, (int)(seed % KIND_COUNT), 1 + (int)(seed / KIND_COUNT % 2), &spreads, &bench);
    double final_A = bench.type.steps[bench.type.count - 1].level_A;
    bench_known_goods(&bench, &plan, &by);
    struct reference *references[RANGES + 1] = {bench_teach(&plan, &by)};
    for (size_t k = 0; k < RANGES; k++) {
        plan.range_low_A = final_A * (1 + ranges[k].off - 0.04);
        plan.range_high_A = final_A * (1 + ranges[k].off + 0.04);
        references[k + 1] = bench_teach(&plan, &by);
    }
    for (size_t k = 0; k <= RANGES; k++) {
        seen[k].false_bad[at] = (struct set_seen){0, GOODS, 1};
        seen[k].unsure[at] = (struct set_seen){0, GOODS, 1};
        seen[k].missed[at] = (struct set_seen){0, FAULTS, 1};
        seen[k].limit[at] =
            (struct set_seen){common_limit(references[k]), common_limit(references[0]), 1};
        seen[k].error2[at] = (struct set_seen){final_error2(references[k], final_A),
                                               final_error2(references[0], final_A), 1};
    }
    for (int i = 0; i < GOODS + FAULTS; i++) {
        struct fault fault = {.kind = i < GOODS ? FAULT_NONE : FAULT_LEVEL,
                              .step = dice_below(&bench.dice, bench.type.count),
                              .size = dice_below(&bench.dice, 2) ? 1.1 : 0.9};
        struct trace trace = {0};
        bench_power_up(&bench, &fault, &trace);
        for (size_t k = 0; k <= RANGES; k++) {
            struct verdict verdict;
            if (judge_trace(references[k], NULL, trace.readings, trace.count, &verdict, NULL) != 0)
                exit(EXIT_FAILURE);
            if (i < GOODS) {
                seen[k].false_bad[at].part += verdict.kind == VERDICT_BAD;
                seen[k].unsure[at].part += verdict.kind == VERDICT_UNSURE;
            } else {
                seen[k].missed[at].part += verdict.kind == VERDICT_GOOD;
            }
        }
        trace_clear(&trace);
    }
    for (size_t k = 0; k <= RANGES; k++)
        reference_destroy(references[k]);
    taught_by_clear(&by);
}

/* No worse than without by more than so much. */
static void no_worse_row(const char *what, double most, const struct set_seen *with,
                         const struct set_seen *without)
{
    struct interval more = difference_over_sets(with, without, SETS);
    print_row(what, most, more.mean, more.low, more.high, more.low <= most ? HOLDS : REFUTED);
}

/* What a right range buys. */
static void less_row(const char *what, const struct set_seen *sets)
{
    struct interval share = share_over_sets(sets, SETS);
    print_row(what, 1, share.mean, share.low, share.high, share.high < 1 ? HOLDS : REFUTED);
}

static void range_rows(uint64_t seed, int units, double factor)
{
    struct seen *seen = calloc(RANGES + 1, sizeof *seen);
    if (!seen)
        exit(EXIT_FAILURE);
    for (size_t i = 0; i < SETS; i++)
        run_set(seed + 300 + i, units, factor, i, seen);
    char what[80];
    snprintf(what, sizeof what, "%d unit%s, no range: unsure of a good one", units,
             units == 1 ? "" : "s");
    shown_row(what, NAN, seen[0].unsure, SETS);
    snprintf(what, sizeof what, "%d unit%s, no range: good called bad", units,
             units == 1 ? "" : "s");
    shown_row(what, NAN, seen[0].false_bad, SETS);
    less_row("  range right: limit of all levels, of without", seen[1].limit);
    less_row("  range right: final level's squared error, of it", seen[1].error2);
    for (size_t k = 0; k < RANGES; k++) {
        snprintf(what, sizeof what, "  range %s: more unsure", ranges[k].name);
        no_worse_row(what, k == 0 ? 0 : 0.005, seen[k + 1].unsure, seen[0].unsure);
        snprintf(what, sizeof what, "  range %s: more good called bad", ranges[k].name);
        no_worse_row(what, k == 0 ? 0 : 0.001, seen[k + 1].false_bad, seen[0].false_bad);
        snprintf(what, sizeof what, "  range %s: more faulty called good", ranges[k].name);
        no_worse_row(what, 0.001, seen[k + 1].missed, seen[0].missed);
    }
    free(seen);
}

void stated_ranges(uint64_t seed)
{
    head("A stated range beside known-goods, same power-ups with and without (stated: at most\n"
         "so much more; a right one: less than 100 % of the limit and of the squared error of\n"
         "the final level without); faults: one level off by 10 %");
    range_rows(seed, 1, 1);
    range_rows(seed, 2, 1);
    head("The same where units spread twice the default");
    range_rows(seed, 1, 2);
    range_rows(seed, 2, 2);
}
