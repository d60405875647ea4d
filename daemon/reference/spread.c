/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/spread.h"

#include "reference/compare.h"
#include "reference/level.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double prior_exponent_u = 0.7; /* -1, 0 and +1 are all common */
/* Regular pulses repeat better than as many independent readings would. */
static const double pulse_prior = 0.3;
static const double asleep_unknown = 1, asleep_wide = 4;
static const double repeat_df = 3; /* of what the fit says of itself */
/* Phases measured worse than this tell nothing about the spread. */
static const double worst_level_u = 0.02, worst_duration_u = 0.10;

static double square(double x)
{
    return x * x;
}

double shrink_variance(double s2, double df, double s02, double d0)
{
    return df > 0 ? (d0 * s02 + df * s2) / (d0 + df) : s02;
}

double predictive_variance(double between2, double within2, double n, double m)
{
    return between2 * (1 + 1 / n) + within2 * (1 + 1 / (n * m));
}

double spread_between2(const struct spread *spread)
{
    double seen2 = spread->between_df > 0 ? square(spread->between) : 0;
    return shrink_variance(seen2, spread->between_df, square(spread->prior_between),
                           spread->prior_df);
}

double spread_within2(const struct spread *spread)
{
    double seen2 = spread->within_df > 0 ? square(spread->within) : 0;
    return shrink_variance(seen2, spread->within_df, square(spread->prior_within), SPREAD_PRIOR_DF);
}

void spread_predict(struct spread *spread, double units, double power_ups_each)
{
    spread->predictive = sqrt(predictive_variance(spread_between2(spread), spread_within2(spread),
                                                  fmax(units, 1), fmax(power_ups_each, 1)));
    spread->predictive_df = spread->prior_df + spread->between_df;
}

struct spread spread_with_more(const struct spread *spread, double units, double power_ups_each,
                               double more, double df_each)
{
    struct spread next = *spread;
    if (spread->between_df > 0) {
        next.between_df *= (units - 1 + more) / (units - 1);
    } else {
        next.between = spread->prior_between;
        next.between_df = more * df_each;
    }
    next.within_df *= (units + more) / units;
    spread_predict(&next, units + more, power_ups_each);
    return next;
}

static void set_prior(struct reference *reference, size_t offset, double between, double within,
                      const struct reference *const *pool, size_t pool_count)
{
    struct spread *spread = (struct spread *)(void *)((char *)reference + offset);
    double between_sum = SPREAD_PRIOR_DF * square(between);
    double within_sum = SPREAD_PRIOR_DF * square(within);
    double between_df = SPREAD_PRIOR_DF;
    double within_df = SPREAD_PRIOR_DF;
    for (size_t i = 0; i < pool_count; i++) {
        const struct spread *other =
            (const struct spread *)(const void *)((const char *)pool[i] + offset);
        /* An earlier version of this type saw the same units. */
        if (strcmp(pool[i]->module_type, reference->module_type) == 0)
            continue;
        if (other->between_df > 0) {
            between_sum += other->between_df * square(other->between);
            between_df += other->between_df;
        }
        if (other->within_df > 0) {
            within_sum += other->within_df * square(other->within);
            within_df += other->within_df;
        }
    }
    spread->prior_between = sqrt(between_sum / between_df);
    spread->prior_within = sqrt(within_sum / within_df);
    spread->prior_df = SPREAD_PRIOR_DF;
    spread->prior_assumed = between_df <= SPREAD_PRIOR_DF;
}

void spread_priors(struct reference *reference, const struct reference *const *pool,
                   size_t pool_count)
{
    set_prior(reference, offsetof(struct reference, level_common), SPREAD_COMMON,
              SPREAD_COMMON_WITHIN, pool, pool_count);
    set_prior(reference, offsetof(struct reference, level_own), SPREAD_OWN, SPREAD_OWN_WITHIN, pool,
              pool_count);
    set_prior(reference, offsetof(struct reference, duration), SPREAD_DURATION,
              SPREAD_DURATION_WITHIN, pool, pool_count);
}

