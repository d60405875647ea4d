/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a row of readings tells about its own scatter: the count it is rounded
 * to, how often the supply converts anew, how noisy it is and whether the noise
 * is correlated. From differences of neighbours, so that phases need not be
 * known; ties are expected. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_NOISE_H
#define WAKEDRAW_SIGNATURE_NOISE_H

#include <stddef.h>

struct noise {
    double count_A;     /* one count of the readback; given or learned */
    double floor_A;     /* the least standard deviation assumed: count_A / sqrt(12) or 10 uA */
    double deviation_A; /* standard deviation of one reading, over the whole row */
    double repeats;     /* readings a conversion, 1 where every reading is fresh */
    double correlation; /* lag-1 autocorrelation of the noise, 0 where not significant, to 0.9 */
};

/* `count_A` 0: learn it, as the coarsest decimal step (1, 2, 5) up to 10 mA of
 * which all values are multiples, or the smallest of many equal differences.
 * Returns 0, or -1 when memory is out. */
int noise_learn(const double *current_A, size_t count, double count_A, struct noise *noise);

/* The same, and the standard deviation around each reading, from the 21
 * differences about it, drawn towards the whole row's. deviation_A must hold
 * count values. */
int noise_learn_local(const double *current_A, size_t count, double count_A, struct noise *noise,
                      double *deviation_A);

/* The standard deviation inside one phase, from its own differences less their
 * median, drawn towards the whole row's. Scratch must hold count values. */
double noise_within(const double *current_A, size_t count, const struct noise *noise,
                    double *scratch);

/* Lag-1 autocorrelation of values about their mean, as NIST's univariate data
 * sets define it; NAN where all are equal. */
double noise_lag1(const double *values, size_t count);

#endif
