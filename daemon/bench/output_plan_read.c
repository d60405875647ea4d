/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/output_plan_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A look lasts so long, and so many readings; it is over sooner where the feed stands. */
static const double LOOK_S = 0.4;
static const double LOOK_LEAST_S = 0.1;
enum { LOOK_READINGS = 3 };
/* How long an output may take to rise, or to show that it cannot. */
static const double RISE_S = 2;
/* The voltage has fallen. */
static const double FALLEN_V = 0.5;
/* Readings that began before a switching may end after it. */
static const double SETTLES_S = 0.2;
enum { AGREED = 2 };

static void tell_hand(struct output_plan *plan, enum output_what what, const char *why)
{
    struct output_asker hand = plan_asker("front panel", why);
    plan_tell_plain(plan, what, &hand);
}

static bool at_limit(const struct output_plan *plan, const struct reading *reading)
{
    return reading->limited == FLAG_YES || reading->current_A >= 0.7 * plan->set_limit_A;
}

/* A feed that stands no higher at the look's limit is short, or reversed: a diode across
 * the module's input conducts (common practice, no source). */
static double poor_below_V(double look_voltage_V)
{
    return look_voltage_V <= 3 ? 0.8 * look_voltage_V : fmax(1.5, 0.2 * look_voltage_V);
}

static void look_is_over(struct output_plan *plan, const struct reading *reading, double now_s)
{
    if (plan->is_short)
        snprintf(plan->saw, sizeof plan->saw,
                 "at %.3f A the feed stands at %.2f V: short or reversed leads; measure with "
                 "power off",
                 reading->current_A, reading->voltage_V);
    else
        snprintf(plan->saw, sizeof plan->saw, "%.2f V at %.3f A%s", reading->voltage_V,
                 reading->current_A, at_limit(plan, reading) ? ", the look's limit" : "");
    plan_enter(plan, OUTPUT_LOOK_GOES_OFF, now_s);
}

static void look_at(struct output_plan *plan, const struct reading *reading, double now_s)
{
    if (!reading->valid)
        return;
    bool low = reading->voltage_V < poor_below_V(plan->set_voltage_V);
    double since_s = now_s - plan->stage_s;
    plan->looks++;
    plan->fine = low ? 0 : plan->fine + 1;
    plan->poor = low && at_limit(plan, reading) ? plan->poor + 1 : 0;
    if (plan->looks < LOOK_READINGS)
        return;
    if (plan->fine >= LOOK_READINGS && since_s >= LOOK_LEAST_S) {
        look_is_over(plan, reading, now_s);
    } else if (plan->poor >= LOOK_READINGS && since_s >= LOOK_S) {
        plan->is_short = true;
        look_is_over(plan, reading, now_s);
    } else if (since_s >= RISE_S && plan->looks >= 2 * LOOK_READINGS) {
        char problem[200];
        snprintf(problem, sizeof problem,
                 "the feed stands at %.2f V and %.3f A, neither up nor at the limit: nothing is "
                 "known of it",
                 reading->voltage_V, reading->current_A);
        plan_give_up(plan, EXIT_BAD_DATA, problem, now_s);
    }
}

/* The voltage has fallen, or will not. */
static bool has_fallen(const struct output_plan *plan, const struct reading *reading, double now_s)
{
    return (reading->valid && fabs(reading->voltage_V) < FALLEN_V) ||
           now_s - plan->stage_s >= OUTPUT_FALL_S;
}

static void fell(struct output_plan *plan, const struct reading *reading, double now_s)
{
    struct output_asker asker = plan->wish.asker;
    snprintf(asker.why, sizeof asker.why, "%s", plan->saw);
    size_t used = strlen(asker.why);
    if (reading->valid && fabs(reading->voltage_V) >= FALLEN_V)
        snprintf(asker.why + used, sizeof asker.why - used, "; %.1f V yet %g s after it",
                 reading->voltage_V, OUTPUT_FALL_S);
    plan_tell(plan, OUTPUT_LOOKED, &asker, plan->set_voltage_V, plan->set_limit_A, "");
    plan_enter(plan, OUTPUT_SETS, now_s);
}

static void rise(struct output_plan *plan, const struct output_view *view,
                 const struct reading *reading)
{
    if (reading->valid && (reading->voltage_V >= FALLEN_V || at_limit(plan, reading)))
        plan_did_on(plan, view);
    else if (view->now_s - plan->stage_s >= RISE_S)
        plan_give_up(plan, EXIT_BAD_DATA, "on was sent, and no voltage rises", view->now_s);
}

static void read_stage(struct output_plan *plan, const struct output_view *view,
                       const struct reading *reading)
{
    double now_s = view->now_s;
    switch (plan->stage) {
    case OUTPUT_CLEARS:
        if (!plan->off.wanted && has_fallen(plan, reading, now_s))
            plan_enter(plan, OUTPUT_RESTS, now_s);
        break;
    case OUTPUT_LOOK_WAITS:
        if (has_fallen(plan, reading, now_s))
            plan_enter(plan, OUTPUT_LOOK_SETS, now_s);
        break;
    case OUTPUT_LOOKS:
        look_at(plan, reading, now_s);
        break;
    case OUTPUT_FALLS:
        if (has_fallen(plan, reading, now_s))
            fell(plan, reading, now_s);
        break;
    case OUTPUT_RISES:
        rise(plan, view, reading);
        break;
    default:
        break;
    }
}

