/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NODES_BACK = 400, MOVE_REACH = 64, RAMP_LEAST = 4, DECAY_LEAST = 6, SLOPES_MOST = 10 };

#define RAMP_PENALTY 1.25 /* of a phase's penalty: a slope more */
#define DECAY_PENALTY 1.5 /* a height and a time constant more */
#define LEVEL_SHARE 0.02  /* levels nearer than this share of themselves are one */
#define FLAT_SHARE 0.03   /* a ramp that climbs less than this share of its level is flat */

/* fmin() minds NANs, and is called. */
static inline double smaller(double a, double b)
{
    return a < b ? a : b;
}

/* --- joining levels into ramps and decays --- */

/* Where a shape may begin or end, and the cheapest cover up to there. */
struct node {
    size_t at;
    bool major;  /* an end of a level or of a run of readings that fit none */
    bool opens;  /* a level may begin here */
    bool closes; /* a level may end here */
    bool alive;  /* may still begin the best cover's last shape */
    double cost;
    size_t from; /* the node where its last shape begins */
    enum phase_kind kind;
    double decay_s; /* of a decay */
};

struct joiner {
    const struct series *series;
    struct shape_sums *sums;
    struct node *nodes;
    size_t count;
    double *costs; /* of the readings before each, about their levels of the exact cut */
    struct shapes *to;
};

static struct node *add_node(struct joiner *j, size_t at)
{
    struct node *last = j->count ? &j->nodes[j->count - 1] : NULL;
    if (!last || last->at != at) {
        last = &j->nodes[j->count++];
        *last = (struct node){.at = at, .alive = true, .cost = INFINITY};
    }
    return last;
}

/* Ends of levels; and every reading of the runs that fit no level: three or
 * more, or two about a boundary. They may be a steep ramp. */
static void lay_nodes(struct joiner *j, const struct shape *levels, size_t count)
{
    const struct series *series = j->series;
    size_t lone = (size_t)ceil(2 * series->noise.repeats);
    size_t end = levels[count - 1].end;
    size_t level = 0;
    size_t run_end = levels[0].first; /* of the run of misfits that i lies in */
    size_t run_first = run_end;
    bool steep = false;
    j->count = 0;
    for (size_t i = levels[0].first; i < end; i++) {
        bool begins = level < count && i == levels[level].first;
        if (begins)
            level++;
        bool run_begins = series->masked[i] && i >= run_end;
        if (run_begins) {
            run_end = run_first = i;
            while (run_end < end && series->masked[run_end])
                run_end++;
            size_t level_end = levels[level - 1].end;
            bool about = begins || run_end >= level_end;
            steep = run_end - i > lone || (about && run_end - i >= 2);
        }
        bool in_run = steep && i < run_end;
        bool behind = steep && i == run_end;
        if (!begins && !in_run && !behind)
            continue;
        struct node *node = add_node(j, i);
        node->major = begins || behind || (in_run && run_begins);
        /* The first and the last of a run may be mixtures and not of the ramp. */
        node->opens = begins || behind || (in_run && i + 1 == run_end);
        node->closes = begins || (in_run && (run_begins || i == run_first + 1));
    }
    struct node *last = add_node(j, end);
    last->major = last->closes = true;
}

static void offer(struct node *node, double cost, size_t from, enum phase_kind kind, double decay_s)
{
    if (cost < node->cost) {
        node->cost = cost;
        node->from = from;
        node->kind = kind;
        node->decay_s = decay_s;
    }
}

/* The level ending here, begun at its start or behind a run of misfits. */
static void offer_level(struct joiner *j, const struct shape *level, size_t to)
{
    for (size_t i = to; i-- > 0 && j->nodes[i].at >= level->first;) {
        if (!j->nodes[i].opens)
            continue;
        double cost = j->costs[j->nodes[to].at] - j->costs[j->nodes[i].at];
        offer(&j->nodes[to], j->nodes[i].cost + cost + j->series->penalty, i, PHASE_LEVEL, 0);
    }
}

