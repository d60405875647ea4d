/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Following a power-up along a template whose order of phases is known: a
 * dynamic programme over the phases' starting readings, a reading at a time.
 * Time is not warped: a late phase stays late.
 *
 * Every path (phase, where it began) carries two sums. Its evidence grows with
 * readings the template cannot explain, a few in a row are needed, and wanes
 * slowly with readings it can, so that strays pass; beyond FOLLOW_BOUND the
 * path is dead. Its score (robust squared residuals) tells the paths alive
 * apart. A path that stays in a phase beyond the phase's upper time limit is
 * dead too. When all are dead, no known-good would have drawn this.
 */
#ifndef WAKEDRAW_REFERENCE_FOLLOW_H
#define WAKEDRAW_REFERENCE_FOLLOW_H

#include "reference/reference_model.h"

#include <stdint.h>

#define FOLLOW_BOUND 15.0
#define FOLLOW_WANE 0.4          /* taken off the evidence by a reading that fits */
enum { FOLLOW_MOST_PATHS = 48 }; /* kept per phase, the best by score */

struct follow_options {
    double envelope;     /* share of the level by which shapes are widened */
    double resolution_A; /* of the supply that reads; 0: as the phase's noise */
    double common, own;  /* spread of a unit's factor and of a phase beside it; 0: no factor */
    double stretch;      /* share by which a shape may run slower or faster */
    double nominal_V;    /* where the template holds; NAN: voltage is not used */
    double interval_s;   /* between readings when the shapes were learned */
    double late_s;       /* tolerance on time limits (a slow conversion) */
};

struct path {
    size_t start;  /* index of the phase's first reading (perhaps a mixture) */
    double from_s; /* its time, and that of the reading before it */
    double before_s;
    double evidence, score;
    double drawn_A, shape_A;             /* sums over the phase: readings, and the shape there */
    double factor_sum, factor_precision; /* of the logarithm of the unit's factor */
    double factor;                       /* on all levels, from the phases left so far; 1: none */
    double crossed_s;                    /* PHASE_PERIODIC: when it last crossed the middle */
    uint32_t starts[REFERENCE_MOST_PHASES];
    double next_s;        /* since then, all of those fit the next phase; NAN */
    double before_next_s; /* time of the reading before that */
    size_t next_index;    /* of that reading */
    int phase;
    int misses;  /* readings in a row that do not fit */
    int counted; /* readings in drawn_A and shape_A */
    bool above;  /* PHASE_PERIODIC: to which side it crossed */
};

enum follow_end { FOLLOW_ALIVE, FOLLOW_TOO_LONG, FOLLOW_UNLIKE };

struct follow;

/* `phases` must outlive it. NULL: memory is out. */
struct follow *follow_create(const struct reference_phase *phases, size_t count,
                             const struct follow_options *options);
void follow_destroy(struct follow *follow);

/* The next reading, time from onset; index counts from onset. Invalid readings
 * and repeats of one conversion are not passed. Returns FOLLOW_ALIVE, or why the last paths died at
 * it. */
enum follow_end follow_read(struct follow *follow, size_t index, double time_s, double current_A,
                            double voltage_V);

/* The best path alive; when none is, the best of the last. NULL before the
 * first reading. */
const struct path *follow_best(const struct follow *follow);

/* The best path alive in one phase, where its score and evidence are no more than
 * `behind` above the best's; else NULL. */
const struct path *follow_best_in(const struct follow *follow, size_t phase, double behind);

/* Least evidence among the paths alive in the last phase; INFINITY: none. */
double follow_evidence_in_last(const struct follow *follow);

/* Mean, least and most of a phase's shape at time since its beginning, known to
 * within slack_s. */
struct shape_band {
    double mean_A, low_A, high_A;
};
struct shape_band follow_shape(const struct reference_phase *phase, double since_s, double slack_s);

#endif
