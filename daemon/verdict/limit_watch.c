/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/judge_state.h"

#include <math.h>

/* A limit is a finding once it lasts this much longer than known-goods' inrush
 * kept it, over this many readings. */
static const double patience_s = 0.25;
enum { FEWEST_READINGS = 3 };

/* Input capacitors that charge in current limit raise the voltage; a short does
 * not. This little a rise over this long would be a capacitor beyond belief. */
static const double rising_share = 0.01;
static const double standing_s = 0.03;
enum { FEWEST_STANDING = 4 };

/* Below this share of the nominal voltage the output has collapsed. */
static const double collapsed_share = 0.6;
static const double collapsed_unknown_V = 2.0;
/* Where the supply does not tell its limit it takes less: a module for 24 V on
 * 12 V, or for 12 V on 5 V, is at the wrong voltage and not shorted. */
static const double collapsed_unseen_share = 0.4;
/* So little with a module's draw is a short whatever the supply says: it may tell
 * its limit later than it reads back. */
static const double collapsed_denied_share = 0.1;

/* What a reverse-polarity diode leaves at the output [common practice]. */
static const double diode_low_V = 0.55, diode_high_V = 1.1;

static double collapsed_below_V(const struct judge *judge, double share)
{
    double nominal = judge->reference ? judge->reference->nominal_voltage_V : (double)NAN;
    return isnan(nominal) ? collapsed_unknown_V : share * nominal;
}

/* Limit told by the supply, or seen: the voltage gone while current flows. */
static bool is_limited(const struct judge *judge, const struct reading *reading)
{
    if (reading->limited == FLAG_YES)
        return true;
    if (reading->output_on == FLAG_NO || isnan(reading->voltage_V))
        return false;
    if (!judge->reference)
        return false;
    double share = reading->limited == FLAG_NO ? collapsed_denied_share : collapsed_unseen_share;
    double least = 0.5 * fabs(reference_working_A(judge->reference)) +
                   5 * judge->accuracy.current_resolution_A;
    return reading->voltage_V < collapsed_below_V(judge, share) && fabs(reading->current_A) > least;
}

static bool is_collapsed(const struct judge *judge, double voltage_V)
{
    return isnan(voltage_V) || voltage_V < collapsed_below_V(judge, collapsed_share);
}

/* How far the run's voltage stands still since its last rise. */
static void watch_rise(struct limit_watch *limit, const struct judge *judge,
                       const struct reading *reading)
{
    double nominal = judge->reference ? judge->reference->nominal_voltage_V : (double)NAN;
    double rise_V =
        fmax(rising_share * fmax(nominal, 0), 1.5 * judge->accuracy.voltage_resolution_V);
    bool still = limit->standing > 0 && fabs(reading->voltage_V - limit->standing_V) <= rise_V;
    if (still) {
        limit->standing++;
        return;
    }
    limit->standing = 1;
    limit->standing_V = reading->voltage_V;
    limit->standing_since_s = reading->time_s;
}

static bool stands_collapsed(const struct limit_watch *limit, const struct judge *judge,
                             const struct reading *reading)
{
    return judge->reference && !isnan(judge->reference->nominal_voltage_V) &&
           is_collapsed(judge, reading->voltage_V) && limit->standing >= FEWEST_STANDING &&
           reading->time_s - limit->standing_since_s >=
               standing_s + 1.5 * judge->reference->limited_s;
}

bool limit_watch_read(struct judge *judge, const struct reading *reading)
{
    struct limit_watch *limit = &judge->limit;
    if (!reading->valid)
        return false;
    if (!is_limited(judge, reading)) {
        *limit = (struct limit_watch){.since_s = NAN, .ever = limit->ever};
        return false;
    }
    if (isnan(limit->since_s))
        limit->since_s = reading->time_s;
    limit->readings++;
    limit->current_A = reading->current_A;
    limit->voltage_V = reading->voltage_V;
    watch_rise(limit, judge, reading);
    double allowed = judge->reference ? 1.5 * judge->reference->limited_s : 0;
    bool lasts = reading->time_s - limit->since_s >= allowed + patience_s &&
                 limit->readings >= FEWEST_READINGS;
    limit->ever |= lasts;
    if (!stands_collapsed(limit, judge, reading) &&
        !(lasts && judge->reference && is_collapsed(judge, reading->voltage_V)))
        return false;
    bool diode = reading->voltage_V >= diode_low_V && reading->voltage_V <= diode_high_V;
    struct finding finding = finding_of(diode ? REASON_REVERSED : REASON_AT_LIMIT);
    finding.measured = reading->current_A;
    finding.voltage_V = reading->voltage_V;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
    return true;
}
