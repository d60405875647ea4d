/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A stated final range alone: no phases are known, so the draw is judged where
 * it has settled by the end of the watch.
 */
#include "signature/segment.h"
#include "verdict/judge_state.h"
#include "verdict/settle.h"

#include <math.h>

/* A last phase this long, as a share of the watch, is settled. */
static const double settled_share = 0.10;
/* Between readings of one supply, from power-up to power-up. */
static const double drift_share = 0.003;
static const double guard_factor = 2;     /* U = 2 u, w = U */
static const double nothing_share = 0.02; /* of the range: no draw at all */
static const double asleep_share = 0.15;  /* of the range: it did not wake */

struct settled {
    double level_A, u_A, spread_A; /* of the last phase; u without the unit's spread */
    double low_A, high_A;          /* least and most drawn in the last phase */
    double highest_A;              /* in the whole watch */
    double duration_s;
    double voltage_V; /* mean in the tail of the last phase; NAN: not read back */
    size_t falls;     /* times the draw fell from over the half of the range to under 0.3 of it */
    bool rose_after_fall;
    double slope_A_per_s;
};

static double square(double x)
{
    return x * x;
}

static void scan(const struct judge *judge, struct settled *s, double from_s)
{
    double half = 0.5 * judge->reference->range_low_A;
    double gone = 0.3 * judge->reference->range_low_A;
    bool up = false;
    int above = 0;
    s->highest_A = -INFINITY;
    s->low_A = INFINITY;
    s->high_A = -INFINITY;
    for (size_t i = judge->first; i < judge->kept.count; i++) {
        const struct reading *r = &judge->kept.readings[i];
        if (!r->valid)
            continue;
        s->highest_A = fmax(s->highest_A, r->current_A);
        if (r->time_s >= from_s) {
            s->low_A = fmin(s->low_A, r->current_A);
            s->high_A = fmax(s->high_A, r->current_A);
        }
        above = r->current_A > half ? above + 1 : 0;
        if (above >= 2) {
            s->rose_after_fall |= s->falls > 0;
            up = true;
        }
        if (up && r->current_A < gone) {
            up = false;
            s->falls++;
        }
    }
}

/* The mean of the voltages read back in the last so many seconds. */
static double mean_voltage_V(const struct judge *judge, double tail_s)
{
    double sum_V = 0;
    size_t count = 0;
    for (size_t i = judge->kept.count; i-- > judge->first;) {
        const struct reading *r = &judge->kept.readings[i];
        if (judge->last_s - r->time_s > tail_s)
            break;
        if (r->valid && !isnan(r->voltage_V)) {
            sum_V += r->voltage_V;
            count++;
        }
    }
    return count ? sum_V / (double)count : (double)NAN;
}

/* False when memory is out or there is no reading. */
static bool find_settled(struct judge *judge, struct settled *s)
{
    const struct phases *phases = judge_phases(judge);
    if (phases->count == 0)
        return false;
    const struct phase *last = &phases->items[phases->count - 1];
    scan(judge, s, last->from_s);
    double q = judge->accuracy.current_resolution_A;
    s->level_A = last->level_A;
    s->spread_A = last->spread_A;
    s->duration_s = judge->last_s - last->from_s;
    s->slope_A_per_s =
        last->kind == PHASE_LEVEL || last->kind == PHASE_PERIODIC ? 0 : last->slope_A_per_s;
    /* Its tail is the settled draw of a ramp or decay. */
    if (s->slope_A_per_s != 0) {
        double tail = fmin(s->duration_s, settled_share * judge->reference->watch_s);
        double sum = 0;
        size_t count = 0;
        for (size_t i = judge->kept.count; i-- > judge->first;) {
            const struct reading *r = &judge->kept.readings[i];
            if (judge->last_s - r->time_s > tail)
                break;
            if (r->valid) {
                sum += r->current_A;
                count++;
            }
        }
        if (count > 0)
            s->level_A = sum / (double)count;
    }
    s->voltage_V =
        mean_voltage_V(judge, fmin(s->duration_s, settled_share * judge->reference->watch_s));
    double readings = (double)(last->count > 0 ? last->count : 1);
    s->u_A =
        sqrt(square(last->spread_A) / readings + q * q / 12 + square(drift_share * s->level_A));
    return true;
}

