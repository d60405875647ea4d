/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/level.h"

#include "reference/follow.h"

#include <math.h>

/* Share of a shape's own doubt that is common to all its readings. */
static const double shape_doubt = 0.3;

/* Departures from a shape come in about so many independent pieces. */
static const double misfits_in_shape = 5;

static const double passing_share = 0.06;
static const double plateau_room = 0.4; /* of the way from one to the other */

static const double up_share = 0.85;       /* of the voltage: it has come up */
static const double rise_most_s = 0.5;     /* what is low for longer is no rise */
static const double mixed_within_s = 0.07; /* a conversion's time, at most */

static double square(double x)
{
    return x * x;
}

/* fmin() and fmax() mind NANs, and are called. A NAN gives the second. */
static inline double smaller(double a, double b)
{
    return a < b ? a : b;
}

static inline double larger(double a, double b)
{
    return a > b ? a : b;
}

bool fresh_take(struct fresh *fresh, double refresh_s, const struct reading *reading)
{
    bool same = fresh->any && reading->current_A == fresh->current_A &&
                (reading->voltage_V == fresh->voltage_V || isnan(reading->voltage_V));
    if (same && reading->time_s - fresh->since_s < refresh_s)
        return false;
    *fresh = (struct fresh){reading->current_A, reading->voltage_V, reading->time_s, true};
    return true;
}

bool rise_passed(struct rise *rise, double settled_V, double since_onset_s, double voltage_V)
{
    if (rise->over)
        return true;
    if (isnan(settled_V) || isnan(voltage_V) || since_onset_s > rise_most_s) {
        rise->over = true;
        return true;
    }
    if (voltage_V < up_share * settled_V) {
        rise->low_seen = true;
        rise->low_s = since_onset_s;
        /* The first of them tell when it began, and cost nothing. */
        return since_onset_s < INRUSH_S;
    }
    rise->over = true;
    return !rise->low_seen || since_onset_s - rise->low_s > mixed_within_s;
}

void level_view_place(struct level_view *view, const struct phase_span *span)
{
    double typical_s = view->phase->duration_s;
    view->slack_s = span->from_s - span->before_s;
    view->began_s = span->from_s - 0.5 * view->slack_s;
    view->pace = 1;
    view->end_slack_s = 0;
    double ended_s = 0.5 * (span->to_s + span->until_s);
    if (!view->phase->paced || !span->over || !(ended_s > view->began_s))
        return;
    view->pace = typical_s / (ended_s - view->began_s);
    view->end_slack_s = span->to_s - span->until_s;
}

static double at_template_voltage(const struct level_view *view, const struct reading *reading)
{
    double exponent = view->phase->exponent;
    if (exponent == 0 || !(reading->voltage_V > 0.5 * view->compared_at_V))
        return reading->current_A;
    return reading->current_A * exp(-exponent * log(reading->voltage_V / view->compared_at_V));
}

/* How steep the shape is there, over a cell to both sides. */
static double slope_at(const struct reference_phase *phase, double since_s)
{
    if (phase->cell_count < 2)
        return 0;
    double before = fmax(since_s - phase->cell_s, 0);
    double after = since_s + phase->cell_s;
    double rise = follow_shape(phase, after, 0).mean_A - follow_shape(phase, before, 0).mean_A;
    return rise / (after - before);
}

static bool is_near(const struct level_view *view, const struct shape_band *band, double slope,
                    double since_s, double y)
{
    double stretch = view->end_slack_s > 0 ? view->end_slack_s : 3 * view->stretch * since_s;
    double timing = fabs(slope) * (view->slack_s + stretch);
    double noise = 3 * view->noise_A + timing;
    return y >= band->low_A - view->wide * fabs(band->low_A) - noise &&
           y <= band->high_A + view->wide * fabs(band->high_A) + noise;
}

/* On the way to a steady level (inrush, an edge) a reading tells more of its
 * instant than of the level. */
