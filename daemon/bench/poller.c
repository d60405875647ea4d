/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"
#include "base/log.h"
#include "bench/poller_private.h"
#include "bench/waiting.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double FIRST_BACK_OFF_S = 0.1;
static const double LONGEST_BACK_OFF_S = 2.0;
static const double STATE_EVERY_S = 0.5;
static const double STEP_V = 1;
/* Rounds that follow closer are begun as they come. */
static const double SHORTEST_SHARED_S = 0.002;
/* So long without a reading, and why is told. */
static const double TROUBLE_S = 1.5;
/* While steps follow one another. */
static const double BUSY_INTERVAL_S = 0.002;
/* An off that finds no link waits for one no longer. */
static const double OFF_OPENING_S = 1.0;

/* What does not fit a link is a mistake in the file that names it. */
static void place_in_configuration(const struct config *config, const struct supply_config *member,
                                   struct error *error)
{
    if (error->status != EXIT_USAGE)
        return;
    struct error inner = *error;
    error_set(error, EXIT_BAD_DATA, config->path, member->line,
              inner.expected[0] ? inner.expected : NULL, "[supply %s] %s", member->name,
              inner.found);
}

struct poller *poller_create(const struct config *config, const int *members, int count,
                             struct reading_queue *queue, struct status_board *board,
                             const struct poller_listener *listener, double zero_s,
                             struct error *error)
{
    struct poller *poller = calloc(1, sizeof *poller);
    if (!poller || count > MOST_OUTPUTS) {
        free(poller);
        error_set(error, EXIT_SOFTWARE, config->path, 0, NULL,
                  count > MOST_OUTPUTS ? "more than 32 outputs on one link" : "memory is out");
        return NULL;
    }
    poller->config = config;
    poller->queue = queue;
    poller->board = board;
    poller->listener = *listener;
    poller->zero_s = zero_s;
    poller->conversion_hz = NAN;
    pthread_mutex_init(&poller->mutex, NULL);
    waiting_init(&poller->changed);
    const struct supply_config *first = &config->supplies[members[0]];
    poller->profile = profile_load(first->profile, error);
    if (poller->profile) {
        poller->connection = connection_create(poller->profile, &first->link, error);
        if (!poller->connection)
            place_in_configuration(config, first, error);
    }
    for (int i = 0; poller->connection && i < count; i++) {
        const struct supply_config *member = &config->supplies[members[i]];
        struct output *output = &poller->outputs[i];
        output->index = members[i];
        output->last.time_s = -1;
        output->rate_hz = member->rate_hz;
        output->supply = supply_create(poller->connection, member->output, member->control, error);
        if (!output->supply) {
            place_in_configuration(config, member, error);
            break;
        }
        double rated_voltage_V = NAN;
        double rated_current_A = NAN;
        supply_ratings(output->supply, &rated_voltage_V, &rated_current_A);
        output_plan_begin(&output->plan, member->control, rated_voltage_V, rated_current_A);
        poller->count++;
    }
    if (poller->count < count) {
        poller_destroy(poller);
        return NULL;
    }
    return poller;
}

void poller_destroy(struct poller *poller)
{
    if (!poller)
        return;
    for (int i = 0; i < poller->count; i++)
        supply_destroy(poller->outputs[i].supply);
    connection_destroy(poller->connection);
    profile_destroy(poller->profile);
    pthread_cond_destroy(&poller->changed);
    pthread_mutex_destroy(&poller->mutex);
    free(poller);
}

const struct accuracy *poller_accuracy(const struct poller *poller)
{
    return profile_accuracy(poller->profile);
}

/* It answers, but nothing that is a reading: why, once that has gone on. */
static const char *lasting_trouble(struct output *output)
{
    if (!output->trouble[0] || clock_monotonic_s() - output->read_s < TROUBLE_S)
        return "";
    if (!output->trouble_told)
        log_warning("%s", output->trouble);
    output->trouble_told = true;
    return output->trouble;
}

static void publish_state(struct poller *poller, const char *problem)
{
    struct wire_state wire;
    connection_wire_state(poller->connection, &wire);
    poller->conversion_hz = wire.conversion_hz;
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        struct polling_status status = {.connected = connection_is_open(poller->connection),
                                        .tried = true,
                                        .wire = wire,
                                        .dropped = output->dropped};
        strncat(status.problem, problem[0] ? problem : lasting_trouble(output),
                sizeof status.problem - 1);
        arrivals_describe(&output->arrivals, &status);
        supply_settings(output->supply, &status.voltage_set_V, &status.limit_set_A);
        if (wire.conversion_hz < status.wire.limit_hz) {
            status.wire.limit_hz = wire.conversion_hz;
            snprintf(status.wire.limit_why, sizeof status.wire.limit_why,
                     "its readback renews %.1f times a second", wire.conversion_hz);
        }
        pthread_mutex_lock(&poller->board->mutex);
        poller->board->supplies[output->index].polling = status;
        pthread_mutex_unlock(&poller->board->mutex);
    }
}