/* Where the supply does not say whether its output is on, the voltage shows it. */
static enum known_flag shown_state(const struct output_view *view, const struct reading *reading)
{
    if (view->tells_output || !reading->valid)
        return view->tells_output ? reading->output_on : FLAG_UNKNOWN;
    if (reading->limited == FLAG_YES || reading->voltage_V >= 2 * FALLEN_V)
        return FLAG_YES;
    return fabs(reading->voltage_V) < FALLEN_V ? FLAG_NO : FLAG_UNKNOWN;
}

/* On, and not switched on by us just now. */
static void seen_on(struct output_plan *plan, const struct output_view *view, bool was_known)
{
    if (plan_is_under_way(plan))
        plan_give_up(plan, EXIT_USAGE,
                     plan->stage == OUTPUT_WAITS ? "the output is on already"
                                                 : "switched on at the supply meanwhile",
                     view->now_s);
    if (plan->adopted) {
        plan->adopted = false;
        plan->ours = true;
        plan_tell_plain(plan, OUTPUT_FOUND_ON, &plan->adopted_by);
        if (!view->held)
            plan_want_off(plan, "wakedraw was started again", view->now_s);
        return;
    }
    /* Since an off that did not come through, a hand was there. */
    plan->off.wanted = plan->off.wanted && !plan->off.told;
    tell_hand(plan, OUTPUT_ON_SEEN, was_known ? "" : "found on");
}

static void seen_off(struct output_plan *plan, const struct output_view *view, bool was_known)
{
    plan->adopted = false;
    if (plan->off.wanted) {
        plan_off_succeeded(plan, view->now_s);
        return;
    }
    if (plan_is_under_way(plan) && plan->stage != OUTPUT_WAITS)
        plan_give_up(plan, EXIT_USAGE, "switched off at the supply meanwhile", view->now_s);
    plan->off.wanted = false;
    if (was_known)
        tell_hand(plan, OUTPUT_OFF_SEEN, "");
    plan_is_off(plan, view->now_s);
}

/* In the midst of switching what is read says nothing of a hand; nor does a voltage that
 * is on its way. */
static bool may_tell(const struct output_plan *plan, const struct output_view *view)
{
    bool in_flux = plan->stage == OUTPUT_LOOK_GOES_ON || plan->stage == OUTPUT_LOOK_GOES_OFF ||
                   plan->stage == OUTPUT_GOES_ON;
    return !in_flux &&
           (view->tells_output || plan->stage == OUTPUT_RESTS || plan->stage == OUTPUT_WAITS) &&
           view->now_s - plan->switched_s >= SETTLES_S;
}

static void read_state(struct output_plan *plan, const struct output_view *view,
                       const struct reading *reading)
{
    enum known_flag shown = shown_state(view, reading);
    if (shown != FLAG_UNKNOWN)
        plan->shown = shown;
    if (shown == FLAG_UNKNOWN || !may_tell(plan, view))
        return;
    bool was_known = plan->output_on != FLAG_UNKNOWN;
    plan->contrary = shown == plan->output_on ? 0 : plan->contrary + 1;
    bool is_agreed = plan->contrary == 0 || plan->contrary >= AGREED || !was_known;
    plan->is_known = plan->is_known || is_agreed;
    if (plan->contrary > 0 && is_agreed) {
        plan->contrary = 0;
        plan->output_on = shown;
        if (shown == FLAG_YES)
            seen_on(plan, view, was_known);
        else
            seen_off(plan, view, was_known);
    } else if (is_agreed && plan->was_lost && shown == FLAG_YES) {
        plan->was_lost = false;
        plan_tell_plain(plan, OUTPUT_FOUND_ON, &plan->wish.asker);
    } else if (is_agreed && shown == FLAG_NO && plan->off.wanted &&
               (plan->off.sent || plan->off.told)) {
        plan_off_succeeded(plan, view->now_s);
    }
}

static bool same_setting(double a, double b)
{
    return isnan(a) || isnan(b) || fabs(a - b) <= 0.0015 + 0.002 * fmax(fabs(a), fabs(b));
}

static void read_settings(struct output_plan *plan, double voltage_V, double limit_A)
{
    if (plan_is_under_way(plan) && plan->stage != OUTPUT_WAITS && plan->stage != OUTPUT_LOOK_WAITS)
        return;
    bool same =
        same_setting(plan->voltage_set_V, voltage_V) && same_setting(plan->limit_set_A, limit_A);
    if (!same) {
        struct output_asker hand = plan_asker("front panel", "");
        plan->settings_by_hand = true;
        plan_tell(plan, OUTPUT_SET_SEEN, &hand, voltage_V, limit_A, "");
    }
    if (!same || isnan(plan->voltage_set_V))
        plan->voltage_set_V = voltage_V;
    if (!same || isnan(plan->limit_set_A))
        plan->limit_set_A = limit_A;
}

static void read_limit(struct output_plan *plan, const struct reading *reading, double now_s)
{
    if (!plan->ours || reading->limited == FLAG_NO)
        plan->limited_since_s = NAN;
    else if (reading->limited == FLAG_YES && isnan(plan->limited_since_s))
        plan->limited_since_s = now_s;
}

void output_plan_read(struct output_plan *plan, const struct output_view *view,
                      const struct reading *reading, double voltage_set_V, double limit_set_A)
{
    plan->read_s = view->now_s;
    read_settings(plan, voltage_set_V, limit_set_A);
    read_stage(plan, view, reading);
    read_state(plan, view, reading);
    read_limit(plan, reading, view->now_s);
    if (plan->stage == OUTPUT_WAITS && plan->is_known && plan->output_on == FLAG_YES)
        plan_give_up(plan, EXIT_USAGE, "the output is on already", view->now_s);
    else if (plan->stage == OUTPUT_WAITS && plan->is_known)
        plan_begin_on(plan, view->now_s);
}