struct components {
    double between2, between_df, within2, within_df;
    double n, m; /* units and mean power-ups a unit that had a value */
    double mean; /* of the unit means */
};

/* One-way random effects by moments: values (NAN: none) with their measurement
 * variances, which are taken off. */
static struct components analyse(const struct course *courses, size_t course_count,
                                 const double *value, const double *variance, size_t units,
                                 double *unit_mean)
{
    struct components c = {0};
    double between = 0;
    double within = 0;
    double noise_between = 0;
    double noise_within = 0;
    double inverse_m = 0;
    double total = 0;
    for (size_t u = 0; u < units; u++) {
        double sum = 0;
        double noise = 0;
        double count = 0;
        for (size_t i = 0; i < course_count; i++) {
            if (courses[i].unit != u || isnan(value[i]))
                continue;
            sum += value[i];
            noise += variance[i];
            count++;
        }
        unit_mean[u] = count > 0 ? sum / count : (double)NAN;
        if (count == 0)
            continue;
        c.n++;
        total += count;
        inverse_m += 1 / count;
        c.mean += unit_mean[u];
        noise_between += noise / square(count);
        for (size_t i = 0; i < course_count; i++)
            if (courses[i].unit == u && !isnan(value[i]))
                within += square(value[i] - unit_mean[u]);
        noise_within += noise / count * (count - 1);
        c.within_df += count - 1;
    }
    if (c.n == 0)
        return c;
    c.mean /= c.n;
    c.m = total / c.n;
    for (size_t u = 0; u < units; u++)
        if (!isnan(unit_mean[u]))
            between += square(unit_mean[u] - c.mean);
    c.between_df = c.n - 1;
    if (c.within_df > 0)
        c.within2 = fmax(0, (within - noise_within) / c.within_df);
    if (c.between_df > 0)
        c.between2 =
            fmax(0, between / c.between_df - noise_between / c.n - c.within2 * inverse_m / c.n);
    return c;
}

static void add_components(struct components *sum, const struct components *c)
{
    sum->between2 += c->between_df * c->between2;
    sum->between_df += c->between_df;
    sum->within2 += c->within_df * c->within2;
    sum->within_df += c->within_df;
    sum->n = fmax(sum->n, c->n);
    sum->m = fmax(sum->m, c->m);
}

static void finish_components(struct components *sum, double share_of_df)
{
    sum->between2 = sum->between_df > 0 ? sum->between2 / sum->between_df : 0;
    sum->within2 = sum->within_df > 0 ? sum->within2 / sum->within_df : 0;
    sum->between_df *= share_of_df;
    sum->within_df *= share_of_df;
}

static void use_components(struct spread *spread, const struct components *c, double units,
                           double power_ups)
{
    spread->between_df = c->between_df;
    spread->within_df = c->within_df;
    spread->between = c->between_df > 0 ? sqrt(c->between2) : (double)NAN;
    spread->within = c->within_df > 0 ? sqrt(c->within2) : (double)NAN;
    spread_predict(spread, units, power_ups / fmax(units, 1));
}

struct work {
    struct reference *reference;
    struct course *courses;
    size_t course_count, units;
    double *value, *variance, *unit_mean, *common;
    bool usable[REFERENCE_MOST_PHASES]; /* measured well enough to tell the spread */
    size_t usable_count;
};

/* Centres one phase's values on the units' mean. Returns that mean. */
static double centre(struct work *w, size_t p, bool duration)
{
    for (size_t i = 0; i < w->course_count; i++) {
        const struct course *c = &w->courses[i];
        w->value[i] = !c->follows ? (double)NAN : duration ? c->log_duration[p] : c->log_ratio[p];
        w->variance[i] = square(duration ? c->log_duration_u[p] : c->log_ratio_u[p]);
    }
    struct components c =
        analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
    for (size_t i = 0; i < w->course_count; i++) {
        if (duration)
            w->courses[i].log_duration[p] -= c.mean;
        else
            w->courses[i].log_ratio[p] -= c.mean;
    }
    return c.mean;
}

