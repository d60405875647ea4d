/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/output_plan_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Without a reading for so long, on is given up. */
static const double UNREAD_S = 5;
/* An off that was not confirmed is tried again so often, for so long. */
static const double OFF_AGAIN_S = 0.5;
static const double OFF_WANTED_S = 60;

static const char USE_THE_SWITCH[] = "use the switch on the supply";

static void answer(struct output_answer *answer, enum exit_status status, const char *problem)
{
    *answer = (struct output_answer){.is_there = true, .status = status};
    snprintf(answer->problem, sizeof answer->problem, "%s", problem);
}

void plan_enter(struct output_plan *plan, enum output_stage stage, double now_s)
{
    plan->stage = stage;
    plan->stage_s = now_s;
}

bool plan_is_under_way(const struct output_plan *plan)
{
    return plan->stage != OUTPUT_RESTS && plan->stage != OUTPUT_CLEARS;
}

void output_plan_begin(struct output_plan *plan, bool control, double rated_voltage_V,
                       double rated_current_A)
{
    *plan = (struct output_plan){.control = control,
                                 .rated_voltage_V = rated_voltage_V,
                                 .rated_current_A = rated_current_A,
                                 .limit_longest_s = INFINITY,
                                 .limited_since_s = NAN,
                                 .is_lost = true,
                                 .lost_s = NAN,
                                 .output_on = FLAG_UNKNOWN,
                                 .switched_s = -INFINITY,
                                 .voltage_set_V = NAN,
                                 .limit_set_A = NAN};
}

/* --- off --- */

static void want_off(struct output_plan *plan, const struct output_asker *asker, bool asked,
                     double now_s)
{
    bool before = plan->off.wanted;
    plan->off = (struct output_off){.wanted = true,
                                    .asked = asked || (before && plan->off.asked),
                                    .owed = !asked || (before && plan->off.owed),
                                    .asker = *asker,
                                    .since_s = now_s,
                                    .again_s = now_s};
}

void plan_want_off(struct output_plan *plan, const char *why, double now_s)
{
    struct output_asker us = plan_asker("wakedraw", why);
    if (!plan->off.wanted)
        want_off(plan, &us, false, now_s);
}

void plan_is_off(struct output_plan *plan, double now_s)
{
    plan->off.wanted = false;
    plan->ours = plan->was_lost = false;
    plan->output_on = plan->shown = FLAG_NO;
    plan->contrary = 0;
    plan->switched_s = now_s;
    plan->limited_since_s = NAN;
}

void plan_off_succeeded(struct output_plan *plan, double now_s)
{
    plan_tell_plain(plan, OUTPUT_OFF, &plan->off.asker);
    answer(&plan->off_answer, EXIT_OK, "");
    plan_is_off(plan, now_s);
    plan->is_known = true;
}

static bool has_had_its_time(const struct output_off *off, double now_s)
{
    return off->wanted && off->told && now_s - off->since_s > OFF_WANTED_S;
}

static void off_not_confirmed(struct output_plan *plan, const char *problem, double now_s)
{
    struct output_off *off = &plan->off;
    char text[200];
    snprintf(text, sizeof text, "%.150s: %s", problem, USE_THE_SWITCH);
    if (!off->told)
        plan_tell(plan, OUTPUT_OFF_FAILED, &off->asker, NAN, NAN, text);
    off->told = true;
    off->sent = false;
    off->again_s = now_s + OFF_AGAIN_S;
    answer(&plan->off_answer, EXIT_UNAVAILABLE, text);
}

static void did_off(struct output_plan *plan, const struct output_view *view,
                    enum output_result result, const char *problem)
{
    plan->switched_s = view->now_s;
    if (result == OUTPUT_NOT_DONE || result == OUTPUT_NO_LINK) {
        off_not_confirmed(plan, problem, view->now_s);
    } else if (result == OUTPUT_DONE && view->tells_output) {
        plan_off_succeeded(plan, view->now_s);
    } else if (result == OUTPUT_DONE) {
        plan->off.sent = true;
        plan->off.sent_s = view->now_s;
        plan->off.again_s = view->now_s + OUTPUT_FALL_S;
    }
}

/* --- on --- */

/* The on under way is over. What was set on its way stays, and is said. */
static void refuse(struct output_plan *plan, enum exit_status status, const char *problem)
{
    char text[200];
    if (isnan(plan->left_limit_A))
        snprintf(text, sizeof text, "%s", problem);
    else
        snprintf(text, sizeof text, "%.150s; left set to %.3g V, %.3g A", problem,
                 plan->left_voltage_V, plan->left_limit_A);
    plan_tell(plan, OUTPUT_REFUSED, &plan->wish.asker, plan->left_voltage_V, plan->left_limit_A,
              text);
    answer(&plan->on_answer, status, text);
}