static void tell_all(struct poller *poller, enum queue_item_kind kind)
{
    for (int i = 0; i < poller->count; i++) {
        struct queue_item item = {
            .kind = kind, .supply = poller->outputs[i].index, .received_s = clock_monotonic_s()};
        reading_queue_push_waiting(poller->queue, &item);
    }
}

/* True: asked to stop. Returns early when something is asked for. */
static bool wait_until(struct poller *poller, double until_s)
{
    pthread_mutex_lock(&poller->mutex);
    while (!poller->stopping && !poller->ordered &&
           waiting_until(&poller->changed, &poller->mutex, until_s)) {
    }
    bool stopping = poller->stopping;
    pthread_mutex_unlock(&poller->mutex);
    return stopping;
}

/* A supply is asked oftener than it converts, so as to see each conversion soon
 * after it is made; what says the same thing again is left out. On a steady
 * draw a new conversion may read the same: one a renewal is handed on then. */
static bool says_nothing_new(const struct poller *poller, const struct output *output,
                             const struct reading *reading, bool repeat)
{
    const struct reading *last = &output->last;
    return repeat && !poller->rests && isfinite(poller->conversion_hz) &&
           reading->output_on == last->output_on && reading->limited == last->limited &&
           reading->valid == last->valid &&
           reading->time_s - last->time_s < 0.9 / poller->conversion_hz;
}

/* The output was switched, or a feed: the chain sees to it at once. */
static bool is_step(const struct reading *last, const struct reading *reading)
{
    return reading->output_on != last->output_on || reading->limited != last->limited ||
           fabs(reading->voltage_V - last->voltage_V) > STEP_V;
}

static void hand_on(struct poller *poller, struct output *output, struct reading *reading,
                    bool repeat, double received_s)
{
    reading->time_s -= poller->zero_s;
    reading_quantise(reading);
    if (says_nothing_new(poller, output, reading, repeat))
        return;
    arrivals_note(&output->arrivals, received_s);
    if (reading->time_s <= output->last.time_s) {
        reading->time_s = output->last.time_s + READING_TIME_STEP_S;
        reading_quantise(reading);
    }
    bool brisk = is_step(&output->last, reading);
    output->last = *reading;
    struct queue_item item = {.kind = ITEM_READING,
                              .supply = output->index,
                              .reading = *reading,
                              .repeat = repeat,
                              .brisk = brisk,
                              .received_s = received_s};
    if (!reading_queue_push(poller->queue, &item))
        output->dropped++;
}

/* One round over the outputs. False: the supply is gone. */
static bool poll_round(struct poller *poller, struct error *error)
{
    for (int i = 0; i < poller->count; i++) {
        struct output *output = &poller->outputs[i];
        struct reading reading;
        bool repeat = false;
        if (!poller_serve(poller, error))
            return false;
        switch (supply_read(output->supply, &reading, &repeat, error)) {
        case SUPPLY_OK:
            output->read_s = clock_monotonic_s();
            output->trouble[0] = '\0';
            output->trouble_told = false;
            poller_note_reading(poller, output, &reading);
            /* The look is no power-up. */
            if (output_plan_hides(&output->plan))
                arrivals_note(&output->arrivals, output->read_s);
            else
                hand_on(poller, output, &reading, repeat, output->read_s);
            break;
        case SUPPLY_NO_READING:
            error_text(error, output->trouble, sizeof output->trouble);
            break;
        case SUPPLY_BROKEN_OFF:
            break;
        case SUPPLY_GONE:
            return false;
        }
    }
    return true;
}

/* The pause between rounds: the configured rate's, or what the supply's own
 * renewal makes worth while. */
static double round_interval_s(const struct poller *poller)
{
    double interval_s = poller_is_busy(poller) ? BUSY_INTERVAL_S : (double)INFINITY;
    for (int i = 0; i < poller->count; i++) {
        /* Conversions that the supply timed itself do not wait to be handed on. */
        double own_s = supply_poll_interval_s(poller->outputs[i].supply);
        if (own_s > 0 && poller->outputs[i].rate_hz > 0)
            own_s = 1 / poller->outputs[i].rate_hz;
        interval_s = fmin(interval_s, own_s);
    }
    return interval_s;
}

/* Where no power-up is watched, so many readings tell no more. */
static void rest_or_not(struct poller *poller)
{
    poller->rests = !poller_is_busy(poller);
    for (int i = 0; i < poller->count; i++)
        poller->rests =
            poller->rests && atomic_load(&poller->board->rests[poller->outputs[i].index]);
    connection_rest(poller->connection, poller->rests);
}

/* When the next round begins: on instants that all polling threads share, so that
 * those at the same rate wake the processor and the chain together. */
static double next_round_s(double last_s, double interval_s, double now_s)
{
    double next_s = last_s + interval_s;
    if (next_s > now_s && interval_s >= SHORTEST_SHARED_S)
        next_s = round(next_s / interval_s) * interval_s;
    /* Late rounds are not made up for: the next one counts from now. */
    return fmax(next_s, now_s);
}

