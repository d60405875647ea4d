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

void shape_mask(const struct series *series, const struct shape *shape)
{
    for (size_t i = shape->first; i < shape->end; i++) {
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        series->masked[i] = series->weight[i] * d * d >= series->bound;
    }
}

struct line {
    double mean_x, mean_A, slope, cost;
};

/* Weighted straight line through (x, current), x the time since the first
 * reading, or exp(-time / decay_s) where decay_s is above 0. */
static struct line fit_line(const struct series *series, size_t first, size_t end, double decay_s)
{
    double weights = 0;
    double sum_x = 0;
    double sum_A = 0;
    struct line line = {0};
    for (int pass = 0; pass < 2; pass++) {
        double xx = 0;
        double xA = 0;
        double AA = 0;
        for (size_t i = first; i < end; i++) {
            if (series->masked[i])
                continue;
            double t = series->time_s[i] - series->time_s[first];
            double x = decay_s > 0 ? exp(-t / decay_s) : t;
            double w = series->weight[i];
            if (pass == 0) {
                weights += w;
                sum_x += w * x;
                sum_A += w * series->current_A[i];
            } else {
                double dx = x - line.mean_x;
                double dA = series->current_A[i] - line.mean_A;
                xx += w * dx * dx;
                xA += w * dx * dA;
                AA += w * dA * dA;
            }
        }
        if (pass == 0) {
            line.mean_x = weights > 0 ? sum_x / weights : 0;
            line.mean_A = weights > 0 ? sum_A / weights : (double)NAN;
        } else {
            line.slope = xx > 0 ? xA / xx : 0;
            line.cost = AA - line.slope * xA;
        }
    }
    return line;
}

/* Golden section on the logarithm of the time constant. */
static double best_decay_s(const struct series *series, size_t first, size_t end)
{
    double length_s = series->time_s[end - 1] - series->time_s[first];
    double low = log(0.02 * length_s);
    double high = log(2 * length_s);
    const double golden = 0.6180339887498949;
    double a = high - golden * (high - low);
    double b = low + golden * (high - low);
    double at_a = fit_line(series, first, end, exp(a)).cost;
    double at_b = fit_line(series, first, end, exp(b)).cost;
    for (int i = 0; i < 16; i++) {
        if (at_a < at_b) {
            high = b;
            b = a;
            at_b = at_a;
            a = high - golden * (high - low);
            at_a = fit_line(series, first, end, exp(a)).cost;
        } else {
            low = a;
            a = b;
            at_a = at_b;
            b = low + golden * (high - low);
            at_b = fit_line(series, first, end, exp(b)).cost;
        }
    }
    return exp(0.5 * (low + high));
}

struct shape shape_fit(const struct series *series, size_t first, size_t end, enum phase_kind kind)
{
    struct shape shape = {
        .kind = kind, .first = first, .end = end, .from_s = series->time_s[first], .period_s = NAN};
    if (kind == PHASE_DECAY)
        shape.decay_s = best_decay_s(series, first, end);
    struct line line = fit_line(series, first, end, shape.decay_s);
    if (isnan(line.mean_A)) {
        /* All masked: what is there is there. */
        line = (struct line){0};
        for (size_t i = first; i < end; i++)
            line.mean_A += series->current_A[i] / (double)(end - first);
        shape.kind = PHASE_LEVEL;
    }
    shape.level_A = line.mean_A;
    if (shape.kind == PHASE_RAMP) {
        shape.middle_s = shape.from_s + line.mean_x;
        shape.slope_A_per_s = line.slope;
    } else if (shape.kind == PHASE_DECAY) {
        shape.height_A = line.slope;
        shape.level_A = line.mean_A - line.slope * line.mean_x;
    }
    return shape;
}
