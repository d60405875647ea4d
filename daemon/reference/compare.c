/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/compare.h"

#include "reference/follow.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

/* Between the power-ups of one supply: its gain, and the unit's temperature. */
static const double drift_share = 0.002;
/* Share of a shape's doubt that is common to all its readings. */
static const double shape_doubt = 0.8;
static const double limit_tail = 2.5e-5;
static const double limit_cap = 6.5;

static const double envelope_factor = 4, envelope_least = 0.04, envelope_most = 0.2;

static double square(double x)
{
    return x * x;
}

static double at_template_voltage(const struct level_view *view, const struct reading *reading)
{
    double exponent = view->phase->exponent;
    if (exponent == 0 || !(reading->voltage_V > 0.5 * view->compared_at_V))
        return reading->current_A;
    return reading->current_A * exp(-exponent * log(reading->voltage_V / view->compared_at_V));
}

void level_sum_add(struct level_sum *sum, const struct level_view *view, double since_s,
                   double slack_s, const struct reading *reading)
{
    double y = at_template_voltage(view, reading);
    struct shape_band band = follow_shape(view->phase, since_s, slack_s);
    double noise = 3 * view->noise_A;
    if (y < band.low_A - view->wide * fabs(band.low_A) - noise ||
        y > band.high_A + view->wide * fabs(band.high_A) + noise)
        return;
    if (sum->count == 0 || reading->current_A != sum->last_A)
        sum->changes++;
    sum->last_A = reading->current_A;
    bool above = y > band.mean_A;
    sum->crossings += sum->count > 0 && above != sum->above;
    sum->above = above;
    bool pulses = view->phase->kind == PHASE_PERIODIC;
    double own = fmax(view->noise_A, view->phase->spread_A);
    double doubt = pulses ? 0 : (band.high_A - band.low_A) / 3;
    double weight = 1 / (square(own) + square(doubt));
    sum->weighted += weight * y * band.mean_A;
    sum->shape_squares += weight * square(band.mean_A);
    sum->noise_squares += square(weight * band.mean_A * own);
    sum->doubt += weight * fabs(band.mean_A) * doubt;
    sum->current_A += reading->current_A;
    if (!isnan(reading->voltage_V)) {
        sum->voltage_V += reading->voltage_V;
        sum->voltages++;
    }
    sum->count++;
}

/* Share of the quantisation's variance that no averaging takes away, by how far
 * the noise beneath dithers it: exp(-4 pi^2 (s/q)^2). */
static double quantisation_left(double noise_A, double resolution_A, double *own2)
{
    double steps2 = square(resolution_A) / 12;
    *own2 = fmax(0, square(noise_A) - steps2);
    return resolution_A > 0 ? exp(-4 * square(M_PI) * *own2 / square(resolution_A)) : 0;
}

/* Pulses are regular: how well their mean repeats was learned; before that each
 * pulse counts once. */
static double pulse_uncertainty(const struct level_sum *sum, const struct level_view *view,
                                double size_A)
{
    if (view->phase->pulse_u > 0)
        return view->phase->pulse_u;
    double pulses = 1 + 0.5 * (double)sum->crossings;
    return view->phase->spread_A / size_A / sqrt(pulses);
}

struct measured_level level_measure(const struct level_sum *sum, const struct level_view *view,
                                    double resolution_A)
{
    struct measured_level level = {.usable = false, .voltage_V = NAN, .effective = 0};
    if (sum->count == 0)
        return level;
    double count = (double)sum->count;
    level.current_A = sum->current_A / count;
    if (sum->voltages > 0)
        level.voltage_V = sum->voltage_V / (double)sum->voltages;
    if (!(sum->shape_squares > 0) || !(sum->weighted > 0))
        return level;
    level.usable = true;
    level.log_ratio = log(sum->weighted / sum->shape_squares);
    /* Repeats are not new evidence: either one conversion read twice, or a
     * draw that stands still between two counts. */
    level.effective = (double)sum->changes;
    double own2 = 0;
    double left = quantisation_left(view->noise_A, resolution_A, &own2);
    double steps2 = square(resolution_A) / 12;
    double size = fmax(fabs(level.current_A), 1e-9);
    /* What dithers is averaged away; what does not stays however long it lasts. */
    double averaged = (own2 + steps2 * (1 - left)) / fmax(square(view->noise_A), 1e-18);
    double noise2 = sum->noise_squares / square(sum->shape_squares) * count / level.effective;
    double shape = shape_doubt * sum->doubt / sum->shape_squares;
    level.u = sqrt(noise2 * averaged + square(shape) + steps2 * left / square(size));
    if (view->phase->kind == PHASE_PERIODIC)
        level.u = pulse_uncertainty(sum, view, size);
    if (!isnan(view->compared_at_V) && level.voltage_V > 0)
        level.voltage_u =
            view->phase->exponent_u * fabs(log(level.voltage_V / view->compared_at_V));
    return level;
}

double reference_envelope(const struct reference *reference)
{
    double spread =
        sqrt(square(reference->level_common.predictive) + square(reference->level_own.predictive));
    return fmin(fmax(envelope_factor * spread, envelope_least), envelope_most);
}

double level_limit_factor(double df)
{
    return fmin(gsl_cdf_tdist_Qinv(limit_tail, fmax(df, 1)), limit_cap);
}

/* A phase's own deviation as seen: its spread, what is not known of the
 * template, of the load law and of the measurement. */
static double own_variance(const struct reference *reference, const struct measured_level *level,
                           size_t phase)
{
    return square(reference->level_own.predictive) + square(reference->phases[phase].uncertainty) +
           square(level->voltage_u) + square(drift_share);
}

static double combined_df(double a, double a_df, double b, double b_df)
{
    double sum = a + b;
    return square(sum) / (a * a / fmax(a_df, 1) + b * b / fmax(b_df, 1));
}

struct level_test level_test_one(const struct reference *reference,
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
    test.u = levels[j].u;
    test.limit = fmax(level_limit_factor(test.spread_df) * test.spread,
                      0.5 * reference->smallest_level_fault);
    return test;
}

struct level_test level_test_common(const struct reference *reference,
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
    struct level_test test = {.limit = INFINITY};
    if (weight_sum <= 0)
        return test;
    test.deviation = sum / weight_sum;
    test.spread = sqrt(square(reference->level_common.predictive) + 1 / spread_precision);
    test.spread_df = reference->level_common.predictive_df;
    test.u = sqrt(measured) / weight_sum;
    test.limit = fmax(level_limit_factor(test.spread_df) * test.spread,
                      0.5 * reference->smallest_level_fault);
    return test;
}
