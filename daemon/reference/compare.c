/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/compare.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

/* Between the power-ups of one supply: its gain, and the unit's temperature. */
static const double drift_share = 0.002;
static const double one_tail = 1.5e-4;
static const double limit_cap = 6.5, capped_tests = 5; /* with four phases */

static const double envelope_tail = 2.5e-5;              /* of one reading's shape */
static const double small_share = 0.02, small_noise = 4; /* levels not judged */
static const double asleep_share_u = 0.2,
                    asleep_counts = 0.25; /* of the smallest fault; it of a count */
static const double envelope_least = 0.04, envelope_most = 0.2;

static double square(double x)
{
    return x * x;
}

double reference_envelope(const struct reference *reference)
{
    double spread =
        sqrt(square(reference->level_common.predictive) + square(reference->level_own.predictive));
    double df = fmin(reference->level_common.predictive_df, reference->level_own.predictive_df);
    return fmin(fmax(fmin(gsl_cdf_tdist_Qinv(envelope_tail, fmax(df, 1)), limit_cap) * spread,
                     envelope_least),
                envelope_most);
}

double level_tests(const struct reference *reference)
{
    return (double)reference->phase_count + 1;
}

double duration_tests(const struct reference *reference)
{
    /* Half the levels' chance: a duration has no guard band. */
    return fmax(1, 2 * ((double)reference->phase_count - 1));
}

double level_limit_factor(double df, double tests)
{
    double least_df = fmax(df, 1);
    /* The cap, too, is for all the tests together. */
    double capped = gsl_cdf_tdist_Q(limit_cap, least_df) * capped_tests / tests;
    return gsl_cdf_tdist_Qinv(fmax(one_tail / tests, capped), least_df);
}

double limit_tail(double factor, double df)
{
    return 2 * gsl_cdf_tdist_Q(factor, fmax(df, 1));
}

/* A phase's own deviation as seen: its spread, what is not known of the
 * template, of the load law and of the measurement. */
static double own_variance(const struct reference *reference, const struct measured_level *level,
                           size_t phase)
{
    return square(reference->level_own.predictive) + square(reference->phases[phase].uncertainty) +
           square(level->voltage_u) + square(drift_share);
}

bool level_is_judged(const struct reference *reference, size_t p, double noise_A)
{
    double largest = 0;
    for (size_t k = 0; k < reference->phase_count; k++)
        largest = fmax(largest, fabs(reference->phases[k].level_A));
    const struct reference_phase *phase = &reference->phases[p];
    double level = fabs(phase->level_A);
    /* Asleep, what one power-up can tell of so little; else that it sleeps is all. */
    if (reference_is_sleep(reference, p))
        return phase->repeat_u < asleep_share_u * reference->smallest_level_fault &&
               reference->smallest_level_fault * level >
                   asleep_counts * reference->accuracy.current_resolution_A &&
               noise_A < 2 * phase->noise_A;
    return level > small_share * largest || level > small_noise * noise_A;
}

/* Degrees of freedom of a variance that rests on two learned ones by a and b. */
static double combined_df(double a, double a_df, double b, double b_df)
{
    double sum = a + b;
    return square(sum) / (a * a / fmax(a_df, 1) + b * b / fmax(b_df, 1));
}

struct level_test level_deviation_one(const struct reference *reference,
                                      const struct measured_level *levels, size_t count, size_t j)
{
    double common = square(reference->level_common.predictive);
    double precision = 1 / fmax(common, 1e-12);
    double sum = 0;
    for (size_t k = 0; k < count; k++) {
        if (k == j || !levels[k].usable)
            continue;
        double weight = 1 / (own_variance(reference, &levels[k], k) + square(levels[k].u));
        precision += weight;
        sum += weight * levels[k].log_ratio;
    }
    struct level_test test = {0};
    double own = own_variance(reference, &levels[j], j);
    test.deviation = levels[j].log_ratio - sum / precision;
    test.spread = sqrt(own + 1 / precision);
    /* Where the others tell little, the common factor's own spread stands in. */
    test.spread_df = combined_df(own, reference->level_own.predictive_df, 1 / precision,
                                 reference->level_common.predictive_df);
    /* What the others tell of the common factor rests on their own deviations, but
     * for the part that the common factor's own spread makes good. */
    double by_common = 1 / (square(precision) * fmax(common, 1e-12));
    test.rate_df = combined_df(own + 1 / precision - by_common, reference->level_own.predictive_df,
                               by_common, reference->level_common.predictive_df);
    test.u = levels[j].u;
    return test;
}

struct level_test level_deviation_common(const struct reference *reference,
                                         const struct measured_level *levels, size_t count)
{
    double spread_precision = 0;
    double weight_sum = 0;
    double sum = 0;
    double measured = 0;
    for (size_t k = 0; k < count; k++) {
        if (!levels[k].usable)
            continue;
        double own = own_variance(reference, &levels[k], k);
        double weight = 1 / (own + square(levels[k].u));
        spread_precision += weight;
        weight_sum += weight;
        sum += weight * levels[k].log_ratio;
        measured += square(weight * levels[k].u);
    }
    struct level_test test = {0};
    if (weight_sum <= 0)
        return test;
    test.deviation = sum / weight_sum;
    test.spread = sqrt(square(reference->level_common.predictive) + 1 / spread_precision);
    test.spread_df = test.rate_df = reference->level_common.predictive_df;
    test.u = sqrt(measured) / weight_sum;
    return test;
}

double level_test_limit(const struct reference *reference, const struct level_test *test)
{
    return fmax(level_limit_factor(test->spread_df, level_tests(reference)) * test->spread,
                0.5 * reference->smallest_level_fault);
}

bool level_test_exceeds(const struct reference *reference, const struct level_test *test,
                        double guard, double *excess)
{
    *excess = 0;
    double beyond = fabs(test->deviation) - guard * test->u;
    /* Half the smallest fault is always allowed: most tests end here. */
    if (beyond <= 0.5 * reference->smallest_level_fault)
        return false;
    *excess = beyond - level_test_limit(reference, test);
    return *excess > 0;
}

struct level_test level_test_one(const struct reference *reference,
                                 const struct measured_level *levels, size_t count, size_t j)
{
    struct level_test test = level_deviation_one(reference, levels, count, j);
    test.limit = level_test_limit(reference, &test);
    return test;
}

struct level_test level_test_common(const struct reference *reference,
                                    const struct measured_level *levels, size_t count)
{
    struct level_test test = level_deviation_common(reference, levels, count);
    test.limit = level_test_limit(reference, &test);
    return test;
}