static struct finding range_finding(const struct judge *judge, enum reason_code code,
                                    const struct settled *s)
{
    struct finding finding = finding_of(code);
    finding.measured = s->level_A;
    finding.low = judge->reference->range_low_A;
    finding.high = judge->reference->range_high_A;
    return finding;
}

/* A range holds about the voltage it was stated at; in current limit the voltage
 * is not the supply's to set, and that is said instead. */
static bool refuse_voltage(struct judge *judge, const struct settled *s)
{
    const struct reference *reference = judge->reference;
    double slack = judge->accuracy.voltage_resolution_V + 1e-6; /* of a mean's last digits */
    if (isnan(reference->voltage_low_V) || isnan(s->voltage_V) || judge->limit.ever ||
        !isnan(judge->limit.since_s) ||
        (s->voltage_V >= reference->voltage_low_V - slack &&
         s->voltage_V <= reference->voltage_high_V + slack))
        return false;
    struct finding finding = finding_of(REASON_OUTSIDE_VOLTAGE);
    finding.measured = s->voltage_V;
    finding.low = reference->voltage_low_V;
    finding.high = reference->voltage_high_V;
    judge_settle(judge, VERDICT_UNSURE);
    settle_add_between(judge->verdict, SETTLE_VOLTAGE, finding.low, finding.high);
    reasons_add(judge->verdict, &finding);
    return true;
}

static void say(struct judge *judge, enum verdict_kind kind, const struct finding *finding)
{
    judge_settle(judge, kind);
    if (finding)
        reasons_add(judge->verdict, finding);
}

/* Patterns that hold wherever the range lies. Returns true when settled. */
static bool find_pattern(struct judge *judge, const struct settled *s)
{
    double low = judge->reference->range_low_A;
    double q = judge->accuracy.current_resolution_A;
    struct finding finding;
    if (s->highest_A <= fmax(2 * q, nothing_share * low)) {
        finding = range_finding(judge, REASON_NO_DRAW, s);
    } else if (s->highest_A < 0.5 * low && s->level_A < asleep_share * low) {
        finding = range_finding(judge, REASON_NO_WAKE, s);
    } else if (s->falls >= 2 && s->rose_after_fall) {
        finding = range_finding(judge, REASON_RESTARTS, s);
        finding.note = "it fell off and came back again and again";
    } else if (s->falls >= 1 && s->level_A < asleep_share * low) {
        finding = range_finding(judge, REASON_INTERMITTENT, s);
    } else {
        return false;
    }
    say(judge, VERDICT_BAD, &finding);
    return true;
}

static bool is_unsteady(const struct judge *judge, const struct settled *s, double guard)
{
    double low = judge->reference->range_low_A;
    double high = judge->reference->range_high_A;
    double width = high - low;
    return s->level_A > low - guard && s->level_A < high + guard && s->spread_A > width &&
           (s->low_A < low - width || s->high_A > high + width);
}

/* When its slope has taken it out of the range, or has ended. */
static double settled_by_s(const struct judge *judge, const struct settled *s, double guard)
{
    double now = judge_elapsed_s(judge);
    double way = s->slope_A_per_s > 0 ? judge->reference->range_high_A + guard - s->level_A
                                      : s->level_A - judge->reference->range_low_A + guard;
    double until =
        s->slope_A_per_s != 0 ? now + fmax(way, 0) / fabs(s->slope_A_per_s) : now - s->duration_s;
    return until / (1 - settled_share) + judge->gap_s;
}

/* Within the guard band of a limit: a finer readback with less of a guard, or
 * limits that lie further off. */