void phase_scale(struct reference_phase *phase, double log_shift)
{
    double factor = exp(log_shift);
    phase->level_A *= factor;
    phase->pulse_low_A *= factor;
    phase->pulse_high_A *= factor;
    for (size_t c = 0; c < phase->cell_count; c++) {
        phase->shape_A[c] *= factor;
        phase->shape_low_A[c] *= factor;
        phase->shape_high_A[c] *= factor;
    }
}

/* Mean measurement variance of one phase's values, and of their overall mean. */
static double mean_uncertainty2(const struct work *w, size_t p, bool duration, double *of_mean)
{
    double sum = 0;
    double count = 0;
    for (size_t i = 0; i < w->course_count; i++) {
        const struct course *c = &w->courses[i];
        double u = duration ? c->log_duration_u[p] : c->log_ratio_u[p];
        if (!c->follows || isnan(u))
            continue;
        sum += square(u);
        count++;
    }
    *of_mean = count > 0 ? sum / square(count) : 0;
    return count > 0 ? sum / count : (double)INFINITY;
}

/* How well the level of pulses, ramps and decays repeats within a unit; taken as
 * its measurement uncertainty. The prior is what the fit says of itself. */
static void learn_repeat(struct work *w, size_t p)
{
    struct reference_phase *phase = &w->reference->phases[p];
    bool blurred = phase->kind == PHASE_PERIODIC && !level_has_plateaus(phase);
    phase->repeat_u = reference_is_sleep(w->reference, p) ? asleep_unknown : 0;
    double trust = blurred ? pulse_prior : 1;
    double prior2 = 0;
    double count = 0;
    for (size_t i = 0; i < w->course_count; i++) {
        const struct course *c = &w->courses[i];
        w->value[i] = c->follows ? c->log_ratio[p] : (double)NAN;
        w->variance[i] = 0;
        if (c->follows && !isnan(c->log_ratio_u[p])) {
            prior2 += square(trust * c->log_ratio_u[p]);
            count++;
        }
    }
    struct components c =
        analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
    if (count == 0)
        return;
    phase->repeat_u = sqrt(shrink_variance(c.within2, c.within_df, prior2 / count, repeat_df));
    for (size_t i = 0; i < w->course_count; i++)
        if (w->courses[i].follows && !isnan(w->courses[i].log_ratio_u[p]))
            w->courses[i].log_ratio_u[p] = phase->repeat_u;
}

/* What is drawn asleep is so little that units may differ in it by more than in
 * what they draw at work. */
static bool is_steady(const struct reference *reference, size_t p)
{
    const struct reference_phase *phase = &reference->phases[p];
    return !reference_is_sleep(reference, p) &&
           (phase->kind == PHASE_LEVEL || phase->kind == PHASE_PERIODIC);
}

/* What units' ramps and decays differ by, more than levels do, is taken as doubt
 * of their measurement. */