/* Polls until the supply is gone or the thread shall end; true: end. */
static bool poll_while_open(struct poller *poller, struct error *error)
{
    double next_s = clock_monotonic_s();
    for (;;) {
        if (!poll_round(poller, error))
            return false;
        double now_s = clock_monotonic_s();
        if (now_s >= poller->next_state_s) {
            publish_state(poller, "");
            poller->next_state_s = now_s + STATE_EVERY_S;
        }
        rest_or_not(poller);
        next_s = next_round_s(next_s, round_interval_s(poller), now_s);
        if (wait_until(poller, next_s))
            return true;
    }
}

static void expect_readings(struct poller *poller)
{
    for (int i = 0; i < poller->count; i++) {
        poller->outputs[i].read_s = clock_monotonic_s();
        poller->outputs[i].trouble[0] = '\0';
        poller->outputs[i].trouble_told = false;
    }
}

/* True: asked to stop. */
static bool is_stopping(struct poller *poller)
{
    pthread_mutex_lock(&poller->mutex);
    bool stopping = poller->stopping;
    pthread_mutex_unlock(&poller->mutex);
    return stopping;
}

/* Opens the link until it answers, or not (-1). An off that somebody asks for goes out as
 * soon as there is a link, before anything is asked. 1: the thread shall end. */
static int open_link(struct poller *poller, struct error *error)
{
    int status = 1;
    while (status == 1 && !is_stopping(poller)) {
        poller_take_orders(poller);
        if (poller_off_is_awaited(poller) &&
            (connection_has_link(poller->connection) ||
             connection_open_link(poller->connection, OFF_OPENING_S, error) == 0))
            poller_send_offs(poller);
        status = poller_off_is_awaited(poller) && !connection_has_link(poller->connection)
                     ? -1
                     : connection_open(poller->connection, error);
    }
    return status;
}

/* True: the thread shall end. */
static bool back_off(struct poller *poller, double seconds)
{
    double until_s = clock_monotonic_s() + seconds;
    bool stopping = is_stopping(poller);
    while (!stopping && !poller_off_is_awaited(poller) && clock_monotonic_s() < until_s) {
        stopping = wait_until(poller, until_s);
        poller_take_orders(poller);
    }
    return stopping;
}

/* Open, polled until it is gone, or the thread shall end. */
static bool poll_open_link(struct poller *poller, struct error *error)
{
    log_info("%s answers", poller->config->supplies[poller->outputs[0].index].link.text);
    expect_readings(poller);
    poller_outputs_back(poller);
    bool is_there = poller_serve(poller, error);
    publish_state(poller, "");
    tell_all(poller, ITEM_BACK);
    bool stopping = is_there && poll_while_open(poller, error);
    if (stopping)
        poller_last_offs(poller);
    return stopping;
}

static void close_link(struct poller *poller, bool was_open)
{
    connection_hurry(poller->connection, false);
    connection_close(poller->connection);
    if (!was_open)
        return;
    poller_outputs_lost(poller);
    tell_all(poller, ITEM_LOST);
    for (int i = 0; i < poller->count; i++)
        poller->outputs[i].arrivals.count = 0;
}

static void *poll_supply(void *context)
{
    struct poller *poller = context;
    double back_off_s = FIRST_BACK_OFF_S;
    char last_problem[700] = "";
    for (bool stopping = false; !stopping;) {
        struct error error = {0};
        char problem[700] = "";
        int status = open_link(poller, &error);
        if (status == 0) {
            last_problem[0] = '\0';
            back_off_s = FIRST_BACK_OFF_S;
            stopping = poll_open_link(poller, &error);
        } else if (is_stopping(poller)) {
            poller_last_offs(poller);
            stopping = true;
        }
        error_text(&error, problem, sizeof problem);
        close_link(poller, status == 0);
        poller_unreached(poller, error.found);
        publish_state(poller, problem);
        if (!stopping && strcmp(problem, last_problem) != 0)
            log_warning("%s", problem);
        memcpy(last_problem, problem, sizeof last_problem);
        if (!stopping && back_off(poller, back_off_s))
            poller_last_offs(poller);
        stopping = stopping || is_stopping(poller);
        back_off_s = fmin(2 * back_off_s, LONGEST_BACK_OFF_S);
    }
    pthread_mutex_lock(&poller->mutex);
    poller->ended = true;
    pthread_cond_broadcast(&poller->changed);
    pthread_mutex_unlock(&poller->mutex);
    return NULL;
}

int poller_start(struct poller *poller)
{
    if (pthread_create(&poller->thread, NULL, poll_supply, poller) != 0)
        return -1;
    pthread_setname_np(poller->thread, "polling");
    poller->started = true;
    return 0;
}

void poller_halt(struct poller *poller)
{
    pthread_mutex_lock(&poller->mutex);
    poller->stopping = true;
    poller->ordered = true;
    /* Under way may be much that takes long. */
    connection_hurry(poller->connection, true);
    pthread_cond_broadcast(&poller->changed);
    pthread_mutex_unlock(&poller->mutex);
}

void poller_stop(struct poller *poller)
{
    if (!poller->started)
        return;
    poller_halt(poller);
    pthread_join(poller->thread, NULL);
    poller->started = false;
}
