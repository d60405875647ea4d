/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Normal tolerance factors, exact: mean +- k s holds a share P of the units
 * with confidence g. Sources of the method: ISO 16269-6; the one-sided factor
 * is a quantile of the noncentral t. NAN where arguments are out of range
 * (n < 2, df < 1, shares outside (0, 1)).
 */
#ifndef WAKEDRAW_REFERENCE_TOLERANCE_H
#define WAKEDRAW_REFERENCE_TOLERANCE_H

/* `n` readings behind the mean, `df` degrees of freedom behind s (n - 1 for one
 * sample). */
double tolerance_two_sided(double n, double df, double share, double confidence);
double tolerance_one_sided(double n, double df, double share, double confidence);

/* Howe's approximation of the two-sided factor. */
double tolerance_howe(double n, double df, double share, double confidence);

/* Distribution function of Student's t with noncentrality delta. */
double noncentral_t_below(double t, double df, double delta);

#endif
