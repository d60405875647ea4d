/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Control charts for values that ought to stay where they are: the daily check
 * of a supply and its leads, the draw of one unit cycled again and again.
 * Source of the methods: NIST/SEMATECH e-Handbook 6.3.2.3 (CUSUM) and 6.3.2.4
 * (EWMA). A chart is a plain struct; values come one at a time.
 */
#ifndef WAKEDRAW_TREND_CONTROL_CHART_H
#define WAKEDRAW_TREND_CONTROL_CHART_H

#include <stdbool.h>
#include <stddef.h>

enum chart_state { CHART_IN_CONTROL, CHART_HIGH, CHART_LOW };

/* Exponentially weighted moving average. */
struct ewma {
    double centre;        /* where the values ought to be */
    double sigma;         /* standard deviation of one value, > 0 */
    double weight;        /* of the newest value, in (0, 1]; common: 0.15 to 0.3 */
    double factor;        /* limits at centre +- factor sigma sqrt(w / (2 - w)) */
    double average;       /* so far; starts at centre */
    enum chart_state now; /* after the newest value */
};

/* False where a figure is out of range. */
bool ewma_begin(struct ewma *chart, double centre, double sigma, double weight, double factor);
double ewma_high_limit(const struct ewma *chart);
double ewma_low_limit(const struct ewma *chart);
enum chart_state ewma_add(struct ewma *chart, double value);

/* Two-sided cumulative sum. */
struct cusum {
    double centre, sigma;
    double slack;     /* k, in sigma; common: 0.5 */
    double limit;     /* h, in sigma; common: 4 to 5 */
    double high, low; /* the two sums so far, in the value's own unit; 0 and up */
    enum chart_state now;
};

/* `head_start` in sigma (0: none; limit / 2 finds a shift that is there from the
 * start sooner). False where a figure is out of range. */
bool cusum_begin(struct cusum *chart, double centre, double sigma, double slack, double limit,
                 double head_start);
enum chart_state cusum_add(struct cusum *chart, double value);

/* Standard deviation to chart a quantised value with: not below what the step
 * itself brings, q / sqrt(12). */
double chart_sigma(double seen_sigma, double resolution);

#endif
