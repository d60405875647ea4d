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
    double deviation, limit;
    bool resolves; /* the smallest fault stands clear of the mean in every phase */
};

void unit_means_take(const struct reference *reference, const struct accuracy *accuracy,
                     const struct repeated_power_up *power_ups, size_t count,
                     struct unit_means *means);

/* A phase's draw or duration that falls in two clusters. */
struct two_kinds {
    bool found; /* else the rest does not apply */
    size_t phase;
    bool of_time;
    size_t low_count, high_count;
    double gap;     /* between the clusters, natural logarithm */
    double allowed; /* widest gap that a unit's own power-ups leave */
};

/* -1: memory is out. */
int two_kinds_find(const struct reference *reference, const struct accuracy *accuracy,
                   const struct repeated_power_up *power_ups, size_t count,
                   struct two_kinds *kinds);

#endif
