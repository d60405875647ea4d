/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include "signature/lanes.h"

#include <math.h>
#include <stdlib.h>

#define SERIES_REACH 0.3   /* of exp() near 0 */
#define UNDERFLOW_AT 600.0 /* time constants: exp() of as many is still exact */

/* fmax() minds NANs, and is called. */
static inline double larger(double a, double b)
{
    return a > b ? a : b;
}

/* Sums over the readings before each. */
struct before {
    double w, t, tt, A, tA, AA, lone;
};

/* exp(-(time) / decay_s) of every time constant: since the reading before, and
 * since the first. */
struct left {
    double since_last[DECAY_TIMES], since_start[DECAY_TIMES];
};

/* Sums over the readings from each on, x = exp(-(time since it) / decay_s):
 * counted backwards, because forwards the later terms would drown. */
struct after {
    double x[DECAY_TIMES], xx[DECAY_TIMES], xA[DECAY_TIMES];
};

struct shape_sums {
    const struct series *series;
    double zero_A;
    struct before *before;
    double decay_s[DECAY_TIMES], rate_per_s[DECAY_TIMES];
    double usual[DECAY_TIMES]; /* what is left of each decay after the usual interval */
    struct left *left;
    struct after *after;
    bool has_left, has_after; /* worked out only where a decay is asked for */
    bool *used;
};

/* A run of one or two masked readings is lone. */
static void find_lone(const struct series *series, bool *used)
{
    size_t most = (size_t)ceil(2 * series->noise.repeats);
    for (size_t i = 0; i < series->count;) {
        size_t end = i;
        while (end < series->count && series->masked[end] == series->masked[i])
            end++;
        bool lone = series->masked[i] && end - i <= most;
        for (; i < end; i++)
            used[i] = !lone;
    }
}

struct shape_sums *shape_sums_create(const struct series *series)
{
    size_t n = series->count;
    struct shape_sums *sums = calloc(1, sizeof *sums);
    if (!sums)
        return NULL;
    sums->series = series;
    /* In one piece: malloc() gives the room of smaller ones back to the system at
     * every cut, to fetch it anew at the next. */
    sums->after = malloc((n + 1) * (sizeof *sums->after + sizeof *sums->before) +
                         n * (sizeof *sums->left + sizeof *sums->used));
    if (!sums->after) {
        free(sums);
        return NULL;
    }
    sums->before = (struct before *)(sums->after + n + 1);
    sums->left = (struct left *)(sums->before + n + 1);
    sums->used = (bool *)(sums->left + n);
    sums->zero_A = series->current_A[n / 2];
    double length_s = series->time_s[n - 1] - series->time_s[0];
    double least_s = fmax(1.5 * series->interval_s, 1e-5);
    for (int k = 0; k < DECAY_TIMES; k++) {
        sums->decay_s[k] =
            least_s * pow(fmax(0.7 * length_s / least_s, 1), (double)k / (DECAY_TIMES - 1));
        sums->rate_per_s[k] = 1 / sums->decay_s[k];
        sums->usual[k] = exp(-series->interval_s * sums->rate_per_s[k]);
    }
    return sums;
}

void shape_sums_add_up(struct shape_sums *sums)
{
    const struct series *series = sums->series;
    size_t n = series->count;
    find_lone(series, sums->used);
    struct before b = {0};
    for (size_t i = 0; i < n; i++) {
        sums->before[i] = b;
        if (!sums->used[i]) {
            b.lone += series->bound;
            continue;
        }
        double w = series->weight[i];
        double t = series->time_s[i] - series->time_s[0];
        double A = series->current_A[i] - sums->zero_A;
        b.w += w;
        b.t += w * t;
        b.tt += w * t * t;
        b.A += w * A;
        b.tA += w * t * A;
        b.AA += w * A * A;
    }
    sums->before[n] = b;
    sums->has_after = false;
}

void shape_sums_destroy(struct shape_sums *sums)
{
    if (!sums)
        return;
    free(sums->after);
    free(sums);
}

