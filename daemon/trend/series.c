/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/series.h"

#include <gsl/gsl_fit.h>
#include <math.h>

/* Twice, the second time about the first mean: large values with small scatter
 * keep their digits. */
static double mean_of(const double *values, size_t count)
{
    double mean = values[0];
    for (int pass = 0; pass < 2; pass++) {
        double sum = 0;
        for (size_t i = 0; i < count; i++)
            sum += values[i] - mean;
        mean += sum / (double)count;
    }
    return mean;
}

bool series_summarise(const double *values, size_t count, struct series_summary *summary)
{
    *summary = (struct series_summary){.count = count, .mean = NAN, .sd = NAN};
    summary->autocorrelation = NAN;
    if (count == 0)
        return false;
    double mean = mean_of(values, count);
    double squares = 0;
    double rest = 0; /* of the deviations; what rounding left of the mean */
    double neighbours = 0;
    for (size_t i = 0; i < count; i++) {
        double off = values[i] - mean;
        squares += off * off;
        rest += off;
        if (i > 0)
            neighbours += off * (values[i - 1] - mean);
    }
    squares -= rest * rest / (double)count;
    summary->mean = mean;
    if (count < 2)
        return true;
    summary->sd = sqrt(squares / (double)(count - 1));
    if (squares > 0)
        summary->autocorrelation = neighbours / squares;
    return true;
}

bool series_fit_line(const double *x, const double *values, size_t count, struct series_line *line)
{
    struct series_summary along;
    struct series_summary across;
    if (count < 3 || !series_summarise(x, count, &along) || !(along.sd > 0))
        return false;
    series_summarise(values, count, &across);
    double covariance[3];
    double squares = 0;
    if (gsl_fit_linear(x, 1, values, 1, count, &line->at_zero, &line->slope, &covariance[0],
                       &covariance[1], &covariance[2], &squares) != 0)
        return false;
    line->at_zero_u = sqrt(covariance[0]);
    line->slope_u = sqrt(covariance[2]);
    line->residual_sd = sqrt(squares / (double)(count - 2));
    double whole = across.sd * across.sd * (double)(count - 1);
    line->share_explained = whole > 0 ? 1 - squares / whole : 0;
    return true;
}
