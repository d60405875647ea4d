/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/rates.h"

#include "reference/spread.h"

#include <math.h>
#include <string.h>

enum { MOST_MORE_UNITS = 20 };

static double square(double x)
{
    return x * x;
}

static double smallest_fault(const struct reference *reference)
{
    return -log(1 - reference->smallest_level_fault);
}

/* The levels of a power-up that is just as the template says, as well measured
 * as the known-goods' were. */
static void typical_levels(const struct reference *reference, struct measured_level *levels)
{
    double power_ups = fmax(reference->power_ups, 1);
    for (size_t p = 0; p < reference->phase_count; p++) {
        double u = reference->phases[p].uncertainty * sqrt(power_ups);
        levels[p] = (struct measured_level){.usable = isfinite(u) && u < 1, .u = u};
    }
}

static double whole_of(const struct level_test *test)
{
    return sqrt(square(test->spread) + square(test->u));
}

struct phase_view reference_phase_view(const struct reference *reference, size_t phase)
{
    struct measured_level levels[REFERENCE_MOST_PHASES];
    typical_levels(reference, levels);
    struct phase_view view = {.smallest = 1};
    if (!levels[phase].usable)
        return view;
    view.test = level_test_one(reference, levels, reference->phase_count, phase);
    view.smallest = 1 - exp(-LEVEL_RESOLVABLE * whole_of(&view.test));
    return view;
}

/* Chance that a good unit measures beyond the limit and its guard band. */
static double beyond_limit(const struct level_test *test)
{
    return limit_tail((test->limit + LEVEL_GUARD * test->u) / whole_of(test), test->rate_df);
}

/* A level too high is nearer to a good one, on the logarithm, than one as much
 * too low, by which verdicts go. */
static double missed_in(const struct level_test *test, const struct reference *reference)
{
    double whole = whole_of(test);
    double accepted = fmin(test->limit, smallest_fault(reference) - LEVEL_FAULT_DISTANCE * whole);
    double nearest = log1p(reference->smallest_level_fault);
    return 0.5 * limit_tail((nearest - accepted) / whole, test->rate_df);
}

static void rate_levels(const struct reference *reference, struct reference_rates *rates)
{
    struct measured_level levels[REFERENCE_MOST_PHASES];
    typical_levels(reference, levels);
    struct level_test common = level_test_common(reference, levels, reference->phase_count);
    double beyond = common.spread > 0 ? beyond_limit(&common) : 0;
    for (size_t p = 0; p < reference->phase_count; p++) {
        struct phase_view view = reference_phase_view(reference, p);
        if (!levels[p].usable)
            continue;
        beyond += beyond_limit(&view.test);
        if (view.smallest <= reference->smallest_level_fault)
            rates->missed_level = fmax(rates->missed_level, missed_in(&view.test, reference));
    }
    rates->false_bad_levels = fmin(1, beyond);
}

static void rate_durations(const struct reference *reference, struct reference_rates *rates)
{
    const struct spread *spread = &reference->duration;
    double longer = log(reference->smallest_duration_fault);
    double beyond = 0;
    for (size_t p = 0; p + 1 < reference->phase_count; p++) {
        const struct reference_phase *phase = &reference->phases[p];
        double limit = log(phase->duration_high_s / phase->duration_s);
        beyond += limit_tail(limit / spread->predictive, spread->predictive_df);
        double room = fmax(longer - limit, 0) / spread->predictive;
        rates->missed_duration =
            fmax(rates->missed_duration, 0.5 * limit_tail(room, spread->predictive_df));
    }
    rates->false_bad_times = fmin(1, beyond);
}

struct reference_rates reference_rates(const struct reference *reference)
{
    struct reference_rates rates = {NAN, NAN, NAN, NAN};
    if (reference->phase_count == 0)
        return rates;
    rate_levels(reference, &rates);
    rate_durations(reference, &rates);
    return rates;
}

double resolution_needed_A(const struct reference *reference, const struct level_test *test,
                           double level_A)
{
    double room = square(smallest_fault(reference) / LEVEL_RESOLVABLE) - square(test->spread);
    if (!(room > 0) || !(fabs(level_A) > 0))
        return NAN;
    double needed = sqrt(room * 12) * fabs(level_A) / 1.2;
    double decade = pow(10, floor(log10(needed)));
    double digit = needed / decade;
    return decade * (digit >= 5 ? 5 : digit >= 2 ? 2 : 1);
}

struct reference reference_with_more(const struct reference *reference, double more,
                                     struct reference_phase *phases)
{
    struct reference next = *reference;
    double units = fmax((double)reference->unit_count, 1);
    double each = fmax(reference->power_ups, 1) / units;
    double others = fmax((double)reference->phase_count - 1, 1);
    next.level_common = spread_with_more(&reference->level_common, units, each, more, 1);
    spread_predict(&next.level_common, units + more + reference->range_weight, each);
    next.level_own = spread_with_more(&reference->level_own, units, each, more, others);
    next.duration = spread_with_more(&reference->duration, units, each, more, others);
    next.phases = phases;
    memcpy(phases, reference->phases, reference->phase_count * sizeof *phases);
    for (size_t p = 0; p < reference->phase_count; p++)
        phases[p].uncertainty *= sqrt(units / (units + more));
    next.power_ups = (int)lround(each * (units + more));
    next.unit_count = reference->unit_count + (size_t)more;
    return next;
}

int more_units_needed(const struct reference *reference, const struct measured_level *levels,
                      size_t count, size_t p)
{
    double fault = smallest_fault(reference);
    for (int more = 1; levels[p].usable && more <= MOST_MORE_UNITS; more++) {
        struct reference_phase phases[REFERENCE_MOST_PHASES];
        struct reference next = reference_with_more(reference, more, phases);
        struct level_test test = level_test_one(&next, levels, count, p);
        double whole = whole_of(&test);
        if (fault / whole >= LEVEL_RESOLVABLE &&
            (fault - fabs(test.deviation)) / whole >= LEVEL_FAULT_DISTANCE &&
            fabs(test.deviation) <= test.limit)
            return more;
    }
    return 0;
}
