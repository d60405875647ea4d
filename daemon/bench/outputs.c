/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/outputs.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/outputs_private.h"
#include "bench/waiting.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* An on waits for the disk so long; a disk that has failed hinders no work. */
static const double MARK_PATIENCE_S = 1.0;
static const double FLUSH_PATIENCE_S = 1.0;
static const double LIMIT_LONGEST_S = 3.0;
static const double LOOK_PARTS = 10; /* of the limit, one */
static const double LOOK_COUNTS = 10;
/* Readings older than this tell nothing of now. */
static const double FRESH_S = 2.0;

struct outputs *outputs_create(struct bench *bench)
{
    struct outputs *outputs = calloc(1, sizeof *outputs);
    if (!outputs)
        return NULL;
    outputs->bench = bench;
    pthread_mutex_init(&outputs->mutex, NULL);
    waiting_init(&outputs->changed);
    outputs->lines = output_lines_create(bench->writer, &bench->board);
    outputs->hands = calloc((size_t)bench->config->supply_count + 1, sizeof *outputs->hands);
    if (!outputs->lines || !outputs->hands) {
        outputs_destroy(outputs);
        return NULL;
    }
    for (int i = 0; i < bench->config->supply_count; i++)
        outputs->hands[i].off_s = NAN;
    return outputs;
}

void outputs_destroy(struct outputs *outputs)
{
    if (!outputs)
        return;
    output_lines_destroy(outputs->lines);
    pthread_cond_destroy(&outputs->changed);
    pthread_mutex_destroy(&outputs->mutex);
    free(outputs->hands);
    free(outputs);
}

const char *outputs_name_of(const struct outputs *outputs, int supply)
{
    return outputs->bench->config->supplies[supply].name;
}

struct poller *outputs_poller_of(const struct outputs *outputs, int supply)
{
    return outputs->bench->pollers[outputs->bench->poller_of[supply]];
}

/* --- what happened --- */

static void log_event(const struct outputs *outputs, const struct output_event *event)
{
    const struct output_asker *asker = &event->asker;
    log_info("%s: output %s%s%s%s%s%s%s", outputs_name_of(outputs, event->supply),
             output_what_name(event->what), asker->who[0] ? " by " : "", asker->who,
             asker->why[0] ? ", " : "", asker->why, event->problem[0] ? ": " : "", event->problem);
}

