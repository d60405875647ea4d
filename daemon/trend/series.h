/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A row of values over time (a unit's settled draw across its stages or its
 * cycles): centre, scatter, whether neighbours go together, and drift.
 */
#ifndef WAKEDRAW_TREND_SERIES_H
#define WAKEDRAW_TREND_SERIES_H

#include <stdbool.h>
#include <stddef.h>

struct series_summary {
    size_t count;
    double mean;
    double sd;              /* count - 1; NAN below 2 values */
    double autocorrelation; /* at lag 1; NAN below 2 values or without scatter */
};

/* False where there is no value. */
bool series_summarise(const double *values, size_t count, struct series_summary *summary);

struct series_line {
    double at_zero, slope;     /* value = at_zero + slope x */
    double at_zero_u, slope_u; /* standard uncertainties, from the residuals */
    double residual_sd;        /* count - 2 */
    double share_explained;    /* R squared */
};

/* Least squares. False below 3 values or where all x are the same. */
bool series_fit_line(const double *x, const double *values, size_t count, struct series_line *line);

#endif
