/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of the segmentation: usable readings with their noise, and the
 * shapes that stretches of them are fitted with. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_SHAPE_H
#define WAKEDRAW_SIGNATURE_SHAPE_H

#include "signature/noise.h"
#include "signature/phase.h"

#include <stdbool.h>
#include <stddef.h>

/* The usable readings of a row, and what is known of their noise. */
struct series {
    size_t count;
    double *time_s, *current_A;
    double *weight;  /* 1 / (deviation^2 readings-a-conversion) */
    size_t *reading; /* where each stands in the row that was given */
    bool *masked;    /* farther from its shape than the bound: it bears on nothing */
    double *scratch; /* 4 count values, for what a fit sets down */
    struct noise noise;
    double interval_s; /* median of the gaps */
    double penalty;    /* what one more phase costs, in units of the noise's variance */
    double bound;      /* what one reading costs at most */
};

/* A stretch [first, end) and its shape: level + slope (t - middle_s), or
 * level + height exp(-(t - from_s) / decay_s). */
struct shape {
    enum phase_kind kind;
    size_t first, end;
    double level_A, slope_A_per_s, middle_s;
    double height_A, decay_s, from_s;
    double period_s;
    double about_A; /* of a smooth swing: standard deviation about its wave; else 0 */
    size_t origin;  /* the level of the exact cut it was split from; of pulses, steps a period */
};

struct shapes {
    struct shape *items;
    size_t count;
};

/* What the shape draws at an instant. */
double shape_at(const struct shape *shape, double time_s);

/* The shape of a kind over [first, end) by weighted least squares on what is
 * not masked. */
struct shape shape_fit(const struct series *series, size_t first, size_t end, enum phase_kind kind);

/* The same where a decay's time constant is known to be about near_s. */
struct shape shape_fit_near(const struct series *series, size_t first, size_t end,
                            enum phase_kind kind, double near_s);

/* Marks what lies farther from the shape than the bound; true where that differs
 * from what was marked. */
bool shape_mask(const struct series *series, const struct shape *shape);

/* Running sums, so that straight lines and decays over any stretch cost the
 * same few operations. A lone masked reading or two are left out and cost the
 * bound each; a longer run of them is a steep ramp and is taken in. */
enum { DECAY_TIMES = 14 };
struct shape_sums;
struct shape_sums *shape_sums_create(const struct series *series); /* NULL: memory is out */
void shape_sums_destroy(struct shape_sums *sums);
/* With the weights and masks as they are now. */
void shape_sums_add_up(struct shape_sums *sums);
/* Weighted squares about the best level or line over [first, end), bounds of
 * lone readings added. */
double shape_level_cost(const struct shape_sums *sums, size_t first, size_t end);
double shape_ramp_cost(const struct shape_sums *sums, size_t first, size_t end);
/* About the best decay among DECAY_TIMES time constants, whose value it gives. */
double shape_decay_cost(struct shape_sums *sums, size_t first, size_t end, double *decay_s);

/* Takes consecutive levels (from the exact cut) and joins them into ramps and
 * decays where that costs less over all: exact over the levels' boundaries and
 * the readings that fit no level. Then moves the boundaries of what was joined
 * to where they cost least and joins levels that do not differ enough to be
 * told apart, in place. -1: memory is out. */
int shapes_join(const struct series *series, struct shape_sums *sums, struct shapes *shapes);

/* Finds stretches of at least three equal periods among consecutive levels, then
 * those that swing smoothly, and makes each one periodic shape, in place. -1:
 * memory is out. */
int shapes_find_periodic(const struct series *series, struct shapes *shapes);

#endif
