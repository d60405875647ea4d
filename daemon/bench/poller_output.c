/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Outputs in the polling thread: what is asked for by other threads goes into the plan
 * of each output (output_plan.h), what the plan says goes to the supply, and what comes
 * of it to the board, the listener and who asked.
 */
#include "base/clock.h"
#include "base/log.h"
#include "bench/poller_private.h"
#include "bench/waiting.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Who asks for off waits so long to hear whether it is confirmed. */
static const double OFF_ANSWER_S = 6;
/* At the end a link that is closed is opened once more, for so long at most. */
static const double LAST_OPENING_S = 0.5;
enum { LAST_ROUNDS = 3 };

static struct output_view view_of(const struct output *output)
{
    return (struct output_view){.now_s = clock_monotonic_s(),
                                .held = output->held,
                                .tells_output = supply_tells_output(output->supply)};
}

/* --- what came of it --- */

static void note_event(struct output_status *status, const struct output_event *event)
{
    enum output_what what = event->what;
    if (what == OUTPUT_ON || what == OUTPUT_OFF)
        status->problem[0] = '\0';
    if (event->problem[0])
        memcpy(status->problem, event->problem, sizeof status->problem);
    /* Steps on the way to on, and set points, are not what switched it. */
    if (what == OUTPUT_SET || what == OUTPUT_LOOKED || what == OUTPUT_SET_SEEN)
        return;
    status->last = what;
    status->at_us = clock_wall_us();
    status->by = event->asker;
}

static void answer_orders(struct poller *poller, struct output *output)
{
    struct output_plan *plan = &output->plan;
    struct output_orders *orders = &output->orders;
    if (!plan->on_answer.is_there && !plan->off_answer.is_there)
        return;
    pthread_mutex_lock(&poller->mutex);
    if (orders->on_taken && plan->on_answer.is_there) {
        orders->on_answer = plan->on_answer;
        orders->on_taken = false;
        orders->on_answered = true;
        pthread_cond_broadcast(&poller->changed);
    }
    if (orders->off_done != orders->off_taken && plan->off_answer.is_there) {
        orders->off_answer = plan->off_answer;
        orders->off_done = orders->off_taken;
        pthread_cond_broadcast(&poller->changed);
    }
    plan->on_answer.is_there = plan->off_answer.is_there = false;
    pthread_mutex_unlock(&poller->mutex);
}

/* What the board says of it besides what happened; true: that is another than before. */
static bool note_state(struct output *output)
{
    const struct output_plan *plan = &output->plan;
    const char *doing = output_plan_doing(plan);
    bool off_failed = output_plan_off_failed(plan);
    bool same = output->doing == doing && output->ours == plan->ours &&
                output->off_failed == off_failed && output->by_hand == plan->settings_by_hand;
    output->doing = doing;
    output->ours = plan->ours;
    output->off_failed = off_failed;
    output->by_hand = plan->settings_by_hand;
    return !same;
}

/* After every step: the board first, so that who is told finds it there. */
static void tell(struct poller *poller, struct output *output)
{
    struct output_plan *plan = &output->plan;
    struct output_status *status = &poller->board->supplies[output->index].output;
    struct polling_status *polling = &poller->board->supplies[output->index].polling;
    struct output_event events[OUTPUT_EVENTS];
    int count = 0;
    bool changed = note_state(output);
    while (count < OUTPUT_EVENTS && output_plan_take_event(plan, &events[count]))
        events[count++].supply = output->index;
    if (changed || count > 0) {
        pthread_mutex_lock(&poller->board->mutex);
        for (int i = 0; i < count; i++)
            note_event(status, &events[i]);
        status->ours = output->ours;
        status->off_wanted = output->off_failed;
        status->settings_by_hand = output->by_hand;
        snprintf(status->doing, sizeof status->doing, "%s", output->doing);
        supply_settings(output->supply, &polling->voltage_set_V, &polling->limit_set_A);
        pthread_mutex_unlock(&poller->board->mutex);
    }
    for (int i = 0; i < count && poller->listener.happened; i++)
        poller->listener.happened(poller->listener.context, &events[i]);
    answer_orders(poller, output);
}

