/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One-way random effects: values of several units, some values a unit. Splits
 * the variance into between and within units (analysis of variance, groups of
 * unequal size allowed, components never negative) and gives limits that hold
 * a share of the units' single values with a stated confidence, by two methods:
 *   basis_lower, basis_upper  the ANOVA method of CMH-17-1G, 8.3.6.7
 *   mee_owen_lower, _upper    Mee and Owen (1983), as in Krishnamoorthy and
 *                             Mathew (2009), chapter 4; unequal groups by the
 *                             harmonic mean of their sizes (an approximation)
 * Pure; NAN where arguments are out of range.
 */
#ifndef WAKEDRAW_REFERENCE_RANDOM_EFFECTS_H
#define WAKEDRAW_REFERENCE_RANDOM_EFFECTS_H

#include <stdbool.h>
#include <stddef.h>

struct random_effects {
    size_t groups, values;
    double mean;                            /* of all values */
    double mean_of_means;                   /* of the groups' means */
    double between_squares, within_squares; /* sums of squares */
    double between_df, within_df;
    double between_mean_square, within_mean_square; /* NAN at 0 degrees of freedom */
    double f;                                       /* ratio of the two */
    double effective_size;                          /* n0: (N - sum n_i^2 / N) / (groups - 1) */
    double harmonic_size;                           /* groups / sum (1 / n_i) */
    double means_square;                            /* variance of the groups' means, groups - 1 */
    double between2; /* variance between units, 0 and up; NAN for one group */
    double within2;  /* variance within units; NAN where no unit has two values */
};

/* `values` group after group, sizes[g] of them in group g, each at least 1.
 * False where there is no group or an empty one. */
bool random_effects_split(const double *values, const size_t *sizes, size_t groups,
                          struct random_effects *effects);

/* Need two groups, and one with two values. */
double basis_lower(const struct random_effects *effects, double share, double confidence);
double basis_upper(const struct random_effects *effects, double share, double confidence);
double mee_owen_lower(const struct random_effects *effects, double share, double confidence);
double mee_owen_upper(const struct random_effects *effects, double share, double confidence);

#endif
