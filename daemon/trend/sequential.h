/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Wald's sequential probability ratio test (1947): values come one at a time
 * until they decide between two hypotheses with stated errors. For cycling a
 * unit: is its failure rate the low one or the high one, has its draw moved.
 * Wald's bounds keep both errors at or below what is stated, give or take the
 * other error's size; the last step overshoots the bound, so that more values
 * are taken and fewer errors made than his approximations say.
 */
#ifndef WAKEDRAW_TREND_SEQUENTIAL_H
#define WAKEDRAW_TREND_SEQUENTIAL_H

#include <stdbool.h>
#include <stddef.h>

enum sequential_state { SEQUENTIAL_GO_ON, SEQUENTIAL_FIRST, SEQUENTIAL_SECOND };

struct sequential {
    double first_bound, second_bound; /* ln(b / (1 - a)), ln((1 - b) / a) */
    double ratio;                     /* log likelihood ratio so far, second over first */
    size_t count;
    enum sequential_state state; /* once decided it stays */
};

/* error_first: probability of deciding for the second where the first is true;
 * error_second the other way. False where they are not positive or sum to 1. */
bool sequential_begin(struct sequential *test, double error_first, double error_second);

/* A value with normal scatter: is its mean the first or the second? */
enum sequential_state sequential_add_value(struct sequential *test, double value, double first_mean,
                                           double second_mean, double sigma);

/* A power-up that failed or did not: is the failure rate the first or the
 * second? Rates in (0, 1). */
enum sequential_state sequential_add_outcome(struct sequential *test, bool failed,
                                             double first_rate, double second_rate);

/* Values it takes on average by Wald's approximation (no overshoot), where the
 * first, or the second, mean is true. */
double sequential_expected_first(const struct sequential *test, double first_mean,
                                 double second_mean, double sigma);
double sequential_expected_second(const struct sequential *test, double first_mean,
                                  double second_mean, double sigma);

#endif