double shape_level_cost(const struct shape_sums *sums, size_t first, size_t end)
{
    const struct before *a = &sums->before[first];
    const struct before *b = &sums->before[end];
    double w = b->w - a->w;
    double A = b->A - a->A;
    double lone = b->lone - a->lone;
    return w > 0 ? larger(0, b->AA - a->AA - A * A / w) + lone : lone;
}

double shape_ramp_cost(const struct shape_sums *sums, size_t first, size_t end)
{
    const struct before *a = &sums->before[first];
    const struct before *b = &sums->before[end];
    double w = b->w - a->w;
    double lone = b->lone - a->lone;
    if (!(w > 0))
        return lone;
    double mean_t = (b->t - a->t) / w;
    double mean_A = (b->A - a->A) / w;
    double tt = b->tt - a->tt - w * mean_t * mean_t;
    double tA = b->tA - a->tA - w * mean_t * mean_A;
    double AA = b->AA - a->AA - w * mean_A * mean_A;
    return larger(0, tt > 0 ? AA - tA * tA / tt : AA) + lone;
}

/* exp(x) by its series, which begins the later the nearer x is to 0: it is as good
 * as exp itself, at a fraction of its price. The first x is the farthest off. */
static inline void exps_near_none(const double *restrict x, double *restrict results, int count)
{
    /* One over the factorials, from 11 on. */
    static const double terms[] = {
        1.0 / 39916800, 1.0 / 3628800, 1.0 / 362880, 1.0 / 40320, 1.0 / 5040, 1.0 / 720,
        1.0 / 120,      1.0 / 24,      1.0 / 6,      1.0 / 2,     1,          1};
    /* How far x may be from 0 for a series that begins so late to be as good. */
    static const double reaches[] = {SERIES_REACH, 0.2,   0.13,  0.07, 0.035,
                                     0.015,        0.005, 0.001, 1e-4};
    size_t first = 0;
    while (first + 1 < sizeof reaches / sizeof *reaches && fabs(x[0]) <= reaches[first + 1])
        first++;
    for (int k = 0; k < count; k++)
        results[k] = terms[first];
    for (size_t i = first + 1; i < sizeof terms / sizeof *terms; i++)
        for (int k = 0; k < count; k++)
            results[k] = terms[i] + x[k] * results[k];
}

/* exp(-gap_s / decay_s) of every time constant; about the usual interval, from
 * what is left after that. */
__attribute__((noinline)) IN_LANES static void decays_over(const struct shape_sums *restrict sums,
                                                           double gap_s, double *restrict shares)
{
    enum { SLOWER = 4, SLOWEST = 8 }; /* from these places on */
    double off_s = sums->series->interval_s - gap_s;
    if (fabs(off_s) * sums->rate_per_s[0] > SERIES_REACH) {
        for (int k = 0; k < DECAY_TIMES; k++)
            shares[k] = exp(-gap_s * sums->rate_per_s[k]);
        return;
    }
    double x[DECAY_TIMES];
    double exps[DECAY_TIMES];
    for (int k = 0; k < DECAY_TIMES; k++)
        x[k] = off_s * sums->rate_per_s[k];
    /* The slower ones need fewer terms. */
    exps_near_none(x, exps, SLOWER);
    exps_near_none(x + SLOWER, exps + SLOWER, SLOWEST - SLOWER);
    exps_near_none(x + SLOWEST, exps + SLOWEST, DECAY_TIMES - SLOWEST);
    for (int k = 0; k < DECAY_TIMES; k++)
        shares[k] = exps[k] * sums->usual[k];
}

static void find_left(struct shape_sums *sums)
{
    const struct series *series = sums->series;
    struct left *left = sums->left;
    for (int k = 0; k < DECAY_TIMES; k++)
        left->since_last[k] = left->since_start[k] = 1;
    for (size_t i = 1; i < series->count; i++) {
        decays_over(sums, series->time_s[i] - series->time_s[i - 1], left[i].since_last);
        for (int k = 0; k < DECAY_TIMES; k++)
            left[i].since_start[k] = left[i - 1].since_start[k] * left[i].since_last[k];
    }
    sums->has_left = true;
}

