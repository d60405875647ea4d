/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the verdicts by a reference may be relied on for, by the model it rests
 * on: error rates on average over types whose spreads follow the prior (Student
 * t), what this supply resolves in each phase, and what more would settle.
 */
#ifndef WAKEDRAW_REFERENCE_RATES_H
#define WAKEDRAW_REFERENCE_RATES_H

#include "reference/compare.h"

/* NAN without phases. */
struct reference_rates {
    double false_bad_levels; /* a good unit is called bad by a level, at most */
    double false_bad_times;  /* likewise by a duration */
    double missed_level;     /* called good with the smallest fault in one phase's level: the
                                worst of the phases the supply can decide; NAN: there is none */
    double missed_duration;  /* likewise of a duration; NAN: one phase */
};
struct reference_rates reference_rates(const struct reference *reference);

/* Phase p as the supply that taught it sees it over a whole power-up: its test
 * given the others, and the smallest deviation that stands clear (a share). */
struct phase_view {
    struct level_test test;
    double smallest; /* 1: its level cannot be measured */
};
struct phase_view reference_phase_view(const struct reference *reference, size_t phase);

/* The readback's step that would let the smallest fault in a level stand clear,
 * rounded down to 1, 2 or 5 of a decade. NAN: no step would. */
double resolution_needed_A(const struct reference *reference, const struct level_test *test,
                           double level_A);

/* The reference after so many more known-good units like those seen. Shares all
 * but the phases, which go to `phases` (REFERENCE_MOST_PHASES); not to be freed. */
struct reference reference_with_more(const struct reference *reference, double more,
                                     struct reference_phase *phases);

/* How many more known-good units, at most 20, let phase p of a power-up that
 * measured these levels be called good; 0: they would not. */
int more_units_needed(const struct reference *reference, const struct measured_level *levels,
                      size_t count, size_t p);

#endif
