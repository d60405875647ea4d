/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/stage_change.h"

#include "trend/series.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

void stage_spread(const struct stage_values *stages, size_t count, const struct own_spread *known,
                  double *sd, double *df)
{
    double squares = known->df > 0 ? known->df * known->sd * known->sd : 0;
    *df = known->df > 0 ? known->df : 0;
    for (size_t i = 0; i < count; i++) {
        struct series_summary summary;
        if (stages[i].count < 2 || !series_summarise(stages[i].values, stages[i].count, &summary))
            continue;
        double more = (double)(stages[i].count - 1);
        squares += more * summary.sd * summary.sd;
        *df += more;
    }
    *sd = *df > 0 ? fmax(sqrt(squares / *df), known->floor) : (double)NAN;
}

static struct stage_mean mean_of(const struct stage_values *stage, double sd, double df,
                                 double stays, double confidence)
{
    struct series_summary summary;
    series_summarise(stage->values, stage->count, &summary);
    struct stage_mean mean = {stage->count, summary.mean, NAN, NAN};
    if (stage->count > 0 && df > 0) {
        double u = hypot(sd / sqrt((double)stage->count), stays);
        double half = gsl_cdf_tdist_Pinv(0.5 + confidence / 2, df) * u;
        mean.low = mean.mean - half;
        mean.high = mean.mean + half;
    }
    return mean;
}

static struct stage_change change_between(const struct stage_mean *before,
                                          const struct stage_mean *after, double sd, double df,
                                          double stays, double confidence)
{
    struct stage_change change = {.difference = after->mean - before->mean, .df = df};
    change.low = change.high = change.t = change.p = NAN;
    if (df > 0) {
        double u =
            hypot(sd * sqrt(1 / (double)before->count + 1 / (double)after->count), M_SQRT2 * stays);
        double half = gsl_cdf_tdist_Pinv(0.5 + confidence / 2, df) * u;
        change.low = change.difference - half;
        change.high = change.difference + half;
        /* No scatter at all: any difference is infinitely many of it, and none is none. */
        if (u > 0)
            change.t = change.difference / u;
        else
            change.t = change.difference == 0 ? 0 : copysign((double)INFINITY, change.difference);
        change.p = isinf(change.t) ? 0 : 2 * gsl_cdf_tdist_Q(fabs(change.t), df);
    }
    change.p_family = change.p;
    return change;
}

size_t stage_changes_find(const struct stage_values *stages, size_t count,
                          const struct own_spread *known, double confidence,
                          struct stage_mean *means, struct stage_change *changes)
{
    double sd;
    double df;
    stage_spread(stages, count, known, &sd, &df);
    size_t found = 0;
    size_t last = count;
    for (size_t i = 0; i < count; i++) {
        means[i] = mean_of(&stages[i], sd, df, known->stays, confidence);
        if (stages[i].count == 0)
            continue;
        if (last < count) {
            changes[found] =
                change_between(&means[last], &means[i], sd, df, known->stays, confidence);
            changes[found].from = last;
            changes[found++].to = i;
        }
        last = i;
    }
    return found;
}

/* What has no probability comes last. */
static int by_p(const void *one, const void *other)
{
    const struct stage_change *const *a = one;
    const struct stage_change *const *b = other;
    double first = isnan((*a)->p) ? 2 : (*a)->p;
    double second = isnan((*b)->p) ? 2 : (*b)->p;
    return (first > second) - (first < second);
}

void stage_changes_settle(struct stage_change **changes, size_t count, double error)
{
    size_t tests = 0;
    for (size_t i = 0; i < count; i++)
        tests += !isnan(changes[i]->p);
    if (count > 0)
        qsort(changes, count, sizeof(struct stage_change *), by_p);
    double so_far = 0;
    for (size_t i = 0; i < tests; i++) {
        so_far = fmax(so_far, fmin(1, (double)(tests - i) * changes[i]->p));
        changes[i]->p_family = so_far;
        changes[i]->is_more = so_far < error;
    }
}
