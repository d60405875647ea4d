/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Levels that could not be told: what would they be told by? The levels at hand
 * are measured again as the judge would measure them under other circumstances
 * (a finer readback, more readings, more power-ups, more known-good units) and
 * asked again. What the new measurement will say is not known; it is taken over
 * what this one and the type's spread leave probable, and a condition is told
 * only where it settles nearly all of that.
 */
#ifndef WAKEDRAW_VERDICT_WHAT_IF_H
#define WAKEDRAW_VERDICT_WHAT_IF_H

#include "verdict/template_state.h"

/* The guard band of the phase going on, looked at again and again; of the others
 * LEVEL_GUARD. */
#define GUARD_RUNNING 3.5

/* Good: within the limits, and the smallest fault of so large a share stands
 * clear of it; bad: beyond the limits and the guard band. */
enum verdict_kind level_outcome(const struct level_test *test, double fault_share, double guard);

/* The levels of one power-up, as the judge left them at the end of its watch. */
struct what_if {
    const struct judge *judge;
    const struct reference *reference;
    double step_A; /* of the readback */
};
struct what_if what_if_of(const struct judge *judge);

/* The coarsest readback that settles it, for judging alone or, `taught`, for
 * teaching and judging; NAN: none does. */
double what_if_resolution_A(const struct what_if *world, bool taught);

/* The longest time between readings that does, taught and judged so; NAN. */
double what_if_interval_s(const struct what_if *world);

/* The longest with which every phase's level can be measured at all. */
double what_if_seen_interval_s(const struct what_if *world);

/* More power-ups of this unit, judged together, or more known-good units that
 * spread as the others do; 0: no reasonable number does. */
int what_if_power_ups(const struct what_if *world);
int what_if_known_goods(const struct what_if *world);

/* The smallest share of a level that these very readings tell; NAN. */
double what_if_fault_share(const struct what_if *world);

/* The smallest share of a fault that a mean tells. */
double what_if_fault_of_mean(const struct level_test *test, double least_share);

#endif
