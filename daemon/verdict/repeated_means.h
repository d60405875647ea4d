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
};

/* The predictive spread of a mean of so many power-ups instead of one. */
double averaged_spread(const struct spread *spread, double power_ups);

/* The uncertainty of a mean of so many power-ups of uncertainty u each; what one
 * step of the readback may hide, step_share of the level, stays. */
double averaged_u(double u, double step_share, double power_ups);

/* `more`: as if so many more had been taken with the same means. */
void unit_means_take(const struct reference *reference, const struct accuracy *accuracy,
                     const struct repeated_power_up *power_ups, size_t count, size_t more,
                     struct unit_means *means);

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
