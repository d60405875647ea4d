/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/what_if.h"

#include "reference/rates.h"
#include "verdict/repeated_means.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

static const double finest = 1e-3;   /* of the readback's step, looked at */
static const double most_often = 64; /* times as many readings */
enum { QUANTILES = 21, ENOUGH = 20, HALVINGS = 11 };
enum { FEWEST_IN_PHASE = 6, MOST_POWER_UPS = 30, MOST_KNOWN_GOODS = 16 };

static double square(double x)
{
    return x * x;
}

enum verdict_kind level_outcome(const struct level_test *test, double fault_share, double guard)
{
    double fault = -log1p(-fault_share);
    double away = fabs(test->deviation);
    if (away - guard * test->u > test->limit)
        return VERDICT_BAD;
    double whole = sqrt(square(test->spread) + square(test->u));
    bool clear =
        fault / whole >= LEVEL_RESOLVABLE && (fault - away) / whole >= LEVEL_FAULT_DISTANCE;
    return clear && away <= test->limit ? VERDICT_GOOD : VERDICT_UNSURE;
}

struct what_if what_if_of(const struct judge *judge)
{
    return (struct what_if){.judge = judge,
                            .reference = judge->reference,
                            .step_A = judge->accuracy.current_resolution_A};
}

/* Other circumstances. */
struct circumstances {
    double step_A;
    double often;     /* so many times the readings */
    bool taught;      /* the known-goods were measured so, too */
    double power_ups; /* of the unit, judged together */
    int more_units;
};

/* Readings beneath which the noise dithers the least, in the middle of a step,
 * seldom change: so many changes at least are seen. */
static double changes_seen(const struct level_sum *sum, double count, double own2, double step_A)
{
    double stays = step_A > 0 && own2 > 0 ? 2 * gsl_cdf_ugaussian_P(0.5 * step_A / sqrt(own2)) - 1
                                          : (step_A > 0 ? 1 : 0);
    return fmax((double)sum->changes, 1 + (count - 1) * (1 - square(stays)));
}

/* A phase too short for its level to be measured: as so many readings would. */
static struct measured_level unseen_so(const struct what_if *world, size_t p,
                                       const struct circumstances *so)
{
    const struct reference_phase *phase = &world->reference->phases[p];
    struct measured_level level = {.usable = false, .voltage_V = NAN};
    double readings =
        floor(so->often * phase->duration_low_s / world->reference->reading_interval_s) - 2;
    if (!(readings >= 1))
        return level;
    level.usable = true;
    level.current_A = phase->level_A;
    level.u =
        template_noise_A(world->reference, p, so->step_A) / fabs(phase->level_A) / sqrt(readings);
    return level;
}

static struct measured_level measured_so(const struct what_if *world, size_t p,
                                         const struct circumstances *so)
{
    const struct template_judge *template = world->judge->template;
    const struct phase_sum *phase_sum = &template->sums[p];
    struct measured_level level = template->levels[p];
    if (!level.usable)
        return so->power_ups > 1 ? level : unseen_so(world, p, so);
    if (so->step_A == world->step_A && so->often == 1)
        return level;
    struct level_view view = template_view(world->judge, p, phase_sum->from, phase_sum->to);
    struct level_sum sum = phase_sum->sum;
    double before = fmax(view.noise_A, view.phase->spread_A);
    view.noise_A = template_noise_A(world->reference, p, so->step_A);
    struct reference_phase phase = *view.phase;
    if (so->taught) {
        double gone2 = (square(world->step_A) - square(so->step_A)) / 12;
        view.noise_A = sqrt(fmax(square(view.noise_A) - gone2, square(so->step_A) / 12));
        view.noise_A = fmax(view.noise_A, 1e-6);
        phase.spread_A = sqrt(fmax(square(phase.spread_A) - gone2, square(view.noise_A)));
        view.phase = &phase;
    }
    level_view_noise(&view, view.noise_A, so->step_A);
    double own2 = fmax(0, square(view.noise_A) - square(so->step_A) / 12);
    double weight = square(before / fmax(view.noise_A, phase.spread_A)) * so->often;
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            sum.squares[i][j] *= weight;
        sum.products[i] *= weight;
    }
    sum.doubt *= weight;
    double often = so->often;
    sum.changes = (size_t)changes_seen(&sum, often * (double)sum.count, own2, so->step_A);
    sum.count = (size_t)(often * (double)sum.count);
    sum.current_A *= often;
    sum.current_offsets *= often;
    sum.current_squares *= often;
    struct measured_level other = level_measure(&sum, &view);
    level.u = other.usable ? other.u : level.u;
    return level;
}

