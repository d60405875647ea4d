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
static const double apart_tail = 1.5e-3; /* of all power-ups together, a side */
enum { QUANTILES = 41, ENOUGH = 40, FAULT_HALVINGS = 22 };

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

/* What one step of the readback may hide, as a share of the level. */
static double share_of_step(double step_A, double level_A)
{
    return step_A / sqrt(12) / fmax(fabs(level_A), 1e-9);
}

double averaged_u(const struct measured_level *level, double step_A, double power_ups)
{
    double lasting = fmax(level->lasting_u, share_of_step(step_A, level->current_A));
    double left2 = fmin(square(level->u), square(lasting));
    return sqrt((square(level->u) - left2) / power_ups + left2);
}

bool power_up_is_void(const struct repeated_power_up *power_up)
{
    if (power_up->kind != VERDICT_UNSURE || !power_up->has_reason)
        return false;
    enum reason_code code = power_up->reason.code;
    bool cut_short = power_up->settle_count == 0 || power_up->settles[0].code != SETTLE_WATCH;
    return (code == REASON_INCOMPLETE && cut_short) || code == REASON_NO_ONSET ||
           code == REASON_NO_REFERENCE || code == REASON_OUTSIDE_VOLTAGE ||
           code == REASON_AT_LIMIT || code == REASON_OTHER_FEEDS || code == REASON_OTHER_REVISION ||
           code == REASON_OTHER_SET_UP;
}

static bool is_measured(const struct repeated_power_up *power_up)
{
    return power_up->kind == VERDICT_BAD ? power_up->level_alone : !power_up_is_void(power_up);
}

static void average_level(const struct accuracy *accuracy,
                          const struct repeated_power_up *power_ups, size_t count, size_t more,
                          size_t p, struct measured_level *mean)
{
    *mean = (struct measured_level){.voltage_V = NAN};
    double number = 0;
    double squares = 0;
    double lasting2 = 0;
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
        lasting2 += square(one->lasting_u);
    }
    if (number == 0)
        return;
    mean->usable = true;
    mean->log_ratio /= number;
    mean->current_A /= number;
    mean->voltage_V = voltage / number;
    mean->u = sqrt(squares / number);
    mean->lasting_u = sqrt(lasting2 / number);
    mean->u = averaged_u(mean, accuracy->current_resolution_A, number + (double)more);
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

/* The smallest fault stands clear of it, that way: a share more is less far on the
 * logarithm than a share less. */
static bool stands_clear(const struct reference *reference, const struct level_test *test)
{
    double share = reference->smallest_level_fault;
    double fault = test->deviation > 0 ? log1p(share) : -log1p(-share);
    double whole = sqrt(square(test->spread) + square(test->u));
    return level_outcome(test, share, LEVEL_GUARD) == VERDICT_GOOD &&
           fault - fabs(test->deviation) >= LEVEL_FAULT_DISTANCE * whole;
}

/* Within the limits by the guard band, too. */
static bool is_inside(const struct level_test *test)
{
    struct limits limits = {-test->limit, test->limit};
    return conformity_decide(&limits, test->deviation, guard_factor * test->u) == VERDICT_GOOD;
}

/* The smallest share of a fault of which the figure would stand clear, inside the
 * limits, of which half of it is the least. */
static double fault_told(const struct reference *reference, const struct level_test *test)
{
    struct reference other = *reference;
    struct level_test then = *test;
    double little = reference->smallest_level_fault;
    double enough = 0.9;
    for (int i = 0; i < FAULT_HALVINGS; i++) {
        double share = i == 0 ? little : 0.5 * (little + enough);
        other.smallest_level_fault = share;
        then.limit = fmax(test->limit, 0.5 * share);
        if (stands_clear(&other, &then) && is_inside(&then))
            enough = share;
        else
            little = share;
    }
    return enough;
}

/* The reference for a mean of so many power-ups. */
static struct reference averaged_reference(const struct reference *reference, double power_ups)
{
    struct reference averaged = *reference;
    averaged.level_common.predictive = averaged_spread(&reference->level_common, power_ups);
    averaged.level_own.predictive = averaged_spread(&reference->level_own, power_ups);
    return averaged;
}

static void take_levels(const struct reference *reference, const struct accuracy *accuracy,
                        const struct repeated_power_up *power_ups, size_t count, size_t more,
                        struct unit_means *means)
{
    *means = (struct unit_means){.kind = VERDICT_GOOD};
    if (!reference || reference->phase_count == 0)
        return;
    for (size_t i = 0; i < count; i++)
        means->power_ups += is_measured(&power_ups[i]) && power_ups[i].phase_count > 0;
    means->any = means->power_ups >= 2;
    const struct accuracy *reads = accuracy ? accuracy : &reference->accuracy;
    for (size_t p = 0; p < reference->phase_count && means->any; p++)
        average_level(reads, power_ups, count, more, p, &means->levels[p]);
}