/* The reading's sums, from those of the reading behind it. By itself: in the loop
 * over the readings every time constant would be worked out alone. */
__attribute__((noinline)) IN_LANES static void add_after(struct after *restrict row,
                                                         const struct after *restrict next,
                                                         const double *restrict shares, double w,
                                                         double wA)
{
    for (int k = 0; k < DECAY_TIMES; k++) {
        row->x[k] = w + shares[k] * next->x[k];
        row->xx[k] = w + shares[k] * shares[k] * next->xx[k];
        row->xA[k] = wA + shares[k] * next->xA[k];
    }
}

static void sum_after(struct shape_sums *sums)
{
    const struct series *series = sums->series;
    size_t n = series->count;
    if (!sums->has_left)
        find_left(sums);
    sums->after[n] = (struct after){0};
    for (size_t i = n; i-- > 0;) {
        double w = sums->used[i] ? series->weight[i] : 0;
        add_after(&sums->after[i], &sums->after[i + 1],
                  sums->left[i + 1 < n ? i + 1 : i].since_last, w,
                  w * (series->current_A[i] - sums->zero_A));
    }
    sums->has_after = true;
}

/* What is left of each decay from `first` on at `until`. */
static void shares_between(const struct shape_sums *sums, size_t first, size_t until, int from,
                           int to, double *shares)
{
    const double *time_s = sums->series->time_s;
    const double *at_first = sums->left[first].since_start;
    const double *at_until = sums->left[until].since_start;
    for (int k = from; k < to; k++)
        shares[k] = at_until[k] / at_first[k];
    for (int k = from; k < to; k++) {
        if (time_s[until] - time_s[0] < UNDERFLOW_AT * sums->decay_s[k])
            break; /* those that follow are slower */
        shares[k] = exp(-(time_s[until] - time_s[first]) / sums->decay_s[k]);
    }
}

/* Of sums over the readings of a stretch. */
struct stretch {
    double w, mean_A, AA;
};

/* Every time constant alike, without a branch, so that several are worked out at
 * once. */
static void decay_costs(const struct stretch *s, const struct after *restrict p,
                        const struct after *restrict q, const double *restrict shares, int from,
                        int to, double *restrict costs)
{
    for (int k = from; k < to; k++) {
        double share = shares[k];
        double mean_x = (p->x[k] - share * q->x[k]) / s->w;
        double xx = p->xx[k] - share * share * q->xx[k] - s->w * mean_x * mean_x;
        double xA = p->xA[k] - share * q->xA[k] - s->w * mean_x * s->mean_A;
        double cost = larger(0, s->AA - xA * xA / xx);
        costs[k] = xx > 0 ? cost : s->AA;
    }
}

double shape_decay_cost(struct shape_sums *sums, size_t first, size_t end, double *decay_s)
{
    const struct series *series = sums->series;
    const struct before *a = &sums->before[first];
    const struct before *b = &sums->before[end];
    struct stretch s = {.w = b->w - a->w};
    double best = INFINITY;
    if (!(s.w > 0))
        return best;
    if (!sums->has_after)
        sum_after(sums);
    s.mean_A = (b->A - a->A) / s.w;
    s.AA = b->AA - a->AA - s.w * s.mean_A * s.mean_A;
    /* Slower is a ramp, faster is a step. */
    double length_s = series->time_s[end - 1] - series->time_s[first];
    int from = 0;
    while (from < DECAY_TIMES && sums->decay_s[from] < 0.03 * length_s)
        from++;
    int to = from;
    while (to < DECAY_TIMES && sums->decay_s[to] <= length_s)
        to++;
    double shares[DECAY_TIMES];
    double costs[DECAY_TIMES];
    size_t ends_at = end < series->count ? end : first; /* nothing follows the last */
    shares_between(sums, first, ends_at, from, to, shares);
    decay_costs(&s, &sums->after[first], &sums->after[end], shares, from, to, costs);
    for (int k = from; k < to; k++) {
        if (costs[k] < best) {
            best = costs[k];
            *decay_s = sums->decay_s[k];
        }
    }
    return best + b->lone - a->lone;
}
