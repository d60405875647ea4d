/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Spreads out of the known-goods: unit to unit and power-up to power-up kept
 * apart (one-way random effects), the measurement's share taken off, shrunk to
 * a prior: s^2 = (d0 s0^2 + d s_seen^2) / (d0 + d) with d0 + d degrees of
 * freedom (Smyth 2004).
 */
#ifndef WAKEDRAW_REFERENCE_SPREAD_H
#define WAKEDRAW_REFERENCE_SPREAD_H

#include "reference/course.h"

/* Defaults where a type stands alone, printed as assumed. */
#define SPREAD_PRIOR_DF 4.0
#define SPREAD_COMMON 0.015
#define SPREAD_OWN 0.007
#define SPREAD_DURATION 0.03
#define SPREAD_COMMON_WITHIN 0.004
#define SPREAD_OWN_WITHIN 0.003
#define SPREAD_DURATION_WITHIN 0.01

/* Variance s^2 with df degrees of freedom, drawn to prior s0^2 with d0. */
double shrink_variance(double s2, double df, double s02, double d0);

/* Predictive variance of one power-up of a new unit, where n units of m
 * power-ups each taught the mean (m may be a mean). */
double predictive_variance(double between2, double within2, double n, double m);

/* What units of this type differ by, seen and prior together; between units and
 * between power-ups of one. */
double spread_between2(const struct spread *spread);
double spread_within2(const struct spread *spread);

/* Sets what follows for one power-up of a new unit, where the mean rests on so
 * many units (a stated range counts as some) of so many power-ups each. */
void spread_predict(struct spread *spread, double units, double power_ups_each);

/* The spread after so many more units of which the same is seen; df_each:
 * degrees of freedom one unit brings where none were seen. */
struct spread spread_with_more(const struct spread *spread, double units, double power_ups_each,
                               double more, double df_each);

/* Sets the three spreads' priors: the defaults, or those pooled with what the
 * references of other types saw. Either is worth SPREAD_PRIOR_DF: how alike the
 * types of a shop are is not known. */
void spread_priors(struct reference *reference, const struct reference *const *pool,
                   size_t pool_count);

/* Centres the template on the units' mean (log ratios and durations become
 * deviations from it), learns the spreads and fills the predictive ones.
 * -1: memory is out. */
int spread_learn(struct reference *reference, struct course *courses, size_t course_count);

/* Levels and shape, by a factor on the logarithm. */
void phase_scale(struct reference_phase *phase, double log_shift);

/* Load exponents where known-goods were seen at different voltages. */
void exponents_learn(struct reference *reference, const struct course *courses,
                     size_t course_count);

#endif