/* --- what is asked for --- */

static void take_orders_of(struct poller *poller, struct output *output)
{
    struct output_orders *orders = &output->orders;
    pthread_mutex_lock(&poller->mutex);
    output->held = orders->held;
    bool on = orders->on_asked;
    bool off = orders->off_asked != orders->off_taken;
    bool on_first = on && off && orders->on_number < orders->off_asked;
    orders->on_asked = false;
    orders->on_taken = orders->on_taken || on;
    orders->off_taken = orders->off_asked;
    struct output_wish wish = orders->on_wish;
    struct output_asker asker = orders->off_asker;
    pthread_mutex_unlock(&poller->mutex);
    if (!on && !off)
        return;
    struct output_view view = view_of(output);
    if (on_first)
        output_plan_ask_on(&output->plan, &wish, &view);
    if (off)
        output_plan_ask_off(&output->plan, &asker, &view);
    if (on && !on_first)
        output_plan_ask_on(&output->plan, &wish, &view);
    tell(poller, output);
}

void poller_take_orders(struct poller *poller)
{
    pthread_mutex_lock(&poller->mutex);
    bool ordered = poller->ordered;
    poller->ordered = false;
    if (ordered)
        connection_hurry(poller->connection, false);
    pthread_mutex_unlock(&poller->mutex);
    for (int i = 0; ordered && i < poller->count; i++)
        take_orders_of(poller, &poller->outputs[i]);
}

bool poller_off_is_awaited(const struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        const struct output_off *off = &poller->outputs[i].plan.off;
        if (off->wanted && off->asked && !off->told)
            return true;
    }
    return false;
}

bool poller_is_busy(const struct poller *poller)
{
    for (int i = 0; i < poller->count; i++)
        if (output_plan_is_busy(&poller->outputs[i].plan))
            return true;
    return false;
}

/* --- what is done --- */

static void did(struct poller *poller, struct output *output, enum output_action action,
                enum supply_result result, const struct error *error, double voltage_V,
                double limit_A)
{
    static const enum output_result results[] = {[SUPPLY_OK] = OUTPUT_DONE,
                                                 [SUPPLY_NO_READING] = OUTPUT_NOT_DONE,
                                                 [SUPPLY_GONE] = OUTPUT_NO_LINK,
                                                 [SUPPLY_BROKEN_OFF] = OUTPUT_BROKEN_OFF};
    struct output_view view = view_of(output);
    output_plan_did(&output->plan, &view, action, results[result], error->found, voltage_V,
                    limit_A);
    tell(poller, output);
}

static void did_off(struct poller *poller, struct output *output, enum supply_result result,
                    const struct error *error)
{
    did(poller, output, OUTPUT_DO_OFF, result, error, NAN, NAN);
}

enum served { SERVED, SERVE_AGAIN, SERVE_NO_MORE };

/* The messages of all go out before the first is confirmed. */
static enum served serve_offs(struct poller *poller, struct error *error)
{
    bool wants[MOST_OUTPUTS];
    enum supply_result results[MOST_OUTPUTS];
    struct error errors[MOST_OUTPUTS];
    enum served served = SERVED;
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        struct output_view view = view_of(output);
        errors[i] = (struct error){0};
        wants[i] = output_plan_next(&output->plan, &view) == OUTPUT_DO_OFF;
        if (wants[i])
            results[i] = supply_off(output->supply, &errors[i]);
        tell(poller, output);
    }
    for (int i = 0; i < poller->count; i++) {
        if (!wants[i])
            continue;
        if (results[i] == SUPPLY_OK && served == SERVED)
            results[i] = supply_confirm_off(poller->outputs[i].supply, &errors[i]);
        else if (results[i] == SUPPLY_OK)
            results[i] = served == SERVE_AGAIN ? SUPPLY_BROKEN_OFF : SUPPLY_GONE;
        if (results[i] == SUPPLY_BROKEN_OFF)
            served = SERVE_AGAIN;
        if (results[i] == SUPPLY_GONE) {
            served = SERVE_NO_MORE;
            *error = errors[i];
        }
        did_off(poller, &poller->outputs[i], results[i], &errors[i]);
    }
    return served;
}

