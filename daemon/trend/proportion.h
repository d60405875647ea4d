/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How often something fails, from counts: exact binomial limits (Clopper and
 * Pearson 1934), what no failure at all supports, and Fisher's exact test of
 * two counts (before a repair, after it). All of it holds for independent
 * power-ups under the conditions tested, and for no others. NAN where arguments
 * are out of range (no tries, more failures than tries, confidence outside
 * (0, 1)).
 */
#ifndef WAKEDRAW_TREND_PROPORTION_H
#define WAKEDRAW_TREND_PROPORTION_H

struct proportion_limits {
    double low, high; /* shares, 0..1 */
};

/* Two-sided: each side errs in at most half of 1 - confidence. */
struct proportion_limits proportion_between(unsigned failures, unsigned tries, double confidence);

/* One-sided: the rate is at most, or at least, this. */
double proportion_at_most(unsigned failures, unsigned tries, double confidence);
double proportion_at_least(unsigned failures, unsigned tries, double confidence);

/* No failure in so many tries: the rate is below 1 - (1 - confidence)^(1/tries),
 * one-sided. */
double proportion_without_failure(unsigned tries, double confidence);

/* Tries without a failure that it takes to bound the rate below `rate`,
 * one-sided; 0 where arguments are out of range or it takes more than an
 * unsigned holds. */
unsigned proportion_tries_for(double rate, double confidence);

/* Fisher's exact test: how likely are counts at least this far apart, were both
 * rates the same. One-sided: the first rate is the higher one. Two-sided: all
 * tables no likelier than the one seen. */
double fisher_first_higher(unsigned failures, unsigned tries, unsigned other_failures,
                           unsigned other_tries);
double fisher_two_sided(unsigned failures, unsigned tries, unsigned other_failures,
                        unsigned other_tries);

#endif
