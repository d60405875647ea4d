/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What changed in one unit between the stages of its repair, and whether that is
 * more than its own power-ups spread: Student's t for two means with one pooled
 * spread, the spread known of the type's power-ups taken in as so many degrees of
 * freedom. Many comparisons at once are held together by Holm's step-down method
 * (1979). Values are on any one axis; levels and durations go in as natural
 * logarithms, so that differences are shares. Pure.
 */
#ifndef WAKEDRAW_TREND_STAGE_CHANGE_H
#define WAKEDRAW_TREND_STAGE_CHANGE_H

#include <stdbool.h>
#include <stddef.h>

struct stage_values {
    const double *values; /* one a power-up */
    size_t count;         /* 0: nothing was measured at this stage */
};

/* What is known of the scatter beforehand. */
struct own_spread {
    double sd, df; /* from power-up to power-up of one unit; df 0: nothing is known */
    double floor;  /* standard deviation that is there at least (a readback's step) */
    double stays;  /* standard uncertainty of a stage's mean that no number of power-ups
                      takes away; independent from stage to stage */
};

struct stage_mean {
    size_t count;
    double mean, low, high; /* NAN: not measured; limits NAN: no spread is known */
};

struct stage_change {
    size_t from, to;   /* stages, in their order, that were both measured and follow */
    double difference; /* to less from */
    double low, high;  /* confidence limits of this one difference */
    double t, df, p;   /* two-sided, by itself; NAN: no spread is known */
    double p_family;   /* among all that stage_changes_settle was given; before it: p */
    bool is_more;      /* than the unit's own spread; false until settled */
};

/* The pooled standard deviation of one power-up and its degrees of freedom. */
void stage_spread(const struct stage_values *stages, size_t count, const struct own_spread *known,
                  double *sd, double *df);

/* means has room for count; changes for count less 1. Limits at `confidence` (0.95).
 * Returns how many changes there are. */
size_t stage_changes_find(const struct stage_values *stages, size_t count,
                          const struct own_spread *known, double confidence,
                          struct stage_mean *means, struct stage_change *changes);

/* Several rows' changes judged together: the chance that any of them is called
 * more than the unit's own spread where none is stays at `error` or below. */
void stage_changes_settle(struct stage_change **changes, size_t count, double error);

#endif
