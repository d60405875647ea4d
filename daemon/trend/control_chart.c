/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/control_chart.h"

#include <math.h>

bool ewma_begin(struct ewma *chart, double centre, double sigma, double weight, double factor)
{
    if (!isfinite(centre) || !(sigma > 0) || !(weight > 0 && weight <= 1) || !(factor > 0))
        return false;
    *chart = (struct ewma){.centre = centre,
                           .sigma = sigma,
                           .weight = weight,
                           .factor = factor,
                           .average = centre,
                           .now = CHART_IN_CONTROL};
    return true;
}

static double half_width(const struct ewma *chart)
{
    return chart->factor * chart->sigma * sqrt(chart->weight / (2 - chart->weight));
}

double ewma_high_limit(const struct ewma *chart)
{
    return chart->centre + half_width(chart);
}

double ewma_low_limit(const struct ewma *chart)
{
    return chart->centre - half_width(chart);
}

enum chart_state ewma_add(struct ewma *chart, double value)
{
    chart->average += chart->weight * (value - chart->average);
    double off = chart->average - chart->centre;
    chart->now = fabs(off) <= half_width(chart) ? CHART_IN_CONTROL
                 : off > 0                      ? CHART_HIGH
                                                : CHART_LOW;
    return chart->now;
}

bool cusum_begin(struct cusum *chart, double centre, double sigma, double slack, double limit,
                 double head_start)
{
    if (!isfinite(centre) || !(sigma > 0) || !(slack >= 0) || !(limit > 0) || !(head_start >= 0) ||
        head_start > limit)
        return false;
    *chart = (struct cusum){.centre = centre,
                            .sigma = sigma,
                            .slack = slack,
                            .limit = limit,
                            .high = head_start * sigma,
                            .low = head_start * sigma,
                            .now = CHART_IN_CONTROL};
    return true;
}

enum chart_state cusum_add(struct cusum *chart, double value)
{
    double off = value - chart->centre;
    double slack = chart->slack * chart->sigma;
    double limit = chart->limit * chart->sigma;
    chart->high = fmax(0, chart->high + off - slack);
    chart->low = fmax(0, chart->low - off - slack);
    chart->now = chart->high > limit  ? CHART_HIGH
                 : chart->low > limit ? CHART_LOW
                                      : CHART_IN_CONTROL;
    return chart->now;
}

double chart_sigma(double seen_sigma, double resolution)
{
    return fmax(seen_sigma, resolution / sqrt(12));
}
