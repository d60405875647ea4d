/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/repeated_means.h"

#include "reference/spread.h"
#include "verdict/conformity.h"
#include "verdict/what_if.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

static const double guard_factor = 2; /* U = 2 u, w = U */
static const double two_kinds_tail = 5e-5;

static double square(double x)
{
    return x * x;
}

double averaged_spread(const struct spread *spread, double power_ups)
{
    double one = square(spread->predictive);
    double less = spread_within2(spread) * (1 - 1 / power_ups);
    return sqrt(fmax(one - less, 0.01 * one));
}

/* What averaging cannot take away: half of what one step of the readback may
 * hide, as a share of the level. */
static double share_of_step(const struct accuracy *accuracy, double level_A)
{
    return accuracy->current_resolution_A / sqrt(12) / fmax(fabs(level_A), 1e-9);
}

double averaged_u(double u, double step_share, double power_ups)
{
    double left2 = fmin(square(u), square(step_share));
    return sqrt((square(u) - left2) / power_ups + left2);
}

static bool is_measured(const struct repeated_power_up *power_up)
{
    return power_up->kind != VERDICT_BAD || power_up->level_alone;
}

static void average_level(const struct accuracy *accuracy,
                          const struct repeated_power_up *power_ups, size_t count, size_t more,
                          size_t p, struct measured_level *mean)
{
    *mean = (struct measured_level){.voltage_V = NAN};
    double number = 0;
    double squares = 0;
    double voltage = 0;
    for (size_t i = 0; i < count; i++) {
        const struct measured_level *one = &power_ups[i].levels[p];
        if (!is_measured(&power_ups[i]) || p >= power_ups[i].phase_count || !one->usable)
            continue;
        number++;
        mean->log_ratio += one->log_ratio;
        mean->current_A += one->current_A;
        mean->effective += one->effective;
        mean->voltage_u = fmax(mean->voltage_u, one->voltage_u);
        voltage += one->voltage_V;
        squares += square(one->u);
    }
    if (number == 0)
        return;
    mean->usable = true;
    mean->log_ratio /= number;
    mean->current_A /= number;
    mean->voltage_V = voltage / number;
    mean->u = averaged_u(sqrt(squares / number), share_of_step(accuracy, mean->current_A),
                         number + (double)more);
}

static double excess_of(const struct level_test *test)
{
    return fabs(test->deviation) - test->limit;
}

static enum verdict_kind kind_of(const struct level_test *test)
{
    struct limits limits = {-test->limit, test->limit};
    enum verdict_kind kind = conformity_decide(&limits, test->deviation, guard_factor * test->u);
    /* Inside the limits no guard is asked for here: whether the smallest fault
     * stands clear is asked instead. */
    return kind == VERDICT_UNSURE && excess_of(test) <= 0 ? VERDICT_GOOD : kind;
}

static void take_worst(struct unit_means *means, const struct level_test *test, size_t phase,
                       double *worst)
{
    double excess = excess_of(test) / fmax(test->limit, 1e-12);
    if (excess <= *worst)
        return;
    *worst = excess;
    means->kind = kind_of(test);
    means->phase = phase;
    means->test = *test;
}

static bool stands_clear(const struct reference *reference, const struct level_test *test)
{
    return level_outcome(test, reference->smallest_level_fault, LEVEL_GUARD) == VERDICT_GOOD;
}

void unit_means_take(const struct reference *reference, const struct accuracy *accuracy,
                     const struct repeated_power_up *power_ups, size_t count, size_t more,
                     struct unit_means *means)
{
    *means = (struct unit_means){.kind = VERDICT_GOOD};
    if (!reference || reference->phase_count == 0)
        return;
    for (size_t i = 0; i < count; i++)
        means->power_ups += is_measured(&power_ups[i]) && power_ups[i].phase_count > 0;
    if (means->power_ups < 2)
        return;
    means->any = true;
    const struct accuracy *reads = accuracy ? accuracy : &reference->accuracy;
    struct reference averaged = *reference;
    double number = (double)(means->power_ups + more);
    averaged.level_common.predictive = averaged_spread(&reference->level_common, number);
    averaged.level_own.predictive = averaged_spread(&reference->level_own, number);
    size_t phases = reference->phase_count;
    for (size_t p = 0; p < phases; p++)
        average_level(reads, power_ups, count, more, p, &means->levels[p]);
    double worst = -INFINITY;
    means->resolves = true;
    for (size_t p = 0; p < phases; p++) {
        if (!level_is_judged(reference, p, reference->phases[p].noise_A))
            continue;
        if (!means->levels[p].usable) {
            means->resolves = false;
            continue;
        }
        struct level_test test = level_test_one(&averaged, means->levels, phases, p);
        take_worst(means, &test, p, &worst);
        means->resolves &= stands_clear(reference, &test);
    }
    struct level_test common = level_test_common(&averaged, means->levels, phases);
    take_worst(means, &common, phases - 1, &worst);
}

