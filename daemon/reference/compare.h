/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Comparing the levels of one power-up with a template's. Levels of one unit
 * move together, so the model of a phase's ratio to the template is
 *
 *   log ratio = common factor + the phase's own deviation + measurement
 *
 * and each phase is judged given the others. The limits hold the unit spread
 * and the reference's own uncertainty (predictive, Student t); the guard band
 * holds the measurement's alone (JCGM 106), so that nothing is counted twice.
 */
#ifndef WAKEDRAW_REFERENCE_COMPARE_H
#define WAKEDRAW_REFERENCE_COMPARE_H

#include "reference/reference_model.h"

/* What the readings of one phase say about its level. */
struct level_sum {
    double weighted, shape_squares; /* sums of w y m and w m^2 */
    double noise_squares;           /* sum of w^2 m^2 noise^2 */
    double doubt;                   /* sum of w m h, h the shape's own doubt */
    double current_A, voltage_V;    /* sums */
    size_t count;                   /* readings that fit the phase */
    size_t voltages;
    size_t changes;   /* of those, times the value changed */
    size_t crossings; /* of those, times it crossed the mean shape */
    bool above;       /* the last one was above it */
    double last_A;
};

struct measured_level {
    bool usable;
    double log_ratio; /* to the template, at the template's voltage */
    double u;         /* standard uncertainty of measurement, share */
    double voltage_u; /* from carrying it to the template's voltage, share */
    double current_A; /* mean as read */
    double voltage_V; /* mean as read; NAN */
    double effective; /* readings that are distinct conversions */
};

/* What it takes to add readings of one phase. */
struct level_view {
    const struct reference_phase *phase;
    double compared_at_V; /* where the template holds; NAN */
    double wide;          /* share beyond the shape within which readings count */
    double noise_A;       /* of one reading by this supply */
};

/* Adds a reading taken since_s after the phase's first one, known to within
 * slack_s; one that is far from the shape is evidence of something else and left
 * out. Where the shape is steep or differs between power-ups a reading counts
 * for less. */
void level_sum_add(struct level_sum *sum, const struct level_view *view, double since_s,
                   double slack_s, const struct reading *reading);

struct measured_level level_measure(const struct level_sum *sum, const struct level_view *view,
                                    double resolution_A);

/* Inrush of the input capacitors: readings this early after onset tell nothing
 * of a level. */
#define INRUSH_S 0.015

/* One phase given the others. */
struct level_test {
    double deviation; /* log ratio less what the others predict */
    double spread;    /* predictive standard deviation of that, measurement left out */
    double spread_df;
    double u;     /* measurement's own */
    double limit; /* largest deviation of a good unit */
};

/* Tests phase j among count measured levels. */
struct level_test level_test_one(const struct reference *reference,
                                 const struct measured_level *levels, size_t count, size_t j);

/* The common factor by itself: deviation, spread, u and limit as above. */
struct level_test level_test_common(const struct reference *reference,
                                    const struct measured_level *levels, size_t count);

/* Share by which a template's shapes are widened for the spread of units. */
double reference_envelope(const struct reference *reference);

/* Limit of a Student t of so many degrees of freedom that a good unit passes
 * but once in about 20,000 tests, capped where few degrees would make it
 * useless. */
double level_limit_factor(double df);

#endif