static void offer_slopes(struct joiner *j, size_t to)
{
    struct node *node = &j->nodes[to];
    double penalty = j->series->penalty;
    size_t least = to > NODES_BACK ? to - NODES_BACK : 0;
    for (size_t i = to; i-- > least;) {
        struct node *from = &j->nodes[i];
        size_t length = node->at - from->at;
        if (!from->alive || length < RAMP_LEAST)
            continue;
        double ramp = shape_ramp_cost(j->sums, from->at, node->at);
        offer(node, from->cost + ramp + RAMP_PENALTY * penalty, i, PHASE_RAMP, 0);
        if (from->major && node->major && length >= DECAY_LEAST &&
            from->cost + DECAY_PENALTY * penalty < node->cost) {
            double decay_s = 0;
            double decay = shape_decay_cost(j->sums, from->at, node->at, &decay_s);
            offer(node, from->cost + decay + DECAY_PENALTY * penalty, i, PHASE_DECAY, decay_s);
        }
        /* As it costs more by now than beginning anew here, it always will. A
         * decay may yet: its ends are few, and they stay. */
        if (!from->major && from->cost + ramp > node->cost)
            from->alive = false;
    }
}

static int join_run(struct joiner *j, const struct shape *levels, size_t count)
{
    lay_nodes(j, levels, count);
    j->nodes[0].cost = 0;
    size_t level = 0;
    for (size_t to = 1; to < j->count; to++) {
        while (levels[level].end < j->nodes[to].at)
            level++;
        if (j->nodes[to].closes)
            offer_level(j, &levels[level], to);
        offer_slopes(j, to);
    }
    size_t kept = 0;
    for (size_t k = j->count - 1; k > 0; k = j->nodes[k].from)
        kept++;
    struct shape *grown = realloc(j->to->items, (j->to->count + kept + 1) * sizeof *j->to->items);
    if (!grown)
        return -1;
    j->to->items = grown;
    j->to->count += kept;
    size_t at = j->to->count;
    for (size_t k = j->count - 1; k > 0; k = j->nodes[k].from)
        j->to->items[--at] = (struct shape){.kind = j->nodes[k].kind,
                                            .first = j->nodes[j->nodes[k].from].at,
                                            .end = j->nodes[k].at,
                                            .decay_s = j->nodes[k].decay_s,
                                            .period_s = NAN};
    return 0;
}

static void sum_costs(const struct series *series, const struct shapes *shapes, double *costs)
{
    costs[0] = 0;
    for (size_t k = 0; k < shapes->count; k++)
        for (size_t i = shapes->items[k].first; i < shapes->items[k].end; i++) {
            double d = series->current_A[i] - shapes->items[k].level_A;
            costs[i + 1] = costs[i] + smaller(series->bound, series->weight[i] * d * d);
        }
}

static int join_levels(const struct series *series, struct shape_sums *sums, struct shapes *shapes)
{
    struct shapes joined = {0};
    struct joiner j = {.series = series, .sums = sums, .to = &joined};
    j.nodes = malloc((series->count + 1) * sizeof *j.nodes);
    j.costs = malloc((series->count + 1) * sizeof *j.costs);
    int status = j.nodes && j.costs ? 0 : -1;
    if (status == 0)
        sum_costs(series, shapes, j.costs);
    size_t from = 0;
    for (size_t i = 0; status == 0 && i <= shapes->count; i++) {
        if (i < shapes->count && shapes->items[i].kind != PHASE_PERIODIC)
            continue;
        if (i > from)
            status = join_run(&j, shapes->items + from, i - from);
        if (status == 0 && i < shapes->count) {
            struct shape *grown = realloc(joined.items, (joined.count + 1) * sizeof *joined.items);
            status = grown ? 0 : -1;
            if (grown) {
                joined.items = grown;
                joined.items[joined.count++] = shapes->items[i];
            }
        }
        from = i + 1;
    }
    free(j.nodes);
    free(j.costs);
    if (status != 0) {
        free(joined.items);
        return -1;
    }
    free(shapes->items);
    *shapes = joined;
    return 0;
}

/* --- where a ramp or decay begins and ends --- */

static size_t least_length(const struct shape *shape)
{
    return shape->kind == PHASE_LEVEL ? 1 : shape->kind == PHASE_RAMP ? RAMP_LEAST : DECAY_LEAST;
}

static double cost_of(struct shape_sums *sums, enum phase_kind kind, size_t first, size_t end)
{
    double decay_s = 0;
    switch (kind) {
    case PHASE_RAMP:
        return shape_ramp_cost(sums, first, end);
    case PHASE_DECAY:
        return shape_decay_cost(sums, first, end, &decay_s);
    case PHASE_LEVEL:
    case PHASE_PERIODIC:
        break;
    }
    return shape_level_cost(sums, first, end);
}