void unit_means_take(const struct reference *reference, const struct accuracy *accuracy,
                     const struct repeated_power_up *power_ups, size_t count,
                     struct unit_means *means)
{
    take_levels(reference, accuracy, power_ups, count, 0, means);
    if (!means->any)
        return;
    struct reference averaged = averaged_reference(reference, (double)means->power_ups);
    size_t phases = reference->phase_count;
    double worst = -INFINITY;
    means->resolves = means->inside = true;
    for (size_t p = 0; p < phases; p++) {
        if (!level_is_judged(reference, p, reference->phases[p].noise_A))
            continue;
        if (!means->levels[p].usable) {
            means->resolves = false;
            means->unclear_test.u = INFINITY;
            means->unclear = p;
            continue;
        }
        struct level_test test = level_test_one(&averaged, means->levels, phases, p);
        take_worst(means, &test, p, &worst);
        means->fault_told = fmax(means->fault_told, fault_told(reference, &test));
        means->inside &= is_inside(&test);
        if (means->resolves && !stands_clear(reference, &test)) {
            means->resolves = false;
            means->unclear = p;
            means->unclear_test = test;
        }
    }
    struct level_test common = level_test_common(&averaged, means->levels, phases);
    take_worst(means, &common, phases - 1, &worst);
    means->inside &= is_inside(&common);
    if (!is_inside(&common))
        means->fault_told = fmax(means->fault_told, fault_told(reference, &common));
}

/* One figure as it is by the mean of `count` power-ups, and what it would be by so
 * many more: these stay in it, and of the rest it is known what these tell. */
struct outlook {
    struct level_test now, then;
    double count, more;
    double prior2; /* of the unit's own, before it was measured */
    bool clear;    /* the smallest fault has to stand clear of it */
};

static bool is_settled(const struct reference *reference, const struct outlook *outlook,
                       double deviation)
{
    struct level_test test = outlook->then;
    test.deviation = deviation;
    enum verdict_kind kind = kind_of(&test);
    return kind == VERDICT_BAD ||
           (kind == VERDICT_GOOD && (!outlook->clear || stands_clear(reference, &test)));
}

static bool outlook_settles(const struct reference *reference, const struct outlook *outlook)
{
    double whole = outlook->count + outlook->more;
    double stays = outlook->count / whole;
    /* What comes again is in the old ones and in the new ones alike. */
    double random2 = fmax(0, square(outlook->now.u) - square(outlook->then.u)) / (1 - stays);
    double repeated2 = fmax(0, square(outlook->now.u) - random2);
    double prior2 = outlook->prior2 + repeated2;
    double share = prior2 / (prior2 + random2);
    double middle = outlook->now.deviation * (stays + (1 - stays) * share);
    double anew2 = prior2 * (1 - share) + random2 * outlook->count / outlook->more;
    double about = (1 - stays) * sqrt(anew2);
    int settled = 0;
    for (int i = 0; i < QUANTILES; i++)
        settled += is_settled(reference, outlook,
                              middle + about * gsl_cdf_ugaussian_Pinv((i + 0.5) / QUANTILES));
    return settled >= ENOUGH;
}

bool unit_means_settle(const struct reference *reference, const struct accuracy *accuracy,
                       const struct repeated_power_up *power_ups, size_t count, size_t more)
{
    struct unit_means now;
    struct unit_means then;
    take_levels(reference, accuracy, power_ups, count, 0, &now);
    take_levels(reference, accuracy, power_ups, count, more, &then);
    if (!now.any || more == 0)
        return false;
    struct outlook outlook = {.count = (double)now.power_ups, .more = (double)more, .clear = true};
    struct reference by_now = averaged_reference(reference, outlook.count);
    struct reference by_then = averaged_reference(reference, outlook.count + outlook.more);
    size_t phases = reference->phase_count;
    /* The unit may be good, or it may not. */
    double off2 = square(0.5 * log1p(-reference->smallest_level_fault));
    for (size_t p = 0; p < phases; p++) {
        if (!level_is_judged(reference, p, reference->phases[p].noise_A))
            continue;
        if (!now.levels[p].usable)
            return false;
        outlook.now = level_test_one(&by_now, now.levels, phases, p);
        outlook.then = level_test_one(&by_then, then.levels, phases, p);
        outlook.prior2 = square(outlook.then.spread) + off2;
        if (!outlook_settles(reference, &outlook))
            return false;
    }
    outlook.now = level_test_common(&by_now, now.levels, phases);
    outlook.then = level_test_common(&by_then, then.levels, phases);
    outlook.prior2 = square(outlook.then.spread) + off2;
    outlook.clear = false;
    return outlook_settles(reference, &outlook);
}

