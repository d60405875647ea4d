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

#include "reference/level.h"
#include "reference/reference_model.h"

/* Good is said only where the smallest fault stands so many standard
 * uncertainties from zero, and a measured level so many from that fault. */
#define LEVEL_RESOLVABLE 3.8
#define LEVEL_FAULT_DISTANCE 3.0
#define LEVEL_GUARD 2.0 /* U = 2 u, w = U */

/* One phase given the others. */
struct level_test {
    double deviation; /* log ratio less what the others predict */
    double spread;    /* predictive standard deviation of that, measurement left out */
    double spread_df; /* that the limit is set by */
    double rate_df;   /* that the chance to pass it is told by: what is learned alike of all
                         phases is not counted twice */
    double u;         /* measurement's own */
    double limit;     /* largest deviation of a good unit; 0: not computed */
};

/* Deviation of phase j among count measured levels; the limit, which takes a
 * quantile, is left at 0. */
struct level_test level_deviation_one(const struct reference *reference,
                                      const struct measured_level *levels, size_t count, size_t j);

/* The common factor by itself, likewise. */
struct level_test level_deviation_common(const struct reference *reference,
                                         const struct measured_level *levels, size_t count);

/* The same with the limit. */
struct level_test level_test_one(const struct reference *reference,
                                 const struct measured_level *levels, size_t count, size_t j);

struct level_test level_test_common(const struct reference *reference,
                                    const struct measured_level *levels, size_t count);

/* Whether a phase draws enough, beside the largest and beside the noise of a
 * reading, for its level to be judged by a share. */
bool level_is_judged(const struct reference *reference, size_t p, double noise_A);

/* Largest deviation of a good unit. */
double level_test_limit(const struct reference *reference, const struct level_test *test);

/* Beyond the limit by more than the guard band of `guard` u; by how much. */
bool level_test_exceeds(const struct reference *reference, const struct level_test *test,
                        double guard, double *excess);

/* Share by which a template's shapes are widened for the spread of units. */
double reference_envelope(const struct reference *reference);

/* What one power-up is held against at once: the more, the wider each limit, so
 * that the chance of calling a good unit bad does not grow with the phases. */
double level_tests(const struct reference *reference);    /* each level, and all together */
double duration_tests(const struct reference *reference); /* each phase but the last */

/* Limit of a Student t of so many degrees of freedom, as multiple of the
 * spread: all `tests` together fail a good unit but once in 3,300, were it not
 * for a cap without which limits from few units would hold nothing off: 6.5
 * where there are five tests, and for all of them together. What is lost by the
 * cap is told by limit_tail. */
double level_limit_factor(double df, double tests);

/* Chance that a Student t lies beyond +-factor. */
double limit_tail(double factor, double df);

#endif
