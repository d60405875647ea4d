/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Known-goods that are not: how often a reference doubts one that is, and how
 * often it finds one that is not.
 */
#include "calibration/parts.h"
#include "calibration/table.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof *(array))

enum { MOST = 300 };

/* 1: it doubts unit "a" (of two: either); 2: it doubts another; 0: none. */
static int doubts(const struct reference *reference, int units)
{
    int found = 0;
    for (size_t i = 0; i < reference_claim_count(reference); i++) {
        const char *claim = reference_claim(reference, i);
        if (strncmp(claim, "doubt: ", 7) != 0)
            continue;
        if (units == 2 || strncmp(claim, "doubt: known-good a ", 20) == 0)
            found = 1;
        else if (!found)
            found = 2;
    }
    return found;
}

static int teach_one(uint64_t seed, int units, const struct spreads *spreads, enum fault_kind kind,
                     bool *resolves)
{
    struct bench bench;
    struct taught_by by;
    bench_make(seed, (int)(seed % KIND_COUNT), (int)(seed / KIND_COUNT % SUPPLY_COUNT), spreads,
               &bench);
    *resolves = bench_resolves(&bench);
    if (!*resolves && kind != FAULT_NONE)
        return 0;
    struct fault fault = {.kind = kind, .at_s = NAN};
    int last = bench.type.count - 1;
    fault.step = kind == FAULT_LEVEL ? last : dice_below(&bench.dice, last);
    fault.size = kind == FAULT_LEVEL ? 0.9 : 2;
    struct lesson_plan plan = {.units = units, .odd = kind == FAULT_NONE ? NULL : &fault};
    bench_known_goods(&bench, &plan, &by);
    struct reference *reference = bench_teach(&plan, &by);
    int found = doubts(reference, units);
    reference_destroy(reference);
    taught_by_clear(&by);
    return found;
}

static void false_alarms(uint64_t seed)
{
    static const int units[] = {2, 3, 4, 8};
    head("Known-goods that all are good: references that doubt one (stated: at most)");
    for (size_t u = 0; u < COUNT(units); u++) {
        struct set_seen sets[MOST];
        bool resolves = false;
        for (size_t i = 0; i < MOST; i++)
            sets[i] = (struct set_seen){
                teach_one(seed + i, units[u], &usual_spreads, FAULT_NONE, &resolves) != 0, 1, 1};
        char what[64];
        snprintf(what, sizeof what, "%d units", units[u]);
        at_most_row(what, 0.01, sets, MOST);
    }
}

static void power(uint64_t seed, enum fault_kind kind, const char *name)
{
    static const int units[] = {2, 3, 4, 8};
    for (size_t u = 0; u < COUNT(units); u++) {
        struct set_seen found[MOST];
        struct set_seen wrong[MOST];
        size_t count = 0;
        for (size_t i = 0; i < 90; i++) {
            bool resolves = false;
            int answer = teach_one(seed + 7000 + i, units[u], &usual_spreads, kind, &resolves);
            if (!resolves)
                continue;
            found[count] = (struct set_seen){answer == 1, 1, 1};
            wrong[count++] = (struct set_seen){answer == 2, 1, 1};
        }
        char what[64];
        snprintf(what, sizeof what, "%s, of %d units", name, units[u]);
        struct interval seen = share_over_sets(found, count);
        double stated = units[u] == 2 ? 0.5 : 0.75;
        print_row(what, stated, seen.mean, seen.low, seen.high,
                  seen.high >= stated ? HOLDS : REFUTED);
        if (share_over_sets(wrong, count).mean > 0)
            shown_row("  another doubted instead", NAN, wrong, count);
    }
}

void known_goods_that_are_not(uint64_t seed)
{
    false_alarms(seed);
    head("One known-good that is not, where the supply resolves it: references that doubt it\n"
         "(no reference states a share; a floor, so that it shows when doubts go blind; of two\n"
         "units either may be meant)");
    power(seed, FAULT_LEVEL, "final draw 10 % low");
    power(seed, FAULT_LONG, "a phase twice as long");
    power(seed, FAULT_STALL, "stalled");
}
