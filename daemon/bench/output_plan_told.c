/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a plan tells of itself.
 */
#include "bench/output_plan_private.h"

#include <math.h>
#include <stdio.h>

struct output_asker plan_asker(const char *who, const char *why)
{
    struct output_asker asker = {.who = ""};
    snprintf(asker.who, sizeof asker.who, "%s", who);
    snprintf(asker.why, sizeof asker.why, "%s", why);
    return asker;
}

void plan_tell(struct output_plan *plan, enum output_what what, const struct output_asker *asker,
               double voltage_V, double limit_A, const char *problem)
{
    /* Taken after every step, so there is always room; the newest counts. */
    if (plan->event_count == OUTPUT_EVENTS) {
        plan->first_event = (plan->first_event + 1) % OUTPUT_EVENTS;
        plan->event_count--;
    }
    struct output_event *event =
        &plan->events[(plan->first_event + plan->event_count++) % OUTPUT_EVENTS];
    *event = (struct output_event){
        .what = what, .asker = *asker, .voltage_V = voltage_V, .limit_A = limit_A};
    snprintf(event->problem, sizeof event->problem, "%s", problem);
}

void plan_tell_plain(struct output_plan *plan, enum output_what what,
                     const struct output_asker *asker)
{
    plan_tell(plan, what, asker, NAN, NAN, "");
}

bool output_plan_hides(const struct output_plan *plan)
{
    return plan->stage == OUTPUT_LOOK_GOES_ON || plan->stage == OUTPUT_LOOKS ||
           plan->stage == OUTPUT_LOOK_GOES_OFF || plan->stage == OUTPUT_FALLS ||
           plan->stage == OUTPUT_CLEARS;
}

bool output_plan_is_busy(const struct output_plan *plan)
{
    return plan->stage != OUTPUT_RESTS || plan->off.wanted;
}

const char *output_plan_doing(const struct output_plan *plan)
{
    static const char *const words[] = {
        [OUTPUT_RESTS] = "",
        [OUTPUT_CLEARS] = "",
        [OUTPUT_WAITS] = "setting",
        [OUTPUT_READS_SET] = "setting",
        [OUTPUT_LOOK_WAITS] = "waiting for the voltage to fall",
        [OUTPUT_LOOK_SETS] = "setting",
        [OUTPUT_LOOK_GOES_ON] = "looking",
        [OUTPUT_LOOKS] = "looking",
        [OUTPUT_LOOK_GOES_OFF] = "looking",
        [OUTPUT_FALLS] = "waiting for the voltage to fall",
        [OUTPUT_SETS] = "setting",
        [OUTPUT_GOES_ON] = "switching on",
        [OUTPUT_RISES] = "switching on",
    };
    return plan->off.wanted ? "switching off" : words[plan->stage];
}

bool output_plan_off_failed(const struct output_plan *plan)
{
    return plan->off.wanted && plan->off.told;
}

bool output_plan_take_event(struct output_plan *plan, struct output_event *event)
{
    if (plan->event_count == 0)
        return false;
    *event = plan->events[plan->first_event];
    plan->first_event = (plan->first_event + 1) % OUTPUT_EVENTS;
    plan->event_count--;
    return true;
}