/* Moves the boundary between two neighbours to where they cost least. */
static void move_boundary(struct shape_sums *sums, struct shape *a, struct shape *b)
{
    if (a->kind == PHASE_PERIODIC || b->kind == PHASE_PERIODIC ||
        (a->kind == PHASE_LEVEL && b->kind == PHASE_LEVEL))
        return;
    for (int round = 0; round < 16; round++) {
        size_t low = a->first + least_length(a);
        size_t high = b->end - least_length(b);
        size_t from = a->end > low + MOVE_REACH ? a->end - MOVE_REACH : low;
        size_t to = a->end + MOVE_REACH < high ? a->end + MOVE_REACH : high;
        size_t best_at = a->end;
        double best = cost_of(sums, a->kind, a->first, a->end) +
                      cost_of(sums, b->kind, b->first, b->end) - 1e-6;
        bool a_first = a->kind != PHASE_DECAY; /* decays are the dearer to look at */
        for (size_t at = from; at <= to; at++) {
            double cost =
                a_first ? cost_of(sums, a->kind, a->first, at) : cost_of(sums, b->kind, at, b->end);
            if (cost >= best)
                continue;
            cost +=
                a_first ? cost_of(sums, b->kind, at, b->end) : cost_of(sums, a->kind, a->first, at);
            if (cost < best) {
                best = cost;
                best_at = at;
            }
        }
        if (best_at == a->end)
            return;
        a->end = b->first = best_at;
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

/* Fits what was joined with all its readings, then without those that lie far
 * off, so that a spike does not tilt it. */
static void settle(const struct series *series, struct shape *shape)
{
    if (shape->kind == PHASE_PERIODIC)
        return;
    if (shape->kind != PHASE_LEVEL) {
        memset(series->masked + shape->first, 0, shape->end - shape->first);
        for (int round = 0; round < 2; round++) {
            *shape = shape_fit_near(series, shape->first, shape->end, shape->kind, shape->decay_s);
            if (!shape_mask(series, shape))
                return;
        }
    }
    *shape = shape_fit_near(series, shape->first, shape->end, shape->kind, shape->decay_s);
}

static double bounded_cost(const struct series *series, const struct shape *shape)
{
    double cost = 0;
    for (size_t i = shape->first; i < shape->end; i++) {
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        cost += smaller(series->bound, series->weight[i] * d * d);
    }
    return cost;
}

static bool is_slope(const struct shape *shape)
{
    return shape->kind == PHASE_RAMP || shape->kind == PHASE_DECAY;
}

static double penalty_of(const struct series *series, const struct shape *shape)
{
    double share = shape->kind == PHASE_RAMP    ? RAMP_PENALTY
                   : shape->kind == PHASE_DECAY ? DECAY_PENALTY
                                                : 1;
    return share * series->penalty;
}

/* The bound forgives strays; a shape that needs it often is the wrong one. */
static bool fits_nearly_all(const struct series *series, const struct shape *shape)
{
    size_t misfits = 0;
    for (size_t i = shape->first; i < shape->end; i++)
        misfits += series->masked[i];
    return 20 * misfits <= shape->end - shape->first;
}

/* The sums know few time constants; one fitted in full may span what they had
 * to cut. Tries it over every stretch of neighbouring slopes and what follows
 * them, the longest first. True where one was joined. */
static bool join_decay(const struct series *series, struct shape_sums *sums, struct shapes *shapes,
                       size_t first, size_t end)
{
    for (size_t length = end - first; length >= 2; length--) {
        for (size_t from = first; from + length <= end; from++) {
            struct shape *a = &shapes->items[from];
            const struct shape *b = &shapes->items[from + length - 1];
            double apart = 0;
            for (size_t i = from; i < from + length; i++)
                apart +=
                    bounded_cost(series, &shapes->items[i]) + penalty_of(series, &shapes->items[i]);
            struct shape whole = {.kind = PHASE_DECAY, .first = a->first, .end = b->end};
            if (whole.end - whole.first < DECAY_LEAST)
                continue;
            bool *kept = malloc(whole.end - whole.first);
            if (!kept)
                return false;
            memcpy(kept, series->masked + whole.first, whole.end - whole.first);
            (void)shape_decay_cost(sums, whole.first, whole.end, &whole.decay_s);
            settle(series, &whole);
            if (fits_nearly_all(series, &whole) &&
                bounded_cost(series, &whole) + penalty_of(series, &whole) < apart) {
                free(kept);
                *a = whole;
                memmove(a + 1, a + length, (shapes->count - from - length) * sizeof *shapes->items);
                shapes->count -= length - 1;
                return true;
            }
            memcpy(series->masked + whole.first, kept, whole.end - whole.first);
            free(kept);
        }
    }
    return false;
}

static void join_decays(const struct series *series, struct shape_sums *sums, struct shapes *shapes)
{
    for (size_t i = 0; i < shapes->count; i++) {
        if (!is_slope(&shapes->items[i]))
            continue;
        size_t end = i;
        while (end < shapes->count && is_slope(&shapes->items[end]) && end - i < SLOPES_MOST)
            end++;
        if (end < shapes->count && shapes->items[end].kind == PHASE_LEVEL)
            end++;
        while (join_decay(series, sums, shapes, i, end < shapes->count ? end : shapes->count))
            end = end > i + 1 ? end - 1 : end;
    }
}

/* A slope that hardly climbs, or that its own scatter explains, is a level. */
static void flatten(const struct series *series, struct shape *shape)
{
    if (!is_slope(shape))
        return;
    double change = fabs(shape_at(shape, series->time_s[shape->end - 1]) -
                         shape_at(shape, series->time_s[shape->first]));
    double variance = variance_about(series, shape);
    struct shape level = shape_fit(series, shape->first, shape->end, PHASE_LEVEL);
    double fresh = (double)(shape->end - shape->first) / series->noise.repeats;
    double gain = fresh * (variance_about(series, &level) / variance - 1);
    if (change < fmax(FLAT_SHARE * fabs(level.level_A),
                      fmax(2.2 * series->noise.count_A, 1.5 * sqrt(variance))) ||
        gain < penalty_of(series, shape)) {
        *shape = level;
        shape_mask(series, shape);
    }
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

/* Where a decay has come so near its level that nothing tells them apart it
 * ends, and the level begins. */
static int end_decays(const struct series *series, struct shapes *shapes)
{
    struct shape *grown = realloc(shapes->items, 2 * shapes->count * sizeof *grown);
    if (!grown)
        return -1;
    shapes->items = grown;
    for (size_t k = 0; k < shapes->count; k++) {
        struct shape *decay = &shapes->items[k];
        if (decay->kind != PHASE_DECAY)
            continue;
        double near_A = fmax(0.5 * LEVEL_SHARE * fabs(decay->level_A),
                             fmax(series->noise.count_A, sqrt(variance_about(series, decay))));
        double away_s = decay->decay_s * log(fabs(decay->height_A) / near_A);
        size_t at = decay->first + DECAY_LEAST;
        while (at < decay->end && series->time_s[at] - decay->from_s < away_s)
            at++;
        if (at + RAMP_LEAST > decay->end)
            continue;
        memmove(decay + 2, decay + 1, (shapes->count - k - 1) * sizeof *decay);
        shapes->count++;
        decay[1] = shape_fit(series, at, decay->end, PHASE_LEVEL);
        decay->end = at;
    }
    return 0;
}

/* One reading makes no phase: it is a mixture at an edge, or a spike there, and
 * goes to what follows. */
static void drop_slivers(const struct series *series, struct shapes *shapes)
{
    size_t kept = 0;
    size_t least = (size_t)ceil(series->noise.repeats);
    for (size_t k = 0; k < shapes->count; k++) {
        struct shape *shape = &shapes->items[k];
        bool sliver = shape->kind == PHASE_LEVEL && shape->end - shape->first <= least;
        if (sliver && k + 1 < shapes->count) {
            for (size_t i = shape->first; i < shape->end; i++)
                series->masked[i] = true;
            shape[1].first = shape->first;
        } else {
            shapes->items[kept++] = *shape;
        }
    }
    shapes->count = kept;
}

int shapes_join(const struct series *series, struct shape_sums *sums, struct shapes *shapes)
{
    shape_sums_add_up(sums);
    if (join_levels(series, sums, shapes) != 0)
        return -1;
    for (size_t i = 0; i + 1 < shapes->count; i++)
        move_boundary(sums, &shapes->items[i], &shapes->items[i + 1]);
    for (size_t i = 0; i < shapes->count; i++)
        settle(series, &shapes->items[i]);
    join_decays(series, sums, shapes);
    for (size_t i = 0; i < shapes->count; i++)
        flatten(series, &shapes->items[i]);
    if (end_decays(series, shapes) != 0)
        return -1;
    drop_slivers(series, shapes);
    merge_alike(series, shapes);
    return 0;
}