static void tell_pages(const struct outputs *outputs, int supply)
{
    json_t *item = status_to_json(&outputs->bench->board, supply);
    char *text = json_dumps(item, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(item);
    const struct bench_listener *listener = &outputs->bench->listener;
    if (text)
        listener->happened(listener->context, "supply", text);
    free(text);
}

/* What goes on there is not over yet: an off to come, or the on of somebody else. */
static bool is_busy(struct outputs *outputs, int supply)
{
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    bool busy = board->supplies[supply].output.doing[0] != '\0';
    pthread_mutex_unlock(&board->mutex);
    return busy;
}

/* With the mutex held: whose the output is now, and what the disk must know of that. */
static enum output_ours take_event(struct hand *hand, const struct output_event *event, bool busy)
{
    switch (event->what) {
    case OUTPUT_ON:
    case OUTPUT_FOUND_ON:
        hand->ours = true;
        hand->off_failed = hand->adopted = false;
        if (event->what == OUTPUT_ON)
            snprintf(hand->page, sizeof hand->page, "%s", event->asker.page);
        hand->from_s = clock_monotonic_s();
        return LINE_OURS_BEGINS;
    case OUTPUT_OFF:
    case OUTPUT_OFF_SEEN:
    case OUTPUT_ON_SEEN:
        hand->ours = hand->off_failed = hand->adopted = false;
        hand->page[0] = '\0';
        return LINE_OURS_OVER;
    case OUTPUT_REFUSED:
        /* What was put down before it was tried is taken away, unless it may be on. */
        return hand->ours || hand->off_failed || hand->adopted || busy ? LINE_OURS_STAYS
                                                                       : LINE_OURS_OVER;
    case OUTPUT_OFF_FAILED:
        hand->off_failed = true;
        return LINE_OURS_STAYS;
    case OUTPUT_SET:
    case OUTPUT_LOOKED:
    case OUTPUT_SET_SEEN:
    case OUTPUT_HELD:
    case OUTPUT_HOLD_OVER:
        break;
    }
    return LINE_OURS_STAYS;
}

void outputs_happened(void *context, const struct output_event *event)
{
    struct outputs *outputs = context;
    log_event(outputs, event);
    bool busy = is_busy(outputs, event->supply);
    pthread_mutex_lock(&outputs->mutex);
    enum output_ours ours = take_event(&outputs->hands[event->supply], event, busy);
    pthread_mutex_unlock(&outputs->mutex);
    output_lines_add(outputs->lines, event, ours, false);
    tell_pages(outputs, event->supply);
}

void outputs_told(struct outputs *outputs, int supply, enum output_what what,
                  const struct output_asker *asker)
{
    const struct output_event event = {.what = what, .supply = supply, .asker = *asker};
    log_event(outputs, &event);
    tell_pages(outputs, supply);
}

void outputs_flush(struct outputs *outputs)
{
    output_lines_wait(outputs->lines, clock_monotonic_s() + FLUSH_PATIENCE_S);
}

/* --- wishes --- */

static double number_of(const json_t *type, const char *key, double otherwise)
{
    const json_t *value = json_object_get(type, key);
    return json_is_number(value) ? json_number_value(value) : otherwise;
}

static void wish_by_type(const struct outputs *outputs, int supply, const json_t *type,
                         struct output_wish *wish)
{
    double voltage_V = number_of(type, "nominal_voltage_V", NAN);
    double limit_A = number_of(type, "current_limit_A", NAN);
    wish->limit_longest_s = number_of(type, "limit_longest_s", LIMIT_LONGEST_S);
    if (isnan(voltage_V) || isnan(limit_A))
        return;
    double count_A = poller_accuracy(outputs_poller_of(outputs, supply))->current_resolution_A;
    double low_A = fmax(limit_A / LOOK_PARTS, isfinite(count_A) ? LOOK_COUNTS * count_A : 0);
    wish->voltage_V = voltage_V;
    wish->limit_A = limit_A;
    wish->look = true;
    wish->look_limit_A = fmin(number_of(type, "look_limit_A", low_A), limit_A);
    wish->look_voltage_V = number_of(type, "look_voltage_V", NAN);
    if (wish->look_voltage_V >= voltage_V)
        wish->look_voltage_V = NAN;
}

int outputs_wish(struct outputs *outputs, int supply, bool on, const struct output_asker *asker,
                 struct output_wish *wish, struct error *error)
{
    *wish = (struct output_wish){.on = on,
                                 .asker = *asker,
                                 .asked_s = clock_monotonic_s(),
                                 .voltage_V = NAN,
                                 .limit_A = NAN,
                                 .look_voltage_V = NAN,
                                 .look_limit_A = NAN,
                                 .limit_longest_s = LIMIT_LONGEST_S};
    struct bench *bench = outputs->bench;
    pthread_mutex_lock(&bench->board.mutex);
    struct on_bench on_bench = bench->board.supplies[supply].chain.on_bench;
    pthread_mutex_unlock(&bench->board.mutex);
    if (!on || !on_bench.module_type[0])
        return 0;
    struct store_reader *reader = store_reader_open(bench->config->data, error);
    if (!reader)
        return -1;
    json_t *type = store_module_type(reader, on_bench.module_type, error);
    store_reader_close(reader);
    if (!type)
        return -1;
    wish_by_type(outputs, supply, type, wish);
    json_decref(type);
    return 0;
}

/* --- switching --- */

void outputs_refused(struct outputs *outputs, int supply, const struct output_asker *asker,
                     const struct error *error)
{
    struct output_event event = {.what = OUTPUT_REFUSED,
                                 .supply = supply,
                                 .asker = *asker,
                                 .voltage_V = NAN,
                                 .limit_A = NAN};
    snprintf(event.problem, sizeof event.problem, "%s", error->found);
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    struct output_status *status = &board->supplies[supply].output;
    status->last = OUTPUT_REFUSED;
    status->at_us = clock_wall_us();
    status->by = event.asker;
    memcpy(status->problem, event.problem, sizeof status->problem);
    pthread_mutex_unlock(&board->mutex);
    outputs_happened(outputs, &event);
}

int outputs_off(struct outputs *outputs, int supply, const struct output_asker *asker,
                struct error *error)
{
    struct hand *hand = &outputs->hands[supply];
    struct output_wish wish = {.on = false, .asker = *asker, .asked_s = clock_monotonic_s()};
    pthread_mutex_lock(&outputs->mutex);
    hand->off_s = wish.asked_s;
    hand->off_by = *asker;
    pthread_mutex_unlock(&outputs->mutex);
    return poller_switch(outputs_poller_of(outputs, supply), supply, &wish, error);
}

static bool is_overtaken(struct outputs *outputs, int supply, const struct output_wish *wish,
                         struct output_asker *by)
{
    pthread_mutex_lock(&outputs->mutex);
    bool overtaken = outputs->hands[supply].off_s >= wish->asked_s;
    *by = outputs->hands[supply].off_by;
    pthread_mutex_unlock(&outputs->mutex);
    return overtaken;
}

static int say_overtaken(struct error *error)
{
    return error_set(error, EXIT_USAGE, "", 0, NULL, "off was asked for meanwhile");
}

static bool is_on(struct outputs *outputs, int supply)
{
    struct status_board *board = &outputs->bench->board;
    pthread_mutex_lock(&board->mutex);
    const struct chain_status *chain = &board->supplies[supply].chain;
    bool on =
        chain->last.output_on == FLAG_YES && clock_monotonic_s() - chain->last_received_s < FRESH_S;
    pthread_mutex_unlock(&board->mutex);
    return on;
}

/* It is put down that it is ours before it is on, so that no end of the daemon leaves
 * an output on that nobody looks after. What is on already is not ours to mark. */
static void mark_ours(struct outputs *outputs, int supply, const struct output_wish *wish)
{
    if (is_on(outputs, supply))
        return;
    struct output_event event = {
        .supply = supply, .asker = wish->asker, .voltage_V = NAN, .limit_A = NAN};
    output_lines_add(outputs->lines, &event, LINE_OURS_BEGINS, true);
    if (!output_lines_wait(outputs->lines, clock_monotonic_s() + MARK_PATIENCE_S))
        log_warning("%s: that its output goes on is not on the disk yet",
                    outputs_name_of(outputs, supply));
}

static int drive_on(struct outputs *outputs, int supply, const struct output_wish *wish,
                    struct error *error)
{
    struct output_asker by;
    mark_ours(outputs, supply, wish);
    if (is_overtaken(outputs, supply, wish, &by)) {
        struct error why = {0};
        say_overtaken(&why);
        outputs_refused(outputs, supply, &wish->asker, &why);
        return say_overtaken(error);
    }
    int status = poller_switch(outputs_poller_of(outputs, supply), supply, wish, error);
    /* An off that came between the look above and the polling thread was carried out
     * before this on: it is carried out again. */
    if (status != 0 || !is_overtaken(outputs, supply, wish, &by))
        return status;
    const struct output_wish off = {.on = false, .asker = by, .asked_s = clock_monotonic_s()};
    return poller_switch(outputs_poller_of(outputs, supply), supply, &off, error) == 0
               ? say_overtaken(error)
               : -1;
}

int outputs_check_control(const struct outputs *outputs, int supply, struct error *error)
{
    const struct config *config = outputs->bench->config;
    if (config->supplies[supply].control)
        return 0;
    return error_set(error, EXIT_USAGE, config->path, 0, NULL,
                     "[supply %s] control is off: use the switch on the supply",
                     outputs_name_of(outputs, supply));
}

int outputs_drive(struct outputs *outputs, int supply, const struct output_wish *wish,
                  struct error *error)
{
    if (outputs_check_control(outputs, supply, error) != 0)
        return -1;
    return wish->on ? drive_on(outputs, supply, wish, error)
                    : poller_switch(outputs_poller_of(outputs, supply), supply, wish, error);
}