/* One step of an output that is to go on. */
static enum served serve_one(struct poller *poller, struct output *output, struct error *error)
{
    struct output_view view = view_of(output);
    struct output_plan *plan = &output->plan;
    enum output_action action = output_plan_next(plan, &view);
    enum supply_result result = SUPPLY_OK;
    struct error why = {0};
    double voltage_V = NAN;
    double limit_A = NAN;
    switch (action) {
    case OUTPUT_DO_READ_SET:
        result = supply_read_settings(output->supply, &voltage_V, &limit_A, &why);
        break;
    case OUTPUT_DO_SET:
        result = supply_set(output->supply, plan->set_voltage_V, plan->set_limit_A, &why);
        break;
    case OUTPUT_DO_ON:
        result = supply_switch_output(output->supply, true, &why);
        break;
    default:
        tell(poller, output);
        return SERVED;
    }
    did(poller, output, action, result, &why, voltage_V, limit_A);
    if (result == SUPPLY_GONE)
        *error = why;
    return result == SUPPLY_GONE         ? SERVE_NO_MORE
           : result == SUPPLY_BROKEN_OFF ? SERVE_AGAIN
                                         : SERVED;
}

bool poller_serve(struct poller *poller, struct error *error)
{
    enum served served = SERVE_AGAIN;
    while (served == SERVE_AGAIN) {
        poller_take_orders(poller);
        served = serve_offs(poller, error);
        for (int i = 0; served == SERVED && i < poller->count; i++)
            served = serve_one(poller, &poller->outputs[i], error);
    }
    return served == SERVED;
}

void poller_send_offs(struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        struct error error = {0};
        const struct output_off *off = &output->plan.off;
        if (off->wanted && off->asked && !off->told)
            supply_off(output->supply, &error);
    }
}

void poller_unreached(struct poller *poller, const char *problem)
{
    struct error error = {0};
    snprintf(error.found, sizeof error.found, "%s", problem);
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        const struct output_off *off = &output->plan.off;
        if (off->wanted && !off->told && (off->asked || !output->held))
            did_off(poller, output, SUPPLY_GONE, &error);
    }
}

void poller_outputs_back(struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        struct output_view view = view_of(&poller->outputs[i]);
        output_plan_back(&poller->outputs[i].plan, &view);
        tell(poller, &poller->outputs[i]);
    }
}

void poller_outputs_lost(struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        struct output_view view = view_of(&poller->outputs[i]);
        output_plan_lost(&poller->outputs[i].plan, &view);
        tell(poller, &poller->outputs[i]);
    }
}

void poller_note_reading(struct poller *poller, struct output *output,
                         const struct reading *reading)
{
    struct output_view view = view_of(output);
    double voltage_V = NAN;
    double limit_A = NAN;
    supply_settings(output->supply, &voltage_V, &limit_A);
    output_plan_read(&output->plan, &view, reading, voltage_V, limit_A);
    tell(poller, output);
}

/* --- the end --- */

/* True: there is something to send. */
static bool wish_last_offs(struct poller *poller)
{
    bool any = false;
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        struct output_view view = view_of(output);
        output_plan_stop(&output->plan, &view);
        if (output->plan.ours && output->held)
            log_warning("%s: stays on, by us: the memory of its unit is being read or written",
                        poller->config->supplies[output->index].name);
        any = any || output->plan.off.wanted;
        tell(poller, output);
    }
    return any;
}

static void send_last(struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        const struct output_off *off = &output->plan.off;
        struct error error = {0};
        if (off->wanted && (off->asked || !output->held))
            supply_off(output->supply, &error);
    }
}

void poller_last_offs(struct poller *poller)
{
    struct error error = {0};
    poller_take_orders(poller);
    if (!wish_last_offs(poller))
        return;
    enum served served = SERVE_AGAIN;
    for (int i = 0; i < LAST_ROUNDS && served == SERVE_AGAIN; i++) {
        poller_take_orders(poller);
        if (connection_is_open(poller->connection)) {
            served = serve_offs(poller, &error);
        } else {
            if (connection_has_link(poller->connection) ||
                connection_open_link(poller->connection, LAST_OPENING_S, &error) == 0)
                send_last(poller);
            served = SERVE_NO_MORE;
        }
    }
    poller_unreached(poller, "off is not confirmed at the end of wakedraw");
}