static void learn_pace(struct work *w, size_t p)
{
    struct reference_phase *phase = &w->reference->phases[p];
    for (size_t i = 0; i < w->course_count; i++) {
        const struct course *c = &w->courses[i];
        w->value[i] = c->follows ? c->log_ratio[p] - w->common[i] : (double)NAN;
        w->variance[i] = square(c->log_ratio_u[p]);
    }
    struct components c =
        analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
    double excess2 = fmax(0, c.between2 - square(w->reference->level_own.predictive));
    double share = c.between_df / (c.between_df + repeat_df);
    phase->repeat_u = sqrt(square(phase->repeat_u) + share * excess2);
    if (!reference_is_sleep(w->reference, p))
        return;
    double wide = exp(asleep_wide * sqrt(share * excess2)) - 1;
    /* A count is much of so little. */
    bool told = level_is_judged(w->reference, p, phase->noise_A);
    double rounded_A = told ? 0 : w->reference->accuracy.current_resolution_A;
    double least_A = phase->shape_low_A[phase->cell_count - 1];
    for (size_t k = 0; k < phase->cell_count; k++) {
        /* It may fall to it sooner than others did. */
        phase->shape_low_A[k] = fmin(phase->shape_low_A[k], least_A);
        phase->shape_low_A[k] -= wide * fabs(phase->shape_low_A[k]) + rounded_A;
        phase->shape_high_A[k] += wide * fabs(phase->shape_high_A[k]) + rounded_A;
    }
}

/* The common factor of each power-up, its phases by weight. */
static void common_factors(struct work *w, const double *weight)
{
    for (size_t i = 0; i < w->course_count; i++) {
        const struct course *c = &w->courses[i];
        double sum = 0;
        double total = 0;
        double noise = 0;
        for (size_t p = 0; c->follows && p < w->reference->phase_count; p++) {
            if (isnan(c->log_ratio[p]))
                continue;
            sum += weight[p] * c->log_ratio[p];
            noise += square(weight[p] * c->log_ratio_u[p]);
            total += weight[p];
        }
        w->common[i] = total > 0 ? sum / total : (double)NAN;
        w->value[i] = w->common[i];
        w->variance[i] = total > 0 ? noise / square(total) : 0;
    }
}

static void learn_levels(struct work *w)
{
    struct reference *r = w->reference;
    double weight[REFERENCE_MOST_PHASES] = {0};
    size_t steady = 0;
    for (size_t p = 0; p < r->phase_count; p++) {
        bool asleep = reference_is_sleep(r, p);
        if (r->phases[p].kind != PHASE_LEVEL || asleep)
            learn_repeat(w, p);
        double mean = centre(w, p, false);
        if (!asleep || level_is_judged(r, p, r->phases[p].noise_A))
            phase_scale(&r->phases[p], mean);
        double of_mean = 0;
        double u2 = mean_uncertainty2(w, p, false, &of_mean);
        r->phases[p].uncertainty = sqrt(of_mean);
        w->usable[p] = u2 < square(worst_level_u);
        steady += w->usable[p] && is_steady(r, p);
        weight[p] = isfinite(u2) ? 1 / (square(SPREAD_OWN) + u2) : 0;
    }
    /* Ramps and decays differ from unit to unit in pace, too: the spread of levels
     * is learned from the others where there are enough. */
    for (size_t p = 0; p < r->phase_count; p++) {
        if (steady >= 2 && !is_steady(r, p))
            w->usable[p] = false;
        w->usable_count += w->usable[p];
    }
    common_factors(w, weight);
    struct components common =
        analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
    use_components(&r->level_common, &common, common.n, common.n * common.m);
    struct components own = {0};
    for (size_t p = 0; w->usable_count >= 2 && p < r->phase_count; p++) {
        if (!w->usable[p])
            continue;
        for (size_t i = 0; i < w->course_count; i++) {
            const struct course *c = &w->courses[i];
            w->value[i] = c->follows ? c->log_ratio[p] - w->common[i] : (double)NAN;
            w->variance[i] = square(c->log_ratio_u[p]);
        }
        struct components one =
            analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
        add_components(&own, &one);
    }
    double phases = (double)w->usable_count;
    /* Deviations from a common factor that was fitted to them. */
    double left = phases >= 2 ? (phases - 1) / phases : 1;
    finish_components(&own, left);
    own.between2 /= left;
    own.within2 /= left;
    use_components(&r->level_own, &own, common.n, common.n * common.m);
    for (size_t p = 0; p < r->phase_count; p++)
        if (!is_steady(r, p))
            learn_pace(w, p);
}

