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

bool shape_mask(const struct series *series, const struct shape *shape)
{
    bool changed = false;
    for (size_t i = shape->first; i < shape->end; i++) {
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        bool masked = series->weight[i] * d * d >= series->bound;
        changed = changed || masked != series->masked[i];
        series->masked[i] = masked;
    }
    return changed;
}

/* Weighted least squares of the current on x: the time since the first reading,
 * or exp(-time / decay_s). */
struct line {
    double mean_x, mean_A, slope, cost;
};

/* What is not masked of a stretch, set down without gaps: time since the first
 * reading, weight, current less its mean. */
struct rows {
    size_t count;
    double *time_s, *weight, *current_A, *x;
    double weights, mean_A, square;
};

static struct rows gather(const struct series *series, size_t first, size_t end)
{
    size_t room = end - first;
    struct rows rows = {.time_s = series->scratch,
                        .weight = series->scratch + room,
                        .current_A = series->scratch + 2 * room,
                        .x = series->scratch + 3 * room,
                        .mean_A = NAN};
    double sum_A = 0;
    for (size_t i = first; i < end; i++) {
        if (series->masked[i])
            continue;
        size_t n = rows.count++;
        rows.time_s[n] = series->time_s[i] - series->time_s[first];
        rows.weight[n] = series->weight[i];
        rows.current_A[n] = series->current_A[i];
        rows.weights += series->weight[i];
        sum_A += series->weight[i] * series->current_A[i];
    }
    if (!(rows.weights > 0))
        return rows;
    rows.mean_A = sum_A / rows.weights;
    for (size_t i = 0; i < rows.count; i++) {
        rows.current_A[i] -= rows.mean_A;
        rows.square += rows.weight[i] * rows.current_A[i] * rows.current_A[i];
    }
    return rows;
}

static struct line fit_on(const struct rows *rows, const double *x)
{
    struct line line = {.mean_A = rows->mean_A};
    double sum_x = 0;
    for (size_t i = 0; i < rows->count; i++)
        sum_x += rows->weight[i] * x[i];
    line.mean_x = rows->weights > 0 ? sum_x / rows->weights : 0;
    double xx = 0;
    double xA = 0;
    for (size_t i = 0; i < rows->count; i++) {
        double dx = x[i] - line.mean_x;
        xx += rows->weight[i] * dx * dx;
        xA += rows->weight[i] * dx * rows->current_A[i];
    }
    line.slope = xx > 0 ? xA / xx : 0;
    line.cost = rows->square - line.slope * xA;
    return line;
}

static struct line fit_decay(const struct rows *rows, double decay_s)
{
    for (size_t i = 0; i < rows->count; i++)
        rows->x[i] = exp(-rows->time_s[i] / decay_s);
    return fit_on(rows, rows->x);
}

/* Golden section on the logarithm of the time constant. */
static double best_decay_s(const struct rows *rows, double length_s)
{
    double low = log(0.02 * length_s);
    double high = log(2 * length_s);
    const double golden = 0.6180339887498949;
    double a = high - golden * (high - low);
    double b = low + golden * (high - low);
    double at_a = fit_decay(rows, exp(a)).cost;
    double at_b = fit_decay(rows, exp(b)).cost;
    for (int i = 0; i < 16; i++) {
        if (at_a < at_b) {
            high = b;
            b = a;
            at_b = at_a;
            a = high - golden * (high - low);
            at_a = fit_decay(rows, exp(a)).cost;
        } else {
            low = a;
            a = b;
            at_a = at_b;
            b = low + golden * (high - low);
            at_b = fit_decay(rows, exp(b)).cost;
        }
    }
    return exp(0.5 * (low + high));
}

static struct line fit_line(const struct series *series, struct shape *shape)
{
    struct rows rows = gather(series, shape->first, shape->end);
    switch (shape->kind) {
    case PHASE_DECAY:
        shape->decay_s = best_decay_s(&rows, series->time_s[shape->end - 1] - shape->from_s);
        return fit_decay(&rows, shape->decay_s);
    case PHASE_RAMP:
        return fit_on(&rows, rows.time_s);
    case PHASE_LEVEL:
    case PHASE_PERIODIC:
        break;
    }
    return (struct line){.mean_A = rows.mean_A};
}

struct shape shape_fit(const struct series *series, size_t first, size_t end, enum phase_kind kind)
{
    struct shape shape = {
        .kind = kind, .first = first, .end = end, .from_s = series->time_s[first], .period_s = NAN};
    struct line line = fit_line(series, &shape);
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
