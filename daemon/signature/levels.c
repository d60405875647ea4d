/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/levels.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* The least cost over cuts whose last level is m, for m up to `high` (from the
 * piece before): weight (m - centre)^2 + least. This form, unlike the sum of
 * powers, loses no digits in long rows. weight 0: constant. */
struct piece {
    double high;
    double weight, centre, least;
    uint32_t start; /* where the last level begins */
};

struct row {
    struct piece *items;
    size_t count, capacity;
};

/* The last level of the best cut of the values so far. */
struct last_level {
    uint32_t start;
    double level;
};

static bool row_room(struct row *row, size_t wanted)
{
    if (wanted <= row->capacity)
        return true;
    size_t capacity = 2 * wanted;
    struct piece *grown = realloc(row->items, capacity * sizeof *grown);
    if (!grown)
        return false;
    memset(grown + row->capacity, 0, (capacity - row->capacity) * sizeof *grown);
    row->items = grown;
    row->capacity = capacity;
    return true;
}

static double piece_at(const struct piece *p, double m)
{
    double d = m - p->centre;
    return p->weight * d * d + p->least;
}

/* Where a new level that begins here, at this cost, is cheaper than going on. */
static void put_new(struct row *to, double high, double cost, uint32_t start)
{
    if (to->count && to->items[to->count - 1].start == start) {
        to->items[to->count - 1].high = high;
        return;
    }
    to->items[to->count++] = (struct piece){high, 0, 0, cost, start};
}

/* The lower envelope of the row and a constant. Room for 2 count + 1 pieces.
 * A piece is convex: it lies under the constant on one interval, or nowhere. */
static void row_under(const struct row *from, double low, double cost, uint32_t start,
                      struct row *to)
{
    to->count = 0;
    double at_low = piece_at(&from->items[0], low);
    for (size_t i = 0; i < from->count; i++) {
        const struct piece *p = &from->items[i];
        double high = p->high;
        double at_high = piece_at(p, high);
        if (at_low <= cost && at_high <= cost) {
            to->items[to->count++] = *p;
        } else if (p->least >= cost || (at_low > cost && p->centre <= low) ||
                   (at_high > cost && p->centre >= high && at_low > cost)) {
            put_new(to, high, cost, start);
        } else {
            double reach = sqrt((cost - p->least) / p->weight);
            double left = at_low > cost ? fmax(low, p->centre - reach) : low;
            double right = at_high > cost ? fmin(high, p->centre + reach) : high;
            if (left > low)
                put_new(to, left, cost, start);
            if (right > left) {
                to->items[to->count] = *p;
                to->items[to->count++].high = right;
            }
            if (high > right)
                put_new(to, high, cost, start);
        }
        low = high;
        at_low = i + 1 < from->count ? piece_at(&from->items[i + 1], low) : 0;
    }
}

static inline void piece_add(struct piece *p, double value, double weight)
{
    double sum = p->weight + weight;
    double share = weight / sum;
    double d = value - p->centre;
    p->least += p->weight * share * d * d;
    p->centre += share * d;
    p->weight = sum;
}

/* Adds one value's bounded loss; splits at its edges. Room for count + 2. */
static void row_add_bounded(const struct row *from, double low, double value, double weight,
                            double bound, struct row *to)
{
    double reach = sqrt(bound / weight);
    double left = value - reach;
    double right = value + reach;
    to->count = 0;
    for (size_t i = 0; i < from->count; i++) {
        const struct piece *p = &from->items[i];
        double high = p->high;
        if (low < left) {
            struct piece *q = &to->items[to->count++];
            *q = *p;
            q->high = fmin(high, left);
            q->least += bound;
        }
        if (high > left && low < right) {
            struct piece *q = &to->items[to->count++];
            *q = *p;
            q->high = fmin(high, right);
            piece_add(q, value, weight);
        }
        if (high > right) {
            struct piece *q = &to->items[to->count++];
            *q = *p;
            q->least += bound;
        }
        low = high;
    }
}

static double row_least(const struct row *row, double low, struct last_level *last)
{
    double best = INFINITY;
    for (size_t i = 0; i < row->count; i++) {
        const struct piece *p = &row->items[i];
        if (p->least < best) {
            double m = p->weight > 0 ? fmax(low, fmin(p->high, p->centre)) : low;
            double cost = piece_at(p, m);
            if (cost < best) {
                best = cost;
                *last = (struct last_level){p->start, m};
            }
        }
        low = p->high;
    }
    return best;
}

static int trace_back(const struct last_level *last, size_t count, double cost,
                      struct level_cut *cut)
{
    size_t levels = 0;
    for (size_t end = count; end > 0; end = last[end - 1].start)
        levels++;
    cut->starts = malloc(levels * sizeof *cut->starts);
    cut->levels = malloc(levels * sizeof *cut->levels);
    if (!cut->starts || !cut->levels) {
        level_cut_clear(cut);
        return -1;
    }
    cut->count = levels;
    cut->cost = cost;
    for (size_t end = count; end > 0; end = last[end - 1].start) {
        levels--;
        cut->starts[levels] = last[end - 1].start;
        cut->levels[levels] = last[end - 1].level;
    }
    return 0;
}

int levels_cut(const struct level_problem *problem, struct level_cut *cut)
{
    *cut = (struct level_cut){0};
    size_t n = problem->count;
    if (!n)
        return 0;
    double low = problem->values[0];
    double high = low;
    for (size_t i = 1; i < n; i++) {
        low = fmin(low, problem->values[i]);
        high = fmax(high, problem->values[i]);
    }
    struct row row = {0};
    struct row next = {0};
    struct last_level *last = calloc(n, sizeof *last);
    int status = -1;
    if (!last || !row_room(&row, 64) || !row_room(&next, 64))
        goto done;
    row.items[row.count++] = (struct piece){high, 0, 0, 0, 0};
    double cost = 0;
    for (size_t i = 0; i < n; i++) {
        if (!row_room(&next, 2 * row.count + 3))
            goto done;
        if (i > 0) {
            row_under(&row, low, cost + problem->penalty, (uint32_t)i, &next);
            struct row swap = row;
            row = next;
            next = swap;
        }
        double weight = problem->weights ? problem->weights[i] : 1;
        if (isinf(problem->bound)) {
            for (size_t k = 0; k < row.count; k++)
                piece_add(&row.items[k], problem->values[i], weight);
        } else {
            if (!row_room(&next, row.count + 2))
                goto done;
            row_add_bounded(&row, low, problem->values[i], weight, problem->bound, &next);
            struct row swap = row;
            row = next;
            next = swap;
        }
        cost = row_least(&row, low, &last[i]);
    }
    status = trace_back(last, n, cost, cut);
done:
    free(row.items);
    free(next.items);
    free(last);
    return status;
}

void level_cut_clear(struct level_cut *cut)
{
    free(cut->starts);
    free(cut->levels);
    *cut = (struct level_cut){0};
}
