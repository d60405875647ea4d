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

static inline void piece_add(struct piece *p, double value, double weight)
{
    double sum = p->weight + weight;
    double share = weight / sum;
    double d = value - p->centre;
    p->least += p->weight * share * d * d;
    p->centre += share * d;
    p->weight = sum;
}

static inline double smaller(double a, double b)
{
    return a < b ? a : b;
}

static inline double larger(double a, double b)
{
    return a > b ? a : b;
}

/* One value more, or several alike: from the row before them to the row with
 * them. */
struct step {
    double value, weight, bound; /* weight and bound of all that are alike */
    double left, right;          /* between them the value costs less than the bound */
    double fresh;                /* what a level that begins here costs so far */
    uint32_t start;              /* here */
    struct row *to;
    double best; /* the least of the new row, and where */
    struct last_level last;
};

static inline void push(struct step *step, double low, const struct piece *p)
{
    step->to->count++;
    if (p->least >= step->best)
        return;
    double m = p->weight > 0 ? larger(low, smaller(p->high, p->centre)) : low;
    double cost = piece_at(p, m);
    if (cost < step->best) {
        step->best = cost;
        step->last = (struct last_level){p->start, m};
    }
}

/* Adds the value's loss to a piece, which its edges may split in three. */
static inline void add_loss(struct step *step, double low, double high, const struct piece *p)
{
    if (low < step->left) {
        struct piece *q = &step->to->items[step->to->count];
        *q = *p;
        q->high = smaller(high, step->left);
        q->least += step->bound;
        push(step, low, q);
    }
    if (high > step->left && low < step->right) {
        struct piece *q = &step->to->items[step->to->count];
        *q = *p;
        q->high = smaller(high, step->right);
        piece_add(q, step->value, step->weight);
        push(step, larger(low, step->left), q);
    }
    if (high > step->right) {
        struct piece *q = &step->to->items[step->to->count];
        *q = *p;
        q->high = high;
        q->least += step->bound;
        push(step, larger(low, step->right), q);
    }
}

static inline void add_fresh(struct step *step, double low, double high)
{
    struct piece p = {high, 0, 0, step->fresh, step->start};
    if (high > low)
        add_loss(step, low, high, &p);
}

/* The lower envelope of the row and of a level that begins here, the value's
 * loss added. Room for 2 count + 3 pieces. A piece is convex: it lies under the
 * constant on one interval, or nowhere. */
static void take_step(const struct row *from, double low, struct step *step)
{
    double fresh_from = low; /* the level that begins here is the cheapest from there on */
    double cost = step->fresh;
    step->to->count = 0;
    step->best = INFINITY;
    double at_low = piece_at(&from->items[0], low);
    for (size_t i = 0; i < from->count; i++) {
        const struct piece *p = &from->items[i];
        double high = p->high;
        double at_high = piece_at(p, high);
        double left = low;
        double right = high;
        bool under = at_low <= cost && at_high <= cost;
        if (!under && p->least < cost &&
            !(at_low > cost && (p->centre <= low || (at_high > cost && p->centre >= high)))) {
            double reach = sqrt((cost - p->least) / p->weight);
            left = at_low > cost ? larger(low, p->centre - reach) : low;
            right = at_high > cost ? smaller(high, p->centre + reach) : high;
            under = right > left;
        }
        if (under) {
            add_fresh(step, fresh_from, left);
            add_loss(step, left, right, p);
            fresh_from = right;
        }
        low = high;
        at_low = i + 1 < from->count ? piece_at(&from->items[i + 1], low) : 0;
    }
    add_fresh(step, fresh_from, low);
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

/* Between values alike no cut is better than at one end of them: what moving it
 * costs is the same from one to the next. So they are taken at once. */
static size_t alike_until(const struct level_problem *problem, size_t first)
{
    const double *values = problem->values;
    const double *weights = problem->weights;
    size_t end = first + 1;
    while (end < problem->count && values[end] == values[first] &&
           (!weights || weights[end] == weights[first]))
        end++;
    return end;
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
        low = smaller(low, problem->values[i]);
        high = larger(high, problem->values[i]);
    }
    struct row row = {0};
    struct row next = {0};
    struct last_level *last = calloc(n, sizeof *last);
    int status = -1;
    if (!last || !row_room(&row, 64) || !row_room(&next, 64))
        goto done;
    row.items[row.count++] = (struct piece){high, 0, 0, 0, 0};
    struct step step = {.fresh = INFINITY, .to = &next};
    for (size_t i = 0; i < n;) {
        if (!row_room(&next, 2 * row.count + 3))
            goto done;
        size_t end = alike_until(problem, i);
        double alike = (double)(end - i);
        double weight = problem->weights ? problem->weights[i] : 1;
        double reach = sqrt(problem->bound / weight);
        step.value = problem->values[i];
        step.weight = alike * weight;
        step.bound = alike * problem->bound;
        step.left = step.value - reach;
        step.right = step.value + reach;
        step.start = (uint32_t)i;
        take_step(&row, low, &step);
        struct row swap = row;
        row = next;
        next = swap;
        last[end - 1] = step.last;
        step.fresh = step.best + problem->penalty;
        i = end;
    }
    status = trace_back(last, n, step.best, cut);
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