/* How far voltages apart leave the load law's doubt between power-ups; what is the
 * same in all of them does not come between them. */
static double voltage_doubt(const struct reference *reference,
                            const struct repeated_power_up *power_ups, size_t count, size_t p)
{
    double least = INFINITY;
    double most = 0;
    for (size_t i = 0; i < count; i++) {
        const struct measured_level *level = &power_ups[i].levels[p];
        if (p >= power_ups[i].phase_count || !level->usable || !(level->voltage_V > 0))
            continue;
        least = fmin(least, level->voltage_V);
        most = fmax(most, level->voltage_V);
    }
    return most > 0 ? reference->phases[p].exponent_u * log(most / least) : 0;
}

/* How far a level lies from the mean of the other power-ups that are not bad. */
struct difference {
    bool known;
    double away, spread; /* standard deviation between power-ups of one kind */
    double fault;        /* the smallest, that way */
};

static struct difference difference_in(const struct reference *reference,
                                       const struct repeated_power_up *power_ups, size_t count,
                                       size_t which, size_t p)
{
    const struct measured_level *one = &power_ups[which].levels[p];
    double number = 0;
    double sum = 0;
    double squares = 0;
    for (size_t i = 0; i < count; i++) {
        const struct measured_level *other = &power_ups[i].levels[p];
        if (i == which || power_ups[i].kind == VERDICT_BAD || !is_measured(&power_ups[i]) ||
            p >= power_ups[i].phase_count || !other->usable)
            continue;
        number++;
        sum += other->log_ratio;
        squares += square(other->u);
    }
    if (number == 0 || p >= power_ups[which].phase_count || !one->usable)
        return (struct difference){.known = false};
    double within2 =
        spread_within2(&reference->level_common) + spread_within2(&reference->level_own);
    double spread2 = within2 + square(one->u) + (within2 + squares / number) / number +
                     square(voltage_doubt(reference, power_ups, count, p));
    double off = one->log_ratio - sum / number;
    double share = reference->smallest_level_fault;
    return (struct difference){.known = true,
                               .away = fabs(off),
                               .spread = sqrt(spread2),
                               .fault = off > 0 ? log1p(share) : -log1p(-share)};
}

static bool is_alike(const struct difference *difference)
{
    return difference->known &&
           difference->fault - difference->away >= LEVEL_FAULT_DISTANCE * difference->spread;
}

bool may_be_of_another_kind(const struct reference *reference,
                            const struct repeated_power_up *power_ups, size_t count, size_t which)
{
    const struct repeated_power_up *one = &power_ups[which];
    if (!reference || one->kind != VERDICT_BAD)
        return false;
    if (!is_measured(one) || one->reason.phase < 0)
        return true;
    struct difference difference =
        difference_in(reference, power_ups, count, which, (size_t)one->reason.phase);
    return !is_alike(&difference);
}

bool lies_apart(const struct reference *reference, const struct repeated_power_up *power_ups,
                size_t count, size_t which)
{
    for (size_t p = 0; reference && p < reference->phase_count; p++) {
        if (!level_is_judged(reference, p, reference->phases[p].noise_A))
            continue;
        struct difference difference = difference_in(reference, power_ups, count, which, p);
        double chance = gsl_cdf_ugaussian_Qinv(apart_tail / (double)count);
        if (difference.known &&
            difference.away > fmax(0.5 * difference.fault, chance * difference.spread))
            return true;
    }
    return false;
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
    double step = 2 * share_of_step(reads->current_resolution_A, reference->phases[p].level_A);
    double df = SPREAD_PRIOR_DF + reference->level_common.within_df;
    double u2 = square(step);
    size_t number = 0;
    for (size_t i = 0; i < count; i++) {
        const struct measured_level *level = &power_ups[i].levels[p];
        if (p >= power_ups[i].phase_count || !level->usable)
            continue;
        values[number++] = level->log_ratio;
        u2 = fmax(u2, square(level->u));
    }
    u2 += square(voltage_doubt(reference, power_ups, count, p));
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
                         square(share_of_step(reads->current_resolution_A, least)));
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