static void learn_durations(struct work *w)
{
    struct reference *r = w->reference;
    struct components all = {0};
    for (size_t p = 0; p + 1 < r->phase_count; p++) {
        double of_mean = 0;
        double u2 = mean_uncertainty2(w, p, true, &of_mean);
        double duration_s = exp(centre(w, p, true));
        /* A paced shape was laid on the length it had so far. */
        if (r->phases[p].paced)
            r->phases[p].cell_s *= duration_s / r->phases[p].duration_s;
        r->phases[p].duration_s = duration_s;
        if (u2 > square(worst_duration_u))
            continue;
        for (size_t i = 0; i < w->course_count; i++) {
            const struct course *c = &w->courses[i];
            w->value[i] = c->follows ? c->log_duration[p] : (double)NAN;
            w->variance[i] = square(c->log_duration_u[p]);
        }
        struct components one =
            analyse(w->courses, w->course_count, w->value, w->variance, w->units, w->unit_mean);
        add_components(&all, &one);
    }
    finish_components(&all, 1);
    double units = (double)w->units;
    use_components(&r->duration, &all, units, (double)r->power_ups);
}

int spread_learn(struct reference *reference, struct course *courses, size_t course_count)
{
    struct work w = {.reference = reference,
                     .courses = courses,
                     .course_count = course_count,
                     .units = reference->unit_count};
    w.value = calloc(course_count, sizeof(double));
    w.variance = calloc(course_count, sizeof(double));
    w.common = calloc(course_count, sizeof(double));
    w.unit_mean = calloc(w.units, sizeof(double));
    int status = w.value && w.variance && w.common && w.unit_mean ? 0 : -1;
    if (status == 0) {
        learn_levels(&w);
        learn_durations(&w);
    }
    free(w.value);
    free(w.variance);
    free(w.common);
    free(w.unit_mean);
    return status;
}

static void learn_exponent(struct reference_phase *phase, const struct course *courses,
                           size_t course_count, size_t p, double at_V)
{
    double sum_x = 0;
    double sum_y = 0;
    double count = 0;
    double noise = 0;
    for (size_t i = 0; i < course_count; i++) {
        const struct course *c = &courses[i];
        if (!c->follows || isnan(c->log_ratio[p]) || !(c->level_V[p] > 0))
            continue;
        sum_x += log(c->level_V[p] / at_V);
        sum_y += c->log_ratio[p];
        noise += square(c->log_ratio_u[p]);
        count++;
    }
    phase->exponent = 0;
    phase->exponent_u = prior_exponent_u;
    if (count < 2)
        return;
    double squares = 0;
    double products = 0;
    for (size_t i = 0; i < course_count; i++) {
        const struct course *c = &courses[i];
        if (!c->follows || isnan(c->log_ratio[p]) || !(c->level_V[p] > 0))
            continue;
        double x = log(c->level_V[p] / at_V) - sum_x / count;
        squares += x * x;
        products += x * (c->log_ratio[p] - sum_y / count);
    }
    double variance = square(SPREAD_COMMON) + square(SPREAD_OWN) + noise / count;
    double precision = 1 / square(prior_exponent_u) + squares / variance;
    phase->exponent = products / variance / precision;
    phase->exponent_u = 1 / sqrt(precision);
    /* What one voltage teaches about the law is nothing. */
    if (phase->exponent_u > 0.95 * prior_exponent_u)
        phase->exponent = 0;
}

void exponents_learn(struct reference *reference, const struct course *courses, size_t course_count)
{
    double at_V = reference->compared_at_V;
    for (size_t p = 0; p < reference->phase_count; p++) {
        struct reference_phase *phase = &reference->phases[p];
        if (isnan(at_V)) {
            phase->exponent = phase->exponent_u = 0;
            continue;
        }
        learn_exponent(phase, courses, course_count, p, at_V);
    }
}