void plan_give_up(struct output_plan *plan, enum exit_status status, const char *problem,
                  double now_s)
{
    bool may_be_on = plan->stage == OUTPUT_LOOK_GOES_ON || plan->stage == OUTPUT_LOOKS ||
                     plan->stage == OUTPUT_LOOK_GOES_OFF || plan->stage == OUTPUT_GOES_ON ||
                     plan->stage == OUTPUT_RISES;
    bool hides = output_plan_hides(plan);
    if (may_be_on) {
        plan_want_off(plan, "it could not be switched on", now_s);
        plan->off.owed = true;
        plan->output_on = FLAG_YES;
        plan->contrary = 0;
    }
    /* Who keeps what is on by us hears of that before it hears of the refusal. */
    if (may_be_on && plan->is_lost)
        off_not_confirmed(plan, "the supply was lost while it was switched on", now_s);
    refuse(plan, status, problem);
    plan_enter(plan, hides ? OUTPUT_CLEARS : OUTPUT_RESTS, now_s);
}

static bool is_outside(double value, double rated)
{
    return !(value >= 0) || isinf(value) || value > rated;
}

/* EXIT_OK: nothing is against it. */
static enum exit_status objection(const struct output_plan *plan, const struct output_wish *wish,
                                  const struct output_view *view, char problem[200])
{
    const char *text = NULL;
    enum exit_status status = EXIT_USAGE;
    if (!plan->control) {
        text = "control is off: use the switch on the supply";
    } else if (view->held) {
        text = "the memory of the unit is being read or written: end the hold first";
    } else if (plan_is_under_way(plan)) {
        text = "it is being switched on already";
    } else if (plan->off.wanted && !plan->off.told) {
        text = "it is being switched off";
    } else if (plan->is_lost) {
        status = EXIT_UNAVAILABLE;
        text = "the supply cannot be reached: use the switch on the supply";
    } else if (plan->is_known && (plan->output_on == FLAG_YES || plan->shown == FLAG_YES)) {
        text = view->tells_output ? "the output is on already"
                                  : "the output is on already, by its voltage";
    }
    if (text) {
        snprintf(problem, 200, "%s", text);
        return status;
    }
    bool stated = !isnan(wish->voltage_V) || !isnan(wish->limit_A);
    if (stated && is_outside(wish->voltage_V, plan->rated_voltage_V))
        snprintf(problem, 200, "%g V is outside the supply's 0 to %g V", wish->voltage_V,
                 plan->rated_voltage_V);
    else if (stated && is_outside(wish->limit_A, plan->rated_current_A))
        snprintf(problem, 200, "%g A is outside the supply's 0 to %g A", wish->limit_A,
                 plan->rated_current_A);
    else if (wish->look && !(wish->look_limit_A > 0 && isfinite(wish->look_limit_A)))
        snprintf(problem, 200, "%g A is no limit to look at", wish->look_limit_A);
    else
        return EXIT_OK;
    return EXIT_BAD_DATA;
}

/* With the settings known that it is to have. */
static void begin_steps(struct output_plan *plan, double now_s)
{
    enum output_stage last = plan->as_found ? OUTPUT_GOES_ON : OUTPUT_SETS;
    plan_enter(plan, plan->wish.look ? OUTPUT_LOOK_WAITS : last, now_s);
}

void plan_begin_on(struct output_plan *plan, double now_s)
{
    if (plan->as_found)
        plan_enter(plan, OUTPUT_READS_SET, now_s);
    else
        begin_steps(plan, now_s);
}

void output_plan_ask_on(struct output_plan *plan, const struct output_wish *wish,
                        const struct output_view *view)
{
    char problem[200];
    plan->on_answer.is_there = false;
    enum exit_status status = objection(plan, wish, view, problem);
    if (status != EXIT_OK) {
        plan_tell(plan, OUTPUT_REFUSED, &wish->asker, wish->voltage_V, wish->limit_A, problem);
        answer(&plan->on_answer, status, problem);
        return;
    }
    plan->wish = *wish;
    plan->as_found = isnan(wish->voltage_V);
    plan->off.wanted = false;
    plan->left_voltage_V = plan->left_limit_A = NAN;
    plan->saw[0] = '\0';
    plan->is_short = false;
    plan->read_s = view->now_s;
    if (plan->is_known)
        plan_begin_on(plan, view->now_s);
    else
        plan_enter(plan, OUTPUT_WAITS, view->now_s);
}

