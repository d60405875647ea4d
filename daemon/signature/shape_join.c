/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { JOIN_MOST = 48, MOVE_MOST = 128, RAMP_LEAST = 4, DECAY_LEAST = 6 };

#define LEVEL_SHARE 0.02 /* levels nearer than this share of themselves are one */
#define FLAT_SHARE 0.03  /* a ramp that climbs less than this share of its level is flat */

/* --- joining levels into ramps and decays --- */

/* All steps in one direction, as a ramp's or decay's staircase has them. */
static bool one_way(const struct shape *levels, size_t count, bool *slowing)
{
    double first = levels[1].level_A - levels[0].level_A;
    double before = first;
    *slowing = true;
    for (size_t i = 2; i < count; i++) {
        double step = levels[i].level_A - levels[i - 1].level_A;
        if (step * first <= 0)
            return false;
        if (fabs(step) > 1.5 * fabs(before))
            *slowing = false;
        before = step;
    }
    return true;
}

/* The cheapest single shape for levels i..j-1 (two or more), with its penalty. */
static double join_cost(const struct series *series, const struct shape *levels, size_t count,
                        double ceiling, struct shape *best)
{
    size_t first = levels[0].first;
    size_t end = levels[count - 1].end;
    bool slowing = false;
    double least = INFINITY;
    if (!one_way(levels, count, &slowing))
        return least;
    if (end - first >= RAMP_LEAST && 1.25 * series->penalty < ceiling) {
        struct shape ramp = shape_fit(series, first, end, PHASE_RAMP);
        least = ramp.cost + 1.25 * series->penalty;
        *best = ramp;
    }
    if (slowing && end - first >= DECAY_LEAST && 1.5 * series->penalty < fmin(ceiling, least)) {
        struct shape decay = shape_fit(series, first, end, PHASE_DECAY);
        if (decay.cost + 1.5 * series->penalty < least) {
            least = decay.cost + 1.5 * series->penalty;
            *best = decay;
        }
    }
    return least;
}

struct step {
    double cost;
    size_t from;
    struct shape shape;
};

/* Cheapest cover of levels 0..count-1, none of them periodic. */
static void join_run(const struct series *series, const struct shape *levels, size_t count,
                     struct step *steps, struct shapes *to)
{
    steps[0].cost = 0;
    for (size_t j = 1; j <= count; j++) {
        steps[j].cost = steps[j - 1].cost + levels[j - 1].cost + series->penalty;
        steps[j].from = j - 1;
        steps[j].shape = levels[j - 1];
        for (size_t i = j >= JOIN_MOST ? j - JOIN_MOST : 0; i + 1 < j; i++) {
            struct shape shape = levels[i];
            double ceiling = steps[j].cost - steps[i].cost;
            double cost = join_cost(series, levels + i, j - i, ceiling, &shape);
            if (steps[i].cost + cost < steps[j].cost) {
                steps[j].cost = steps[i].cost + cost;
                steps[j].from = i;
                steps[j].shape = shape;
            }
        }
    }
    size_t kept = 0;
    for (size_t j = count; j > 0; j = steps[j].from)
        kept++;
    size_t at = to->count + kept;
    to->count = at;
    for (size_t j = count; j > 0; j = steps[j].from)
        to->items[--at] = steps[j].shape;
}

static int join_levels(const struct series *series, struct shapes *shapes)
{
    struct step *steps = malloc((shapes->count + 1) * sizeof *steps);
    struct shapes joined = {malloc(shapes->count * sizeof *joined.items), 0};
    if (!steps || !joined.items) {
        free(steps);
        free(joined.items);
        return -1;
    }
    size_t from = 0;
    for (size_t i = 0; i <= shapes->count; i++) {
        if (i < shapes->count && shapes->items[i].kind != PHASE_PERIODIC)
            continue;
        join_run(series, shapes->items + from, i - from, steps, &joined);
        if (i < shapes->count)
            joined.items[joined.count++] = shapes->items[i];
        from = i + 1;
    }
    memcpy(shapes->items, joined.items, joined.count * sizeof *joined.items);
    shapes->count = joined.count;
    free(steps);
    free(joined.items);
    return 0;
}

/* --- where a ramp or decay begins and ends --- */

static size_t least_length(const struct shape *shape)
{
    return shape->kind == PHASE_LEVEL ? 1 : shape->kind == PHASE_RAMP ? RAMP_LEAST : DECAY_LEAST;
}