static void settle_near_limit(struct judge *judge, const struct settled *s, double guard)
{
    double low = judge->reference->range_low_A;
    double high = judge->reference->range_high_A;
    double q = judge->accuracy.current_resolution_A;
    double room = fmin(fabs(s->level_A - low), fabs(high - s->level_A));
    /* The true level may lie half a step from what was read. */
    double rest2 = square(s->u_A) - q * q / 12;
    double q2 = 12 * (square(room / guard_factor) - rest2);
    struct finding finding = range_finding(judge, REASON_CANNOT_RESOLVE, s);
    finding.smallest = guard / fmax(fabs(s->level_A), 1e-9);
    finding.resolution_A = q;
    finding.u = s->u_A / fmax(fabs(s->level_A), 1e-9);
    finding.spread = 0;
    judge_settle(judge, VERDICT_UNSURE);
    if (q > 0 && q2 > 0 && room > 2 * q)
        settle_add_value(judge->verdict, SETTLE_RESOLUTION, fmin(sqrt(q2), q));
    bool by_low = s->level_A - low < high - s->level_A;
    if (by_low)
        settle_add_between(judge->verdict, SETTLE_RANGE, s->level_A - guard, NAN);
    else
        settle_add_between(judge->verdict, SETTLE_RANGE, NAN, s->level_A + guard);
    reasons_add(judge->verdict, &finding);
}

void judge_range_end(struct judge *judge)
{
    const struct reference *reference = judge->reference;
    struct settled s = {0};
    struct finding finding;
    if (!find_settled(judge, &s)) {
        finding = finding_of(REASON_INCOMPLETE);
        finding.measured = judge_elapsed_s(judge);
        finding.watch_s = reference->watch_s;
        finding.note = "no usable reading";
        judge_settle(judge, VERDICT_UNSURE);
        settle_add_value(judge->verdict, SETTLE_FROM_BEFORE, reference->watch_s);
        reasons_add(judge->verdict, &finding);
        return;
    }
    judge->verdict->final_draw_A = s.level_A;
    if (refuse_voltage(judge, &s) || find_pattern(judge, &s))
        return;
    double low = reference->range_low_A;
    double high = reference->range_high_A;
    double guard = guard_factor * s.u_A;
    if (judge->limit.ever || !isnan(judge->limit.since_s)) {
        finding = range_finding(judge, REASON_AT_LIMIT, &s);
        finding.voltage_V = judge->limit.voltage_V;
        judge_settle(judge, VERDICT_UNSURE);
        settle_add_value(judge->verdict, SETTLE_LIMIT, high + guard);
        reasons_add(judge->verdict, &finding);
    } else if (s.level_A < low - guard) {
        finding = range_finding(judge, REASON_LOW_FINAL, &s);
        say(judge, VERDICT_BAD, &finding);
    } else if (s.level_A > high + guard) {
        finding = range_finding(judge, REASON_HIGH_FINAL, &s);
        say(judge, VERDICT_BAD, &finding);
    } else if (s.duration_s < settled_share * reference->watch_s ||
               fabs(s.slope_A_per_s) * settled_share * reference->watch_s > high - low) {
        finding = range_finding(judge, REASON_UNSTEADY, &s);
        finding.note = "it has not settled by the end of the watch";
        judge_settle(judge, VERDICT_UNSURE);
        settle_add_value(judge->verdict, SETTLE_WATCH, settled_by_s(judge, &s, guard));
        reasons_add(judge->verdict, &finding);
    } else if (is_unsteady(judge, &s, guard)) {
        finding = range_finding(judge, REASON_UNSTEADY, &s);
        finding.measured = s.low_A < low ? s.low_A : s.high_A;
        say(judge, VERDICT_BAD, &finding);
    } else if (s.level_A >= low + guard && s.level_A <= high - guard) {
        say(judge, VERDICT_GOOD, NULL);
    } else {
        settle_near_limit(judge, &s, guard);
    }
}