/* The reference and the levels as they would be. */
struct supposed {
    struct reference reference;
    struct reference_phase phases[REFERENCE_MOST_PHASES];
    struct measured_level levels[REFERENCE_MOST_PHASES];
    double shift; /* of the template, by the known-goods added; standard deviation, share */
};

static void suppose(const struct what_if *world, const struct circumstances *so,
                    struct supposed *supposed)
{
    const struct reference *reference = world->reference;
    supposed->reference = reference_with_more(reference, so->more_units, supposed->phases);
    supposed->shift = 0;
    double n = fmax(1, (double)reference->unit_count);
    double taught = fmax(1, reference->power_ups);
    if (so->more_units > 0)
        supposed->shift = reference->level_own.predictive * sqrt(1 / n - 1 / (n + so->more_units));
    else
        supposed->reference = *reference;
    supposed->reference.phases = supposed->phases;
    if (so->power_ups > 1) {
        supposed->reference.level_common.predictive =
            averaged_spread(&reference->level_common, so->power_ups);
        supposed->reference.level_own.predictive =
            averaged_spread(&reference->level_own, so->power_ups);
    }
    for (size_t p = 0; p < reference->phase_count; p++) {
        struct reference_phase *phase = &supposed->phases[p];
        struct measured_level *level = &supposed->levels[p];
        *level = measured_so(world, p, so);
        if (so->taught && level->usable)
            phase->uncertainty = fmin(phase->uncertainty, level->u / sqrt(taught));
        if (so->power_ups > 1)
            level->u = averaged_u(level, world->step_A, so->power_ups);
    }
}

/* What the readback's steps hid when the template was taught is not seen until a
 * finer readback looks. */
static double template_bias2(const struct what_if *world, const struct circumstances *so, size_t p)
{
    const struct reference_phase *phase = &world->reference->phases[p];
    double step = world->reference->accuracy.current_resolution_A;
    if (so->taught || !(so->step_A < step))
        return 0;
    double hidden2 = square(step / fabs(phase->level_A)) / 12;
    double taught = fmax(1, world->reference->power_ups);
    return fmin(hidden2, square(phase->uncertainty) * taught);
}

/* Settled in nearly all of what a deviation about `middle` leaves probable. */
static bool settles_about(const struct level_test *test, double middle, double about,
                          double fault_share, double guard)
{
    int settled = 0;
    for (int i = 0; i < QUANTILES; i++) {
        struct level_test one = *test;
        one.deviation = middle + about * gsl_cdf_ugaussian_Pinv((i + 0.5) / QUANTILES);
        settled += level_outcome(&one, fault_share, guard) != VERDICT_UNSURE;
    }
    return settled >= ENOUGH;
}

/* Whether it would be settled in nearly all of what is probable. */
static bool settles_phase(const struct what_if *world, const struct circumstances *so,
                          const struct supposed *supposed, size_t p)
{
    const struct reference *reference = world->reference;
    struct level_test test =
        level_test_one(&supposed->reference, supposed->levels, reference->phase_count, p);
    bool anew = so->more_units == 0;
    double known_u = world->judge->template->levels[p].usable ? world->judge->template->levels[p].u
                                                              : (double)INFINITY;
    /* Before it is measured the unit may be good, or it may not. */
    double prior2 = square(test.spread) + square(0.5 * log1p(-reference->smallest_level_fault));
    double share = isinf(known_u) ? 0 : prior2 / (prior2 + square(known_u));
    double middle = anew ? share * test.deviation : test.deviation;
    double left2 = anew ? prior2 * (1 - share) + square(test.u) : 0;
    double about = sqrt(left2 + square(supposed->shift) + template_bias2(world, so, p));
    double guard = p + 1 == reference->phase_count ? GUARD_RUNNING : LEVEL_GUARD;
    return settles_about(&test, middle, about, reference->smallest_level_fault, guard);
}

static bool settles(const struct what_if *world, const struct circumstances *so)
{
    struct supposed supposed;
    suppose(world, so, &supposed);
    for (size_t p = 0; p < world->reference->phase_count; p++) {
        if (!level_is_judged(world->reference, p, world->judge->template->noise_A[p]))
            continue;
        if (!supposed.levels[p].usable || !settles_phase(world, so, &supposed, p))
            return false;
    }
    return true;
}