void output_plan_ask_off(struct output_plan *plan, const struct output_asker *asker,
                         const struct output_view *view)
{
    plan->off_answer.is_there = false;
    if (!plan->control) {
        answer(&plan->off_answer, EXIT_USAGE, "control is off: use the switch on the supply");
        return;
    }
    want_off(plan, asker, true, view->now_s);
    plan->adopted = false;
    if (plan_is_under_way(plan))
        plan_give_up(plan, EXIT_USAGE, "switched off meanwhile", view->now_s);
}

void output_plan_adopt(struct output_plan *plan, const struct output_asker *asker)
{
    plan->adopted = true;
    plan->adopted_by = *asker;
}

void output_plan_stop(struct output_plan *plan, const struct output_view *view)
{
    if (plan_is_under_way(plan))
        plan_give_up(plan, EXIT_UNAVAILABLE, "wakedraw stops", view->now_s);
    if (plan->ours && !view->held)
        plan_want_off(plan, "wakedraw stops", view->now_s);
    plan->off.again_s = view->now_s;
    plan->off.sent = false;
}

/* --- the link --- */

void output_plan_lost(struct output_plan *plan, const struct output_view *view)
{
    if (plan->is_lost)
        return;
    plan->is_lost = true;
    plan->is_known = false;
    plan->lost_s = view->now_s;
    plan->limited_since_s = NAN;
    plan->contrary = 0;
    plan->off.sent = false;
    if (plan_is_under_way(plan))
        plan_give_up(plan, EXIT_UNAVAILABLE, "the supply was lost: use the switch on the supply",
                     view->now_s);
}

void output_plan_back(struct output_plan *plan, const struct output_view *view)
{
    if (!plan->is_lost)
        return;
    plan->is_lost = false;
    plan->read_s = view->now_s;
    /* What may be on by us goes off however late; what somebody asked for has had its time. */
    if (plan->off.owed)
        plan->off.since_s = view->now_s;
    else if (has_had_its_time(&plan->off, view->now_s))
        plan->off.wanted = false;
    plan->off.again_s = view->now_s;
    plan->was_lost = plan->ours && view->held;
    if (!plan->ours || view->held)
        return;
    char why[WHY_BYTES];
    snprintf(why, sizeof why, "the supply did not answer for %.1f s", view->now_s - plan->lost_s);
    plan_want_off(plan, why, view->now_s);
}

/* --- steps --- */

static enum output_action set_first(struct output_plan *plan, double voltage_V, double limit_A)
{
    plan->set_voltage_V = voltage_V;
    plan->set_limit_A = limit_A;
    return OUTPUT_DO_SET;
}

static enum output_action next_step(struct output_plan *plan, const struct output_view *view)
{
    const struct output_wish *wish = &plan->wish;
    double since_s =
        plan->stage == OUTPUT_WAITS ? plan->stage_s : fmax(plan->read_s, plan->stage_s);
    if (plan_is_under_way(plan) && view->now_s - since_s > UNREAD_S) {
        plan_give_up(plan, EXIT_UNAVAILABLE,
                     plan->stage == OUTPUT_WAITS
                         ? "it does not become known whether the output is on"
                         : "no readings come: use the switch on the supply",
                     view->now_s);
        return OUTPUT_DO_NOTHING;
    }
    switch (plan->stage) {
    case OUTPUT_READS_SET:
        return OUTPUT_DO_READ_SET;
    case OUTPUT_LOOK_SETS: {
        double voltage_V = isnan(wish->look_voltage_V) ? wish->voltage_V : wish->look_voltage_V;
        return set_first(plan, fmin(voltage_V, wish->voltage_V),
                         fmin(wish->look_limit_A, wish->limit_A));
    }
    case OUTPUT_SETS:
        return set_first(plan, wish->voltage_V, wish->limit_A);
    case OUTPUT_LOOK_GOES_ON:
    case OUTPUT_GOES_ON:
        return OUTPUT_DO_ON;
    case OUTPUT_LOOK_GOES_OFF:
        return OUTPUT_DO_OFF;
    default:
        return OUTPUT_DO_NOTHING;
    }
}

static void guard_limit(struct output_plan *plan, const struct output_view *view)
{
    if (view->held && !isnan(plan->limited_since_s))
        plan->limited_since_s = view->now_s;
    double limited_s = view->now_s - plan->limited_since_s;
    if (!plan->ours || view->held || !(limited_s >= plan->limit_longest_s))
        return;
    char why[WHY_BYTES];
    snprintf(why, sizeof why, "%.1f s in current limit", limited_s);
    plan_want_off(plan, why, view->now_s);
}