/* --- from other threads --- */

static struct output *find_output(struct poller *poller, int supply)
{
    for (int i = 0; i < poller->count; i++)
        if (poller->outputs[i].index == supply)
            return &poller->outputs[i];
    return NULL;
}

/* With the mutex held. */
static void ring(struct poller *poller, bool urgently)
{
    poller->ordered = true;
    if (urgently)
        connection_hurry(poller->connection, true);
    pthread_cond_broadcast(&poller->changed);
}

void poller_hold(struct poller *poller, int supply, bool held)
{
    struct output *output = find_output(poller, supply);
    if (!output)
        return;
    pthread_mutex_lock(&poller->mutex);
    output->orders.held = held;
    ring(poller, false);
    pthread_mutex_unlock(&poller->mutex);
    pthread_mutex_lock(&poller->board->mutex);
    poller->board->supplies[supply].output.held = held;
    pthread_mutex_unlock(&poller->board->mutex);
}

void poller_adopt(struct poller *poller, int supply, const struct output_asker *asker)
{
    struct output *output = find_output(poller, supply);
    if (output)
        output_plan_adopt(&output->plan, asker);
}

static int say(const struct output_answer *answer, struct error *error)
{
    return answer->status == EXIT_OK
               ? 0
               : error_set(error, answer->status, "", 0, NULL, "%s", answer->problem);
}

static int say_ended(struct error *error)
{
    return error_set(error, EXIT_UNAVAILABLE, "", 0, NULL,
                     "wakedraw stops: use the switch on the supply");
}

/* With the mutex held. */
static int switch_on(struct poller *poller, struct output_orders *orders,
                     const struct output_wish *wish, struct error *error)
{
    if (orders->on_asked || orders->on_taken || orders->on_answered)
        return error_set(error, EXIT_USAGE, "", 0, NULL, "it is being switched on already");
    if (poller->stopping || poller->ended || !poller->started)
        return say_ended(error);
    orders->on_asked = true;
    orders->on_number = ++poller->orders;
    orders->on_wish = *wish;
    ring(poller, false);
    while (!orders->on_answered && !poller->ended)
        pthread_cond_wait(&poller->changed, &poller->mutex);
    bool answered = orders->on_answered;
    orders->on_asked = orders->on_taken = orders->on_answered = false;
    return answered ? say(&orders->on_answer, error) : say_ended(error);
}

/* With the mutex held. */
static int switch_off(struct poller *poller, struct output_orders *orders,
                      const struct output_wish *wish, struct error *error)
{
    if (poller->ended || !poller->started)
        return say_ended(error);
    double until_s = clock_monotonic_s() + OFF_ANSWER_S;
    uint64_t number = ++poller->orders;
    orders->off_asked = number;
    orders->off_asker = wish->asker;
    ring(poller, true);
    bool in_time = true;
    while (orders->off_done < number && !poller->ended && in_time)
        in_time = waiting_until(&poller->changed, &poller->mutex, until_s);
    if (orders->off_done >= number)
        return say(&orders->off_answer, error);
    if (poller->ended)
        return say_ended(error);
    return error_set(error, EXIT_UNAVAILABLE, "", 0, NULL,
                     "off is not confirmed yet: use the switch on the supply");
}

int poller_switch(struct poller *poller, int supply, const struct output_wish *wish,
                  struct error *error)
{
    struct output *output = find_output(poller, supply);
    if (!output)
        return error_set(error, EXIT_NO_INPUT, "", 0, NULL, "not an output of this link");
    if (!poller->config->supplies[supply].control)
        return error_set(error, EXIT_USAGE, "", 0, NULL,
                         "control is off: use the switch on the supply");
    pthread_mutex_lock(&poller->mutex);
    int status = wish->on ? switch_on(poller, &output->orders, wish, error)
                          : switch_off(poller, &output->orders, wish, error);
    pthread_mutex_unlock(&poller->mutex);
    return status;
}