static struct circumstances as_it_is(const struct what_if *world)
{
    return (struct circumstances){.step_A = world->step_A, .often = 1, .power_ups = 1};
}

double what_if_resolution_A(const struct what_if *world, bool taught)
{
    struct circumstances so = as_it_is(world);
    if (!(world->step_A > 0))
        return NAN;
    so.taught = taught;
    double enough = log(finest * world->step_A);
    double little = log(world->step_A);
    so.step_A = exp(enough);
    if (!settles(world, &so))
        return NAN;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = 0.5 * (enough + little);
        so.step_A = exp(middle);
        if (settles(world, &so))
            enough = middle;
        else
            little = middle;
    }
    return exp(enough);
}

double what_if_interval_s(const struct what_if *world)
{
    struct circumstances so = as_it_is(world);
    so.taught = true;
    double enough = log(most_often);
    double little = 0;
    so.often = most_often;
    if (!(world->reference->reading_interval_s > 0) || !settles(world, &so))
        return NAN;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = 0.5 * (enough + little);
        so.often = exp(middle);
        if (settles(world, &so))
            enough = middle;
        else
            little = middle;
    }
    return world->reference->reading_interval_s / exp(enough);
}

double what_if_seen_interval_s(const struct what_if *world)
{
    double interval = world->reference->reading_interval_s;
    for (size_t p = 0; p + 1 < world->reference->phase_count; p++)
        if (level_is_judged(world->reference, p, world->judge->template->noise_A[p]) &&
            !world->judge->template->levels[p].usable)
            interval = fmin(interval, world->reference->phases[p].duration_low_s / FEWEST_IN_PHASE);
    return interval;
}

/* The least that settles it, up to `most`: more of them never tell less. */
static int least_that_settles(const struct what_if *world, int most,
                              void (*set)(struct circumstances *so, int more))
{
    struct circumstances so = as_it_is(world);
    set(&so, most);
    if (!settles(world, &so))
        return 0;
    int enough = most;
    int little = 0;
    while (enough - little > 1) {
        int middle = (enough + little) / 2;
        set(&so, middle);
        if (settles(world, &so))
            enough = middle;
        else
            little = middle;
    }
    return enough;
}

static void set_power_ups(struct circumstances *so, int more)
{
    so->power_ups = 1 + more;
}

static void set_more_units(struct circumstances *so, int more)
{
    so->more_units = more;
}

int what_if_power_ups(const struct what_if *world)
{
    return least_that_settles(world, MOST_POWER_UPS, set_power_ups);
}

int what_if_known_goods(const struct what_if *world)
{
    return least_that_settles(world, MOST_KNOWN_GOODS, set_more_units);
}

/* These very readings, asked for a larger fault. */
static bool tells_fault(const struct what_if *world, double share)
{
    const struct template_judge *template = world->judge->template;
    struct reference asked = *world->reference;
    asked.smallest_level_fault = share;
    for (size_t p = 0; p < asked.phase_count; p++) {
        if (!level_is_judged(world->reference, p, world->judge->template->noise_A[p]))
            continue;
        if (!template->levels[p].usable)
            return false;
        struct level_test test = level_test_one(&asked, template->levels, asked.phase_count, p);
        double guard = p + 1 == asked.phase_count ? GUARD_RUNNING : LEVEL_GUARD;
        if (level_outcome(&test, share, guard) == VERDICT_UNSURE)
            return false;
    }
    return true;
}

double what_if_fault_share(const struct what_if *world)
{
    double little = world->reference->smallest_level_fault;
    double enough = 0.9;
    if (!tells_fault(world, enough))
        return NAN;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = 0.5 * (enough + little);
        if (tells_fault(world, middle))
            enough = middle;
        else
            little = middle;
    }
    return enough;
}

double what_if_fault_of_mean(const struct level_test *test, double least_share)
{
    double little = least_share;
    double enough = 0.9;
    for (int i = 0; i < 2 * HALVINGS; i++) {
        double middle = 0.5 * (enough + little);
        struct level_test then = *test;
        then.limit = fmax(test->limit, 0.5 * middle);
        if (level_outcome(&then, middle, LEVEL_GUARD) == VERDICT_GOOD)
            enough = middle;
        else
            little = middle;
    }
    return enough;
}