/* Moves the boundary between two neighbours to where they cost least, tried at
 * ever finer strides. */
static void move_boundary(const struct series *series, struct shape *a, struct shape *b)
{
    if (a->kind == PHASE_PERIODIC || b->kind == PHASE_PERIODIC ||
        (a->kind == PHASE_LEVEL && b->kind == PHASE_LEVEL))
        return;
    for (size_t stride = MOVE_MOST / 2; stride > 0;) {
        bool moved = false;
        for (int way = -1; way <= 1; way += 2) {
            size_t at = a->end;
            if (way < 0 ? at < a->first + least_length(a) + stride
                        : at + stride + least_length(b) > b->end)
                continue;
            at = way < 0 ? at - stride : at + stride;
            struct shape left = shape_fit(series, a->first, at, a->kind);
            struct shape right = shape_fit(series, at, b->end, b->kind);
            if (left.cost + right.cost < a->cost + b->cost - 1e-9) {
                *a = left;
                *b = right;
                moved = true;
                break;
            }
        }
        if (!moved)
            stride /= 2;
    }
}

/* --- what does not differ enough --- */

static double variance_about(const struct series *series, const struct shape *shape)
{
    double sum = 0;
    double floor = 0;
    size_t used = 0;
    for (size_t i = shape->first; i < shape->end; i++) {
        floor += 1 / (series->weight[i] * series->noise.repeats);
        if (series->masked[i])
            continue;
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        sum += d * d;
        used++;
    }
    floor /= (double)(shape->end - shape->first);
    return used > 1 ? fmax(floor, sum / (double)(used - 1)) : floor;
}

static bool too_alike(const struct series *series, const struct shape *a, const struct shape *b)
{
    if (a->kind != PHASE_LEVEL || b->kind != PHASE_LEVEL)
        return false;
    double step_A = fabs(a->level_A - b->level_A);
    double size_A = fmax(fabs(a->level_A), fabs(b->level_A));
    if (step_A < fmax(1.2 * series->noise.count_A, LEVEL_SHARE * size_A))
        return true;
    double fresh_a = fmax(1, (double)(a->end - a->first) / series->noise.repeats);
    double fresh_b = fmax(1, (double)(b->end - b->first) / series->noise.repeats);
    double variance = variance_about(series, a) / fresh_a + variance_about(series, b) / fresh_b;
    return step_A * step_A < 1.5 * series->penalty * variance;
}

static void flatten(const struct series *series, struct shape *shape)
{
    if (shape->kind != PHASE_RAMP && shape->kind != PHASE_DECAY)
        return;
    double change = fabs(shape_at(shape, series->time_s[shape->end - 1]) -
                         shape_at(shape, series->time_s[shape->first]));
    double deviation = sqrt(variance_about(series, shape));
    struct shape level = shape_fit(series, shape->first, shape->end, PHASE_LEVEL);
    if (change <
        fmax(FLAT_SHARE * fabs(level.level_A), fmax(2.2 * series->noise.count_A, 1.5 * deviation)))
        *shape = level;
}

static void merge_alike(const struct series *series, struct shapes *shapes)
{
    for (;;) {
        size_t at = 0;
        double least = INFINITY;
        for (size_t i = 0; i + 1 < shapes->count; i++) {
            double step = fabs(shapes->items[i].level_A - shapes->items[i + 1].level_A);
            if (step < least && too_alike(series, &shapes->items[i], &shapes->items[i + 1])) {
                least = step;
                at = i + 1;
            }
        }
        if (!at)
            return;
        struct shape *a = &shapes->items[at - 1];
        *a = shape_fit(series, a->first, shapes->items[at].end, PHASE_LEVEL);
        memmove(&shapes->items[at], &shapes->items[at + 1],
                (shapes->count - at - 1) * sizeof *shapes->items);
        shapes->count--;
    }
}

int shapes_join(const struct series *series, struct shapes *shapes)
{
    if (join_levels(series, shapes) != 0)
        return -1;
    for (size_t i = 0; i + 1 < shapes->count; i++)
        move_boundary(series, &shapes->items[i], &shapes->items[i + 1]);
    for (size_t i = 0; i < shapes->count; i++)
        flatten(series, &shapes->items[i]);
    merge_alike(series, shapes);
    return 0;
}