static bool is_passing(const struct level_view *view, const struct shape_band *band, double slope)
{
    double much = passing_share * fabs(band->mean_A) + 3 * view->noise_A;
    return view->phase->kind == PHASE_LEVEL &&
           (band->high_A - band->low_A > much || fabs(slope) * view->slack_s > much);
}

bool level_has_plateaus(const struct reference_phase *phase)
{
    return phase->kind == PHASE_PERIODIC && (phase->pulse_low_A != 0 || phase->pulse_high_A != 0);
}

/* The level a reading of pulses stands at; 0: it is on its way from one to the
 * other. */
static double plateau_of(const struct level_view *view, double y)
{
    double low = view->phase->pulse_low_A;
    double high = view->phase->pulse_high_A;
    double nearest = low == 0                         ? high
                     : high == 0                      ? low
                     : fabs(y - low) < fabs(y - high) ? low
                                                      : high;
    double room = view->wide * fabs(nearest) + 3 * view->noise_A;
    if (low != 0 && high != 0)
        room = fmin(room, plateau_room * fabs(high - low));
    return fabs(y - nearest) <= room ? nearest : 0;
}

void level_sum_add(struct level_sum *sum, const struct level_view *view, double time_s,
                   const struct reading *reading)
{
    double since_s = (time_s - view->began_s) * view->pace - view->lead_s;
    double y = at_template_voltage(view, reading);
    struct shape_band band = follow_shape(view->phase, since_s, 0);
    double slope = slope_at(view->phase, since_s);
    bool plateaus = level_has_plateaus(view->phase);
    if (plateaus) {
        double stands_at = plateau_of(view, y);
        if (stands_at == 0)
            return;
        band = (struct shape_band){stands_at, stands_at, stands_at};
    }
    if (!is_near(view, &band, slope, since_s, y) || is_passing(view, &band, slope))
        return;
    if (sum->count == 0 || reading->current_A != sum->last_A)
        sum->changes++;
    sum->last_A = reading->current_A;
    bool above = y > band.mean_A;
    sum->crossings += sum->count > 0 && above != sum->above;
    sum->above = above;
    bool pulses = view->phase->kind == PHASE_PERIODIC;
    double own = plateaus ? view->noise_A : larger(view->noise_A, view->phase->spread_A);
    double doubt = pulses ? 0 : (band.high_A - band.low_A) / 3;
    double weight = 1 / (square(own) + square(doubt));
    double regressors[3] = {band.mean_A, -slope, -slope * since_s};
    if (view->end_slack_s > 0) {
        double part = fmin(fmax((since_s + view->lead_s) / view->phase->duration_s, 0), 1);
        regressors[1] = -slope * (1 - part);
        regressors[2] = -slope * part;
    }
    for (int i = 0; i < 3; i++) {
        for (int j = i; j < 3; j++)
            sum->squares[i][j] += weight * regressors[i] * regressors[j];
        sum->products[i] += weight * regressors[i] * y;
    }
    sum->doubt += weight * fabs(band.mean_A) * doubt;
    sum->current_A += reading->current_A;
    sum->current_offsets += y - band.mean_A;
    sum->current_squares += square(y - band.mean_A);
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

void level_view_noise(struct level_view *view, double noise_A, double resolution_A)
{
    view->noise_A = noise_A;
    view->resolution_A = resolution_A;
    view->left = quantisation_left(noise_A, resolution_A, &view->own2);
}

/* Before it is learned how well the mean of pulses repeats, each counts once. */
static double pulse_uncertainty(const struct level_sum *sum, const struct level_view *view,
                                double size_A)
{
    double pulses = 1 + 0.5 * (double)sum->crossings;
    return view->phase->spread_A / size_A / sqrt(pulses);
}

/* The ratio and its variance with shift and stretch integrated out: the 2 x 2
 * block of the nuisances, with their priors, is eliminated. */
static double solve_ratio(const struct level_sum *sum, const struct level_view *view, double scale,
                          double *variance)
{
    double shift2 = larger(square(view->slack_s) / 12, 1e-8);
    double stretch2 = view->end_slack_s > 0 ? larger(square(view->end_slack_s) / 12, 1e-8)
                                            : larger(square(view->stretch), 1e-8);
    double a = scale * sum->squares[1][1] + 1 / shift2;
    double b = scale * sum->squares[1][2];
    double c = scale * sum->squares[2][2] + 1 / stretch2;
    double determinant = a * c - b * b;
    double x = scale * sum->squares[0][1];
    double y = scale * sum->squares[0][2];
    /* Coefficients that take the nuisances off the ratio's equation. */
    double p = (c * x - b * y) / determinant;
    double q = (a * y - b * x) / determinant;
    double information = scale * sum->squares[0][0] - p * x - q * y;
    /* A ratio of one is where shift and stretch are linear, so that they are
     * solved for on what is left of the readings there. */
    double left0 = scale * (sum->products[0] - sum->squares[0][0]);
    double left1 = scale * (sum->products[1] - sum->squares[0][1]);
    double left2 = scale * (sum->products[2] - sum->squares[0][2]);
    *variance = 1 / information;
    return 1 + (left0 - p * left1 - q * left2) / information;
}

/* Readings that stand still between two counts are no new evidence, and how a
 * power-up departs from the shape is common to many readings. */
static double effective_count(const struct level_sum *sum, const struct level_view *view)
{
    double changes = (double)sum->changes;
    if (level_has_plateaus(view->phase))
        return changes;
    double spread2 = square(larger(view->phase->spread_A, view->noise_A));
    double white = square(view->noise_A) / spread2;
    if (view->phase->kind == PHASE_PERIODIC)
        return changes;
    return 1 / (white / changes + (1 - white) / smaller(changes, misfits_in_shape));
}

struct measured_level level_measure(const struct level_sum *sum, const struct level_view *view)
{
    struct measured_level level = {.usable = false, .voltage_V = NAN, .effective = 0};
    if (sum->count == 0)
        return level;
    double count = (double)sum->count;
    level.current_A = sum->current_A / count;
    level.scatter_A =
        sqrt(larger(sum->current_squares / count - square(sum->current_offsets / count), 0));
    if (sum->voltages > 0)
        level.voltage_V = sum->voltage_V / (double)sum->voltages;
    if (!(sum->squares[0][0] > 0))
        return level;
    level.effective = effective_count(sum, view);
    double variance = 0;
    double ratio = solve_ratio(sum, view, level.effective / count, &variance);
    if (!(ratio > 0) || !(variance > 0))
        return level;
    level.usable = true;
    level.log_ratio = log(ratio);
    double own2 = view->own2;
    double left = view->left;
    double steps2 = square(view->resolution_A) / 12;
    double size = larger(fabs(level.current_A), 1e-9);
    /* What dithers is averaged away; what does not stays however long it lasts. */
    double averaged = 1 - steps2 * left / larger(own2 + steps2, 1e-18);
    double shape = shape_doubt * sum->doubt / sum->squares[0][0];
    double lasting2 = square(shape) + steps2 * left / square(size);
    level.u = sqrt(variance * averaged + lasting2);
    bool plateaus = level_has_plateaus(view->phase);
    bool steady = plateaus || view->phase->kind == PHASE_LEVEL;
    if (view->phase->repeat_u > 0)
        level.u = steady ? larger(view->phase->repeat_u, level.u) : view->phase->repeat_u;
    else if (view->phase->kind == PHASE_PERIODIC && !plateaus)
        level.u = pulse_uncertainty(sum, view, size);
    /* Where pulses, ramps and decays fall, and what a mean of them hides, is the
     * unit's own and comes again. */
    if (view->phase->kind == PHASE_LEVEL || plateaus)
        level.lasting_u = smaller(level.u, larger(view->phase->repeat_u, sqrt(lasting2)));
    else
        level.lasting_u = level.u;
    if (view->phase->exponent_u != 0 && !isnan(view->compared_at_V) && level.voltage_V > 0)
        level.voltage_u =
            view->phase->exponent_u * fabs(log(level.voltage_V / view->compared_at_V));
    return level;
}