enum output_action output_plan_next(struct output_plan *plan, const struct output_view *view)
{
    struct output_off *off = &plan->off;
    if (plan->is_lost)
        return OUTPUT_DO_NOTHING;
    guard_limit(plan, view);
    if (has_had_its_time(off, view->now_s))
        off->wanted = false;
    if (off->wanted && off->sent && view->now_s >= off->again_s)
        off_not_confirmed(plan, "off was sent, and the voltage has not fallen", view->now_s);
    if (off->wanted)
        return !off->sent && (off->asked || !view->held) && view->now_s >= off->again_s
                   ? OUTPUT_DO_OFF
                   : OUTPUT_DO_NOTHING;
    return next_step(plan, view);
}

static void did_look_off(struct output_plan *plan, const struct output_view *view)
{
    plan->output_on = plan->shown = FLAG_NO;
    plan->switched_s = view->now_s;
    if (plan->is_short) {
        refuse(plan, EXIT_BAD_DATA, plan->saw);
        plan_enter(plan, OUTPUT_CLEARS, view->now_s);
        return;
    }
    plan_enter(plan, OUTPUT_FALLS, view->now_s);
}

void plan_did_on(struct output_plan *plan, const struct output_view *view)
{
    const struct output_wish *wish = &plan->wish;
    plan->ours = true;
    plan->was_lost = false;
    plan->limit_longest_s = wish->limit_longest_s;
    plan->limited_since_s = NAN;
    plan->output_on = FLAG_YES;
    plan->contrary = 0;
    plan->adopted = plan->settings_by_hand = false;
    plan_tell(plan, OUTPUT_ON, &wish->asker, wish->voltage_V, wish->limit_A, "");
    answer(&plan->on_answer, EXIT_OK, "");
    plan_enter(plan, OUTPUT_RESTS, view->now_s);
}

static void went_well(struct output_plan *plan, const struct output_view *view, double voltage_V,
                      double limit_A)
{
    struct output_wish *wish = &plan->wish;
    switch (plan->stage) {
    case OUTPUT_READS_SET:
        wish->voltage_V = voltage_V;
        wish->limit_A = limit_A;
        plan->voltage_set_V = voltage_V;
        plan->limit_set_A = limit_A;
        if (isnan(voltage_V) || isnan(limit_A))
            plan_give_up(plan, EXIT_BAD_DATA,
                         "what it is set to cannot be read, and unknown settings are no settings",
                         view->now_s);
        else
            begin_steps(plan, view->now_s);
        break;
    case OUTPUT_LOOK_SETS:
    case OUTPUT_SETS:
        plan->left_voltage_V = plan->voltage_set_V = plan->set_voltage_V;
        plan->left_limit_A = plan->limit_set_A = plan->set_limit_A;
        if (plan->stage == OUTPUT_SETS && !plan->as_found)
            plan_tell(plan, OUTPUT_SET, &wish->asker, wish->voltage_V, wish->limit_A, "");
        plan_enter(plan, plan->stage == OUTPUT_SETS ? OUTPUT_GOES_ON : OUTPUT_LOOK_GOES_ON,
                   view->now_s);
        break;
    case OUTPUT_LOOK_GOES_ON:
        plan->looks = plan->fine = plan->poor = 0;
        plan->switched_s = plan->read_s = view->now_s;
        plan->output_on = FLAG_YES;
        plan_enter(plan, OUTPUT_LOOKS, view->now_s);
        break;
    case OUTPUT_LOOK_GOES_OFF:
        did_look_off(plan, view);
        break;
    case OUTPUT_GOES_ON:
        plan->switched_s = plan->read_s = view->now_s;
        if (view->tells_output)
            plan_did_on(plan, view);
        else
            plan_enter(plan, OUTPUT_RISES, view->now_s);
        break;
    default:
        break;
    }
}

void output_plan_did(struct output_plan *plan, const struct output_view *view,
                     enum output_action action, enum output_result result, const char *problem,
                     double voltage_V, double limit_A)
{
    if (action == OUTPUT_DO_OFF && plan->off.wanted) {
        did_off(plan, view, result, problem);
    } else if (plan_is_under_way(plan) && result == OUTPUT_DONE) {
        went_well(plan, view, voltage_V, limit_A);
    } else if (plan_is_under_way(plan) && result != OUTPUT_BROKEN_OFF) {
        if (action == OUTPUT_DO_SET)
            plan->voltage_set_V = plan->limit_set_A = plan->left_limit_A = NAN;
        if (result == OUTPUT_NO_LINK)
            output_plan_lost(plan, view);
        else
            plan_give_up(plan, EXIT_BAD_DATA, problem, view->now_s);
    }
}
