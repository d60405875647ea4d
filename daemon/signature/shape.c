/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include "signature/lanes.h"

#include <math.h>
#include <stdlib.h>

#define NEAR_ENOUGH 1e-3 /* of a time constant's logarithm */
#define FIRST_STRIDE 0.2 /* the same */

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

/* Four sums side by side: each addition need not wait for the one before. */
enum { SUMS = 4 };

static inline double sum_of(const double *sums)
{
    return (sums[0] + sums[1]) + (sums[2] + sums[3]);
}

/* Of the products of both. */
IN_LANES static double sum_products(const double *restrict a, const double *restrict b,
                                    size_t count)
{
    double sums[SUMS] = {0};
    size_t i = 0;
    for (; i + SUMS <= count; i += SUMS)
        for (size_t k = 0; k < SUMS; k++)
            sums[k] += a[i + k] * b[i + k];
    for (; i < count; i++)
        sums[0] += a[i] * b[i];
    return sum_of(sums);
}

struct about_mean {
    double xx, xA;
};

IN_LANES static struct about_mean sum_about(const struct rows *rows, const double *restrict x,
                                            double mean_x)
{
    const double *restrict weight = rows->weight;
    const double *restrict current_A = rows->current_A;
    double xx[SUMS] = {0};
    double xA[SUMS] = {0};
    size_t i = 0;
    for (; i + SUMS <= rows->count; i += SUMS)
        for (size_t k = 0; k < SUMS; k++) {
            double dx = x[i + k] - mean_x;
            double wx = weight[i + k] * dx;
            xx[k] += wx * dx;
            xA[k] += wx * current_A[i + k];
        }
    for (; i < rows->count; i++) {
        double dx = x[i] - mean_x;
        xx[0] += weight[i] * dx * dx;
        xA[0] += weight[i] * dx * current_A[i];
    }
    return (struct about_mean){sum_of(xx), sum_of(xA)};
}

static struct line fit_on(const struct rows *rows, const double *x)
{
    struct line line = {.mean_A = rows->mean_A};
    line.mean_x =
        rows->weights > 0 ? sum_products(rows->weight, x, rows->count) / rows->weights : 0;
    struct about_mean sums = sum_about(rows, x, line.mean_x);
    line.slope = sums.xx > 0 ? sums.xA / sums.xx : 0;
    line.cost = rows->square - line.slope * sums.xA;
    return line;
}

static struct line fit_decay(const struct rows *rows, double decay_s)
{
    double rate_per_s = -1 / decay_s;
    for (size_t i = 0; i < rows->count; i++)
        rows->x[i] = rows->time_s[i] * rate_per_s;
    lanes_exp(rows->x, rows->count);
    return fit_on(rows, rows->x);
}

/* A time constant's logarithm, and the fit there. */
struct tried {
    double log_s;
    struct line line;
};

static struct tried try_decay(const struct rows *rows, double log_s)
{
    return (struct tried){log_s, fit_decay(rows, exp(log_s))};
}

/* Where the parabola through three of them is least; NAN where it has no such place. */
static double least_between(const struct tried *a, const struct tried *m, const struct tried *b)
{
    double p = (m->log_s - a->log_s) * (m->line.cost - b->line.cost);
    double q = (m->log_s - b->log_s) * (m->line.cost - a->line.cost);
    double log_s =
        m->log_s - 0.5 * ((m->log_s - a->log_s) * p - (m->log_s - b->log_s) * q) / (p - q);
    return log_s > a->log_s && log_s < b->log_s ? log_s : (double)NAN;
}

/* Three of which the middle one costs least, or is as far as it goes. */
struct bracket {
    struct tried a, m, b;
};

/* A few over all the reach. */
static struct bracket look_everywhere(const struct rows *rows, double low, double high)
{
    enum { PLACES = 6 };
    struct tried places[PLACES];
    int best = 0;
    for (int k = 0; k < PLACES; k++) {
        places[k] = try_decay(rows, low + k * (high - low) / (PLACES - 1));
        if (places[k].line.cost < places[best].line.cost)
            best = k;
    }
    return (struct bracket){places[best > 0 ? best - 1 : best], places[best],
                            places[best + 1 < PLACES ? best + 1 : best]};
}

/* Downhill from where it should be. */
static struct bracket look_about(const struct rows *rows, double low, double high, double near)
{
    double stride = FIRST_STRIDE;
    near = fmin(fmax(near, low), high);
    struct bracket t = {.m = try_decay(rows, near)};
    t.a = try_decay(rows, fmax(low, near - stride));
    t.b = try_decay(rows, fmin(high, near + stride));
    while (t.a.line.cost < t.m.line.cost && t.a.line.cost <= t.b.line.cost && t.a.log_s > low) {
        stride *= 1.6;
        t.b = t.m;
        t.m = t.a;
        t.a = try_decay(rows, fmax(low, t.m.log_s - stride));
    }
    while (t.b.line.cost < t.m.line.cost && t.b.log_s < high) {
        stride *= 1.6;
        t.a = t.m;
        t.m = t.b;
        t.b = try_decay(rows, fmin(high, t.m.log_s + stride));
    }
    if (t.a.line.cost < t.m.line.cost)
        t.b = t.m = t.a;
    else if (t.b.line.cost < t.m.line.cost)
        t.a = t.m = t.b;
    return t;
}

/* From a fiftieth of the stretch to twice its length, by parabolas. */
static struct tried best_decay(const struct rows *rows, double length_s, double near_s)
{
    enum { ROUNDS = 6 };
    const double low = log(0.02 * length_s);
    const double high = log(2 * length_s);
    struct bracket t =
        near_s > 0 ? look_about(rows, low, high, log(near_s)) : look_everywhere(rows, low, high);
    for (int round = 0; round < ROUNDS; round++) {
        double log_s = least_between(&t.a, &t.m, &t.b);
        bool above = t.b.log_s - t.m.log_s > t.m.log_s - t.a.log_s;
        if (isnan(log_s))
            log_s = 0.5 * (t.m.log_s + (above ? t.b.log_s : t.a.log_s));
        if (fabs(log_s - t.m.log_s) < NEAR_ENOUGH)
            break;
        struct tried next = try_decay(rows, log_s);
        bool better = next.line.cost < t.m.line.cost;
        struct tried end = better ? t.m : next;
        *((log_s > t.m.log_s) == better ? &t.a : &t.b) = end;
        if (better)
            t.m = next;
    }
    return t.m;
}

static struct line fit_line(const struct series *series, struct shape *shape, double near_s)
{
    struct rows rows = gather(series, shape->first, shape->end);
    struct tried best;
    switch (shape->kind) {
    case PHASE_DECAY:
        best = best_decay(&rows, series->time_s[shape->end - 1] - shape->from_s, near_s);
        shape->decay_s = exp(best.log_s);
        return best.line;
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
    return shape_fit_near(series, first, end, kind, 0);
}

struct shape shape_fit_near(const struct series *series, size_t first, size_t end,
                            enum phase_kind kind, double near_s)
{
    struct shape shape = {
        .kind = kind, .first = first, .end = end, .from_s = series->time_s[first], .period_s = NAN};
    struct line line = fit_line(series, &shape, near_s);
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
