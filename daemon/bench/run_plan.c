/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/run_plan.h"

#include <math.h>

/* From our command until the output reads as told. */
static const double obey_s = 5;
/* From the output reading on until a power-up is caught. */
static const double wake_s = 15;
/* What could not be carried out is asked again after this. */
static const double refused_s = 1;

void run_plan_begin(struct run_plan *plan, const struct run_wish *wish)
{
    *plan = (struct run_plan){
        .wish = *wish, .asked_s = NAN, .again_s = NAN, .off_since_s = NAN, .lost_since_s = NAN};
}

static enum run_action ask(struct run_plan *plan, const struct run_view *view, bool on)
{
    plan->asked = true;
    plan->wants_on = on;
    plan->asked_s = view->now_s;
    plan->begun_when_asked = view->begun;
    return on ? RUN_SWITCH_ON : RUN_SWITCH_OFF;
}

/* Over, but not before what we switched on is off again. */
static enum run_action leave(struct run_plan *plan, const struct run_view *view, enum run_end why)
{
    plan->end = why;
    bool ours = plan->wish.switched_by_us && plan->wants_on;
    if (ours && why != RUN_BY_HAND && view->output_on && !view->is_held)
        return ask(plan, view, false);
    return RUN_END;
}

static void note_view(struct run_plan *plan, const struct run_view *view)
{
    if (view->is_reachable)
        plan->lost_since_s = NAN;
    else if (isnan(plan->lost_since_s))
        plan->lost_since_s = view->now_s;
    if (view->output_on)
        plan->off_since_s = NAN;
    else if (isnan(plan->off_since_s) && view->is_reachable)
        plan->off_since_s = view->now_s;
}

static bool is_on_long_enough(const struct run_plan *plan, const struct run_view *view)
{
    if (!view->newest_watched)
        return false;
    return isnan(plan->wish.on_s) || !(view->newest_on_s < plan->wish.on_s);
}

/* The output is on, as we asked. */
static enum run_action while_on(struct run_plan *plan, const struct run_view *view)
{
    if (view->begun == plan->begun_when_asked)
        return view->now_s - plan->asked_s > wake_s ? leave(plan, view, RUN_NO_POWER_UP) : RUN_WAIT;
    return is_on_long_enough(plan, view) ? ask(plan, view, false) : RUN_WAIT;
}

static enum run_action while_off(struct run_plan *plan, const struct run_view *view)
{
    if (isnan(plan->off_since_s) || view->now_s - plan->off_since_s < plan->wish.off_s)
        return RUN_WAIT;
    return ask(plan, view, true);
}

static enum run_action switch_next(struct run_plan *plan, const struct run_view *view)
{
    if (view->is_held || view->now_s < plan->again_s)
        return RUN_WAIT;
    if (!plan->asked)
        return view->output_on ? ask(plan, view, false) : while_off(plan, view);
    if (view->output_on != plan->wants_on) {
        bool too_late = view->now_s - plan->asked_s > obey_s;
        /* It had obeyed, so somebody else switched; or it never did. */
        return too_late ? leave(plan, view, RUN_BY_HAND) : RUN_WAIT;
    }
    return plan->wants_on ? while_on(plan, view) : while_off(plan, view);
}

enum run_action run_plan_step(struct run_plan *plan, const struct run_view *view)
{
    note_view(plan, view);
    if (plan->end != RUN_GOES_ON) {
        bool waits = plan->wish.switched_by_us && !plan->wants_on && view->output_on &&
                     view->now_s - plan->asked_s < obey_s;
        return waits ? RUN_WAIT : RUN_END;
    }
    if (!isnan(plan->lost_since_s))
        return view->now_s - plan->lost_since_s > RUN_PATIENCE_S ? leave(plan, view, RUN_LOST)
                                                                 : RUN_WAIT;
    if (plan->wish.stop_on_bad && view->any_bad)
        return leave(plan, view, RUN_BAD);
    bool newest_over = view->begun == view->done && is_on_long_enough(plan, view);
    if (view->done >= plan->wish.wanted && (!plan->wish.switched_by_us || newest_over))
        return leave(plan, view, RUN_COMPLETE);
    return plan->wish.switched_by_us ? switch_next(plan, view) : RUN_WAIT;
}

void run_plan_refused(struct run_plan *plan, const struct run_view *view)
{
    if (plan->end != RUN_GOES_ON)
        return;
    plan->again_s = view->now_s + refused_s;
    /* As it still is; what it is to be is found anew. */
    plan->wants_on = !plan->wants_on;
    plan->asked = false;
}

double run_left_s(const struct run_plan *plan, const struct run_view *view, double elapsed_s)
{
    if (plan->end != RUN_GOES_ON || view->done >= plan->wish.wanted)
        return 0;
    return view->done > 0 ? elapsed_s / view->done * (plan->wish.wanted - view->done) : (double)NAN;
}

const char *run_end_text(enum run_end end)
{
    static const char *const texts[] = {
        [RUN_GOES_ON] = "",
        [RUN_COMPLETE] = "complete",
        [RUN_BAD] = "stopped on the first bad one",
        [RUN_NO_POWER_UP] = "switched on, and nothing woke",
        [RUN_LOST] = "the supply did not answer",
        [RUN_BY_HAND] = "the output was switched at the supply, or by the supply itself",
    };
    return texts[end];
}