static int compare_numbers(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The widest gap between neighbours in order. Of m power-ups of one unit, a gap
 * of g leaves at least m - 1 pairs g or more apart, so that its probability is
 * at most m / 2 times that of one pair's difference. */
static bool widest_gap(double *values, size_t count, double spread, double df, double features,
                       struct two_kinds *kinds)
{
    if (count < 2)
        return false;
    qsort(values, count, sizeof *values, compare_numbers);
    double gap = 0;
    size_t below = 0;
    for (size_t i = 1; i < count; i++) {
        if (values[i] - values[i - 1] > gap) {
            gap = values[i] - values[i - 1];
            below = i;
        }
    }
    double tail = two_kinds_tail / ((double)count * features);
    double allowed = gsl_cdf_tdist_Qinv(tail, fmax(df, 1)) * spread * M_SQRT2;
    if (gap <= allowed)
        return false;
    kinds->found = true;
    kinds->gap = gap;
    kinds->allowed = allowed;
    kinds->cut = 0.5 * (values[below - 1] + values[below]);
    kinds->low_count = below;
    kinds->high_count = count - below;
    return true;
}

static bool two_kinds_of_phase(const struct reference *reference, const struct accuracy *reads,
                               const struct repeated_power_up *power_ups, size_t count, size_t p,
                               double *values, struct two_kinds *kinds)
{
    double features = (double)(2 * reference->phase_count);
    double within2 =
        spread_within2(&reference->level_common) + spread_within2(&reference->level_own);
    double step = 2 * share_of_step(reads, reference->phases[p].level_A);
    double df = SPREAD_PRIOR_DF + reference->level_common.within_df;
    double u2 = square(step);
    size_t number = 0;
    for (size_t i = 0; i < count; i++) {
        const struct measured_level *level = &power_ups[i].levels[p];
        if (p >= power_ups[i].phase_count || !level->usable)
            continue;
        values[number++] = level->log_ratio;
        u2 = fmax(u2, square(level->u) + square(level->voltage_u));
    }
    *kinds = (struct two_kinds){.phase = p};
    if (level_is_judged(reference, p, reference->phases[p].noise_A) &&
        widest_gap(values, number, sqrt(within2 + u2), df, features, kinds))
        return true;
    number = 0;
    u2 = 0;
    for (size_t i = 0; i < count && p + 1 < reference->phase_count; i++) {
        if (p + 1 >= power_ups[i].phase_count || isnan(power_ups[i].log_duration[p]))
            continue;
        values[number++] = power_ups[i].log_duration[p];
        u2 = fmax(u2, square(power_ups[i].log_duration_u[p]));
    }
    kinds->of_time = true;
    return widest_gap(values, number, sqrt(spread_within2(&reference->duration) + u2),
                      SPREAD_PRIOR_DF + reference->duration.within_df, features, kinds);
}

/* Without a template only the settled draw is there, and only the default
 * spread of power-ups. */
static bool two_kinds_of_final(const struct accuracy *reads,
                               const struct repeated_power_up *power_ups, size_t count,
                               double *values, struct two_kinds *kinds)
{
    size_t number = 0;
    double least = INFINITY;
    for (size_t i = 0; i < count; i++) {
        if (!(power_ups[i].final_draw_A > 0) || power_ups[i].kind == VERDICT_BAD)
            continue;
        values[number++] = log(power_ups[i].final_draw_A);
        least = fmin(least, power_ups[i].final_draw_A);
    }
    *kinds = (struct two_kinds){.phase = 0};
    if (number < 2)
        return false;
    double spread = sqrt(square(SPREAD_COMMON_WITHIN) + square(SPREAD_OWN_WITHIN) +
                         square(share_of_step(reads, least)));
    return widest_gap(values, number, spread, SPREAD_PRIOR_DF, 1, kinds);
}

bool two_kinds_is_low(const struct two_kinds *kinds, const struct reference *reference,
                      const struct repeated_power_up *power_up)
{
    size_t p = kinds->phase;
    if (reference->phase_count == 0)
        return power_up->final_draw_A > 0 && log(power_up->final_draw_A) < kinds->cut;
    if (kinds->of_time)
        return p + 1 < power_up->phase_count && power_up->log_duration[p] < kinds->cut;
    return p < power_up->phase_count && power_up->levels[p].usable &&
           power_up->levels[p].log_ratio < kinds->cut;
}

int two_kinds_find(const struct reference *reference, const struct accuracy *accuracy,
                   const struct repeated_power_up *power_ups, size_t count, struct two_kinds *kinds)
{
    *kinds = (struct two_kinds){.found = false};
    if (!reference || count < 2)
        return 0;
    const struct accuracy *reads = accuracy ? accuracy : &reference->accuracy;
    double *values = calloc(count, sizeof *values);
    if (!values)
        return -1;
    bool found = false;
    if (reference->phase_count == 0)
        found = two_kinds_of_final(reads, power_ups, count, values, kinds);
    for (size_t p = 0; p < reference->phase_count && !found; p++)
        found = two_kinds_of_phase(reference, reads, power_ups, count, p, values, kinds);
    free(values);
    return 0;
}
