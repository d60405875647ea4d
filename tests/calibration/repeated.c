/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Units judged on several power-ups, good ones and intermittents.
 */
#include "verdict/repeated.h"
#include "calibration/parts.h"
#include "calibration/table.h"

#include <stdio.h>
#include <stdlib.h>

enum { CYCLES = 6, UNITS_A_BENCH = 12 };

struct unit_tally {
    long units, bad, unsure, two_kinds; /* two_kinds: named intermittent, none being bad */
};

/* One unit over its cycles; `faulty` of them carry the same fault. */
static void judge_unit(struct bench *bench, const struct reference *reference, int faulty,
                       struct unit_tally *tally)
{
    struct repeated_power_up power_ups[CYCLES];
    struct unit unit;
    struct fault fault = {.kind = FAULT_NONE};
    make_unit(&bench->dice, &bench->type, &bench->spreads, &unit);
    if (faulty > 0)
        make_fault(&bench->dice, &bench->type, &fault);
    for (int i = 0; i < CYCLES; i++) {
        struct fault none = {.kind = FAULT_NONE};
        struct trace trace = {0};
        struct verdict verdict;
        struct phases phases = {0};
        make_power_up(&bench->dice, &bench->type, &unit, &bench->supply, &bench->spreads,
                      i < faulty ? &fault : &none, &trace, NULL);
        if (repeated_judge_trace(reference, NULL, trace.readings, trace.count, &verdict, &phases,
                                 &power_ups[i]) != 0)
            abort();
        phases_clear(&phases);
        trace_clear(&trace);
    }
    struct unit_verdict verdict;
    if (repeated_judge(reference, NULL, power_ups, CYCLES, &verdict) != 0)
        abort();
    tally->units++;
    tally->bad += verdict.kind == VERDICT_BAD;
    tally->unsure += verdict.kind == VERDICT_UNSURE;
    tally->two_kinds += verdict.intermittent && verdict.bad == 0;
}

static void add_share(struct set_seen *sets, size_t at, long part, long whole)
{
    sets[at] = (struct set_seen){(double)part, (double)whole, 1};
}

void repeated_errors(uint64_t seed)
{
    enum { SEEDS = 2, SETS = KIND_COUNT * SUPPLY_COUNT * SEEDS };
    struct set_seen bad[SETS];
    struct set_seen two_kinds[SETS];
    struct set_seen missed[SETS];
    long unsure[2] = {0};
    size_t at = 0;
    for (int kind = 0; kind < KIND_COUNT; kind++) {
        for (int which = 0; which < SUPPLY_COUNT; which++) {
            for (uint64_t s = 0; s < SEEDS; s++, at++) {
                struct bench bench;
                struct taught_by by;
                struct lesson_plan plan = {.units = 4};
                struct unit_tally good = {0};
                struct unit_tally faulty = {0};
                bench_make(seed + s, kind, which, &usual_spreads, &bench);
                bench_known_goods(&bench, &plan, &by);
                struct reference *reference = bench_teach(&plan, &by);
                for (int i = 0; i < UNITS_A_BENCH; i++) {
                    judge_unit(&bench, reference, 0, &good);
                    judge_unit(&bench, reference, 2, &faulty);
                }
                reference_destroy(reference);
                taught_by_clear(&by);
                add_share(bad, at, good.bad, good.units);
                add_share(two_kinds, at, good.two_kinds, good.units);
                add_share(missed, at, faulty.units - faulty.bad - faulty.unsure, faulty.units);
                unsure[0] += good.unsure;
                unsure[1] += faulty.unsure;
            }
        }
    }
    head("Units judged on 6 power-ups, every supply, 4 known-goods (stated: at most)");
    at_most_row("good unit called bad", 0.006, bad, SETS);
    at_most_row("good unit said to be of two kinds", 0.001, two_kinds, SETS);
    at_most_row("faulty in 2 of 6, called good", 0.003, missed, SETS);
    printf("  (unsure of %ld good and %ld intermittent units of %d each)\n", unsure[0], unsure[1],
           SETS * UNITS_A_BENCH);
}
