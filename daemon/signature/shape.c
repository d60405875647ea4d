/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include <math.h>
#include <stdlib.h>

double shape_at(const struct shape *shape, double time_s)
{
    switch (shape->kind) {
    case PHASE_RAMP:
        return shape->level_A + shape->slope_A_per_s * (time_s - shape->middle_s);
    case PHASE_DECAY:
        return shape->level_A + shape->height_A * exp(-(time_s - shape->from_s) / shape->decay_s);
    case PHASE_LEVEL:
    case PHASE_PERIODIC:
        break;
    }
    return shape->level_A;
}

static double bounded_cost(const struct series *series, const struct shape *shape)
{
    double cost = 0;
    for (size_t i = shape->first; i < shape->end; i++) {
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        cost += fmin(series->bound, series->weight[i] * d * d);
    }
    return cost;
}

/* Weighted straight line through (x, current); `curve` gives x from the time. */
static void fit_against(const struct series *series, const struct shape *shape, double decay_s,
                        double *mean_x, double *mean_A, double *slope)
{
    double weights = 0;
    double sum_x = 0;
    double sum_A = 0;
    for (int pass = 0; pass < 2; pass++) {
        double xx = 0;
        double xA = 0;
        for (size_t i = shape->first; i < shape->end; i++) {
            if (series->masked[i])
                continue;
            double t = series->time_s[i] - shape->from_s;
            double x = decay_s > 0 ? exp(-t / decay_s) : t;
            double w = series->weight[i];
            if (pass == 0) {
                weights += w;
                sum_x += w * x;
                sum_A += w * series->current_A[i];
            } else {
                xx += w * (x - *mean_x) * (x - *mean_x);
                xA += w * (x - *mean_x) * (series->current_A[i] - *mean_A);
            }
        }
        if (pass == 0) {
            *mean_x = weights > 0 ? sum_x / weights : 0;
            *mean_A = weights > 0 ? sum_A / weights : (double)NAN;
        } else {
            *slope = xx > 0 ? xA / xx : 0;
        }
    }
}

static struct shape fit_decay(const struct series *series, const struct shape *whole)
{
    static const double shares[] = {0.04, 0.06, 0.09, 0.13, 0.2, 0.3, 0.45, 0.7, 1.0};
    struct shape best = *whole;
    best.cost = INFINITY;
    double length_s = series->time_s[whole->end - 1] - whole->from_s;
    for (size_t k = 0; k < sizeof shares / sizeof *shares; k++) {
        struct shape shape = *whole;
        double mean_x = 0;
        double mean_A = 0;
        shape.decay_s = shares[k] * length_s;
        fit_against(series, &shape, shape.decay_s, &mean_x, &mean_A, &shape.height_A);
        shape.level_A = mean_A - shape.height_A * mean_x;
        shape.cost = bounded_cost(series, &shape);
        if (shape.cost < best.cost)
            best = shape;
    }
    return best;
}

struct shape shape_fit(const struct series *series, size_t first, size_t end, enum phase_kind kind)
{
    struct shape shape = {
        .kind = kind, .first = first, .end = end, .from_s = series->time_s[first], .period_s = NAN};
    if (kind == PHASE_DECAY && end - first >= 4)
        return fit_decay(series, &shape);
    double mean_x = 0;
    double slope = 0;
    fit_against(series, &shape, 0, &mean_x, &shape.level_A, &slope);
    if (isnan(shape.level_A)) {
        /* All masked: what is there is there. */
        shape.level_A = 0;
        for (size_t i = first; i < end; i++)
            shape.level_A += series->current_A[i] / (double)(end - first);
    }
    if (kind == PHASE_RAMP) {
        shape.middle_s = shape.from_s + mean_x;
        shape.slope_A_per_s = slope;
    }
    shape.cost = bounded_cost(series, &shape);
    return shape;
}
