/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"

#include <math.h>
#include <stdlib.h>

/* Sums over the readings before each. */
struct before {
    double w, t, tt, A, tA, AA, lone;
};

/* Sums over the readings from each on, x = exp(-(time since it) / decay_s):
 * counted backwards, because forwards the later terms would drown. */
struct after {
    double x, xx, xA;
};

struct shape_sums {
    const struct series *series;
    double zero_A;
    struct before *before;
    double decay_s[DECAY_TIMES];
    struct after *after[DECAY_TIMES]; /* NULL until asked for */
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
    sums->before = malloc((n + 1) * sizeof *sums->before);
    sums->used = malloc(n * sizeof *sums->used);
    if (!sums->before || !sums->used) {
        shape_sums_destroy(sums);
        return NULL;
    }
    find_lone(series, sums->used);
    sums->zero_A = series->current_A[n / 2];
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
    double length_s = series->time_s[n - 1] - series->time_s[0];
    double least_s = fmax(1.5 * series->interval_s, 1e-5);
    for (int k = 0; k < DECAY_TIMES; k++)
        sums->decay_s[k] =
            least_s * pow(fmax(0.7 * length_s / least_s, 1), (double)k / (DECAY_TIMES - 1));
    return sums;
}

void shape_sums_destroy(struct shape_sums *sums)
{
    if (!sums)
        return;
    for (int k = 0; k < DECAY_TIMES; k++)
        free(sums->after[k]);
    free(sums->before);
    free(sums->used);
    free(sums);
}

double shape_level_cost(const struct shape_sums *sums, size_t first, size_t end)
{
    const struct before *a = &sums->before[first];
    const struct before *b = &sums->before[end];
    double w = b->w - a->w;
    double A = b->A - a->A;
    double lone = b->lone - a->lone;
    return w > 0 ? fmax(0, b->AA - a->AA - A * A / w) + lone : lone;
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
    return fmax(0, tt > 0 ? AA - tA * tA / tt : AA) + lone;
}

static bool sum_after(struct shape_sums *sums, int k)
{
    const struct series *series = sums->series;
    size_t n = series->count;
    struct after *row = malloc((n + 1) * sizeof *row);
    if (!row)
        return false;
    row[n] = (struct after){0};
    for (size_t i = n; i-- > 0;) {
        double gap_s = i + 1 < n ? series->time_s[i + 1] - series->time_s[i] : 0;
        double share = exp(-gap_s / sums->decay_s[k]);
        double w = sums->used[i] ? series->weight[i] : 0;
        row[i].x = w + share * row[i + 1].x;
        row[i].xx = w + share * share * row[i + 1].xx;
        row[i].xA = w * (series->current_A[i] - sums->zero_A) + share * row[i + 1].xA;
    }
    sums->after[k] = row;
    return true;
}

double shape_decay_cost(struct shape_sums *sums, size_t first, size_t end, double *decay_s)
{
    const struct series *series = sums->series;
    const struct before *a = &sums->before[first];
    const struct before *b = &sums->before[end];
    double w = b->w - a->w;
    double best = INFINITY;
    if (!(w > 0))
        return best;
    double length_s = series->time_s[end - 1] - series->time_s[first];
    double to_end_s = end < series->count ? series->time_s[end] - series->time_s[first] : 0;
    double mean_A = (b->A - a->A) / w;
    double AA = b->AA - a->AA - w * mean_A * mean_A;
    for (int k = 0; k < DECAY_TIMES; k++) {
        /* Slower is a ramp, faster is a step. */
        if (sums->decay_s[k] > length_s || sums->decay_s[k] < 0.03 * length_s)
            continue;
        if (!sums->after[k] && !sum_after(sums, k))
            continue;
        double share = end < series->count ? exp(-to_end_s / sums->decay_s[k]) : 0;
        const struct after *p = &sums->after[k][first];
        const struct after *q = &sums->after[k][end];
        double mean_x = (p->x - share * q->x) / w;
        double xx = p->xx - share * share * q->xx - w * mean_x * mean_x;
        double xA = p->xA - share * q->xA - w * mean_x * mean_A;
        double cost = xx > 0 ? fmax(0, AA - xA * xA / xx) : AA;
        if (cost < best) {
            best = cost;
            *decay_s = sums->decay_s[k];
        }
    }
    return best + b->lone - a->lone;
}
