/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The figures behind judging a unit on several power-ups, none of them bad.
 */
#ifndef WAKEDRAW_VERDICT_REPEATED_MEANS_H
#define WAKEDRAW_VERDICT_REPEATED_MEANS_H

#include "verdict/repeated.h"

/* Levels averaged over the power-ups and tested again. */
struct unit_means {
    bool any; /* two or more power-ups have levels; else the rest is GOOD, unresolved */
    size_t power_ups;
    struct measured_level levels[REFERENCE_MOST_PHASES];
    enum verdict_kind kind; /* of the worst phase, or of the common factor */
    size_t phase;           /* that one (the last, for the common factor) */
    struct level_test test; /* of that */
    bool resolves;          /* the smallest fault stands clear of the mean in every phase */
    bool inside;            /* all are within their limits by the guard band */
    size_t unclear;         /* not resolved: the phase where it does not, and its test */
    struct level_test unclear_test;
    double fault_told; /* the smallest share of a fault that these means tell */
};

/* The predictive spread of a mean of so many power-ups instead of one. */
double averaged_spread(const struct spread *spread, double power_ups);

/* The uncertainty of a mean of so many power-ups like that; what the unit repeats
 * and what one step of the readback, step_A, may hide stays. */
double averaged_u(const struct measured_level *level, double step_A, double power_ups);

/* The record's fault, not the unit's: says nothing of it. A whole watch that the
 * unit did not come through in is not the record's. */
bool power_up_is_void(const struct repeated_power_up *power_up);

void unit_means_take(const struct reference *reference, const struct accuracy *accuracy,
                     const struct repeated_power_up *power_ups, size_t count,
                     struct unit_means *means);

/* Whether so many more power-ups would settle the means, in nearly all of what
 * these and the type's spread leave probable. */
bool unit_means_settle(const struct reference *reference, const struct accuracy *accuracy,
                       const struct repeated_power_up *power_ups, size_t count, size_t more);

/* Whether power-up `which`, bad by a level, may differ from those that are not bad
 * by a fault that comes and goes: unless it could not lie where it does, were it
 * off from them by the smallest fault. */
bool may_be_of_another_kind(const struct reference *reference,
                            const struct repeated_power_up *power_ups, size_t count, size_t which);

/* Whether a level of power-up `which` lies nearer to a fault than to the others,
 * beyond chance: their mean does not speak for it. */
bool lies_apart(const struct reference *reference, const struct repeated_power_up *power_ups,
                size_t count, size_t which);

/* A phase's draw or duration that falls in two clusters. */
struct two_kinds {
    bool found; /* else the rest does not apply */
    size_t phase;
    bool of_time;
    size_t low_count, high_count;
    double gap;     /* between the clusters, natural logarithm */
    double allowed; /* widest gap that a unit's own power-ups leave */
    double cut;     /* between them: natural logarithm to the template, or of the draw */
};

/* Whether a power-up lies below the cut; false where it was not measured, too. */
bool two_kinds_is_low(const struct two_kinds *kinds, const struct reference *reference,
                      const struct repeated_power_up *power_up);

/* -1: memory is out. */
int two_kinds_find(const struct reference *reference, const struct accuracy *accuracy,
                   const struct repeated_power_up *power_ups, size_t count,
                   struct two_kinds *kinds);

#endif
