/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/judge_state.h"

#include <math.h>

/* A limit is a finding once it lasts this much longer than known-goods' inrush
 * kept it, over this many readings. */
static const double patience_s = 0.25;
enum { FEWEST_READINGS = 3 };

/* Below this share of the nominal voltage the output has collapsed. */
static const double collapsed_share = 0.6;
static const double collapsed_unknown_V = 2.0;

/* What a reverse-polarity diode leaves at the output [common practice]. */
static const double diode_low_V = 0.55, diode_high_V = 1.1;

static double collapsed_below_V(const struct judge *judge)
{
    double nominal = judge->reference ? judge->reference->nominal_voltage_V : (double)NAN;
    return isnan(nominal) ? collapsed_unknown_V : collapsed_share * nominal;
}

/* Limit told by the supply, or seen: the voltage gone while current flows. */
static bool is_limited(const struct judge *judge, const struct reading *reading)
{
    if (reading->limited == FLAG_YES)
        return true;
    if (reading->output_on == FLAG_NO || isnan(reading->voltage_V))
        return false;
    if (reading->limited == FLAG_NO || !judge->reference)
        return false;
    double least =
        0.5 * fabs(judge->reference->final_expected_A) + 5 * judge->accuracy.current_resolution_A;
    return reading->voltage_V < collapsed_below_V(judge) && fabs(reading->current_A) > least;
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
    double allowed = judge->reference ? 1.5 * judge->reference->limited_s : 0;
    if (reading->time_s - limit->since_s < allowed + patience_s ||
        limit->readings < FEWEST_READINGS)
        return false;
    limit->ever = true;
    bool collapsed = isnan(reading->voltage_V) || reading->voltage_V < collapsed_below_V(judge);
    if (!collapsed || !judge->reference)
        return false;
    bool diode = reading->voltage_V >= diode_low_V && reading->voltage_V <= diode_high_V;
    struct finding finding = finding_of(diode ? REASON_REVERSED : REASON_AT_LIMIT);
    finding.measured = reading->current_A;
    finding.voltage_V = reading->voltage_V;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
    return true;
}
