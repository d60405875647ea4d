/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/chain.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/reading_event.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Onset may be seen some readings late; this much is held ready for it. */
static const double HELD_S = 6.0;
/* At most 20 reading events a second for one supply. */
static const double EVENT_EVERY_S = 0.05;
static const double STATE_EVERY_S = 1.0;
static const double TEND_EVERY_S = 0.01;
static const double DEFAULT_WATCH_S = 30.0;

enum { EVENT_READINGS = 256, MOST_TAKEN = 32 };

/* What is held of one output. */
struct lane {
    int supply;
    struct capture_place place;
    struct power_up_machine *machine;
    struct power_up_rules rules;
    struct trace held;       /* the last HELD_S of readings, running clock */
    struct capture *capture; /* open, or logging its on-time */
    struct on_bench on_bench;
    struct shared_reference *reference;
    double type_watch_s;
    struct reading told[EVENT_READINGS]; /* not yet in an event */
    size_t told_count;
    char *quoted_name; /* the supply's, as JSON */
};

struct chain {
    const struct config *config;
    struct reading_queue *queue;
    struct status_board *board;
    const struct bench_listener *listener;
    double zero_s;
    struct lane *lanes;
    int count;
    double next_event_s, next_state_s; /* monotonic; of all lanes */
    pthread_t thread;
    bool started;
};

static double lane_watch_s(const struct lane *lane)
{
    if (lane->reference)
        return reference_watch_s(lane->reference->reference);
    return isfinite(lane->type_watch_s) ? lane->type_watch_s : DEFAULT_WATCH_S;
}

struct chain *chain_create(const struct config *config, struct reading_queue *queue,
                           struct writer *writer, struct status_board *board,
                           const struct bench_listener *listener, double zero_s)
{
    struct chain *chain = calloc(1, sizeof *chain);
    if (!chain)
        return NULL;
    chain->config = config;
    chain->queue = queue;
    chain->board = board;
    chain->listener = listener;
    chain->zero_s = zero_s;
    chain->lanes = calloc((size_t)config->supply_count + 1, sizeof *chain->lanes);
    for (int i = 0; chain->lanes && i < config->supply_count; i++) {
        struct lane *lane = &chain->lanes[i];
        lane->supply = i;
        lane->type_watch_s = NAN;
        lane->place = (struct capture_place){.writer = writer,
                                             .listener = listener,
                                             .board = board,
                                             .supply = i,
                                             .supply_name = config->supplies[i].name,
                                             .profile_name = config->supplies[i].profile};
        lane->rules = (struct power_up_rules){.watch_s = DEFAULT_WATCH_S};
        lane->machine = power_up_create(&lane->rules);
        if (!lane->machine)
            break;
        json_t *name = json_string(config->supplies[i].name);
        lane->quoted_name = json_dumps(name, JSON_ENCODE_ANY);
        json_decref(name);
        /* A module that is running when we come to look is no power-up. */
        power_up_lost(lane->machine);
        chain->count++;
    }
    if (!chain->lanes || chain->count < config->supply_count) {
        chain_destroy(chain);
        return NULL;
    }
    return chain;
}

void chain_set_accuracy(struct chain *chain, int supply, const struct accuracy *accuracy)
{
    struct lane *lane = &chain->lanes[supply];
    lane->place.accuracy = accuracy;
    lane->rules.resolution_A = accuracy->current_resolution_A;
    lane->rules.resolution_V = accuracy->voltage_resolution_V;
    power_up_set_rules(lane->machine, &lane->rules);
}

void bench_change_destroy(struct bench_change *change)
{
    if (!change)
        return;
    reference_destroy(change->reference);
    conditions_clear(&change->conditions);
    free(change);
}

/* What was handed over after the end was asked for. */
static void drop_leftovers(struct reading_queue *queue)
{
    struct queue_item item;
    while (reading_queue_take(queue, 0, 0, &item, 1) > 0) {
        if (item.kind == ITEM_ON_BENCH) {
            bench_change_destroy(item.payload);
        } else if (item.kind == ITEM_MOVED) {
            free(item.payload);
        }
    }
}

void chain_destroy(struct chain *chain)
{
    if (!chain)
        return;
    drop_leftovers(chain->queue);
    for (int i = 0; i < chain->count; i++) {
        struct lane *lane = &chain->lanes[i];
        power_up_destroy(lane->machine);
        capture_release(lane->capture);
        shared_reference_release(lane->reference);
        trace_clear(&lane->held);
        free(lane->quoted_name);
    }
    free(chain->lanes);
    free(chain);
}

/* --- events --- */

static void tell(const struct chain *chain, const char *name, json_t *event)
{
    char *text = json_dumps(event, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(event);
    if (text)
        chain->listener->happened(chain->listener->context, name, text);
    free(text);
}

static void tell_readings(const struct chain *chain, struct lane *lane)
{
    int64_t id = lane->capture ? capture_id(lane->capture) : 0;
    char *text = NULL;
    if (lane->quoted_name)
        text = reading_event_text(lane->quoted_name, id, lane->told, lane->told_count);
    lane->told_count = 0;
    if (text)
        chain->listener->happened(chain->listener->context, "reading", text);
    free(text);
}

static void tell_state(const struct chain *chain, const struct lane *lane)
{
    tell(chain, "supply", status_to_json(chain->board, lane->supply));
}

/* --- from reading to verdict --- */

static void hold(struct lane *lane, const struct reading *reading)
{
    trace_append(&lane->held, reading);
    size_t stale = 0;
    while (stale < lane->held.count && lane->held.readings[stale].time_s < reading->time_s - HELD_S)
        stale++;
    /* Moved in one go when half of it is stale, so that a reading costs a
     * constant time. */
    if (stale > 64 && 2 * stale > lane->held.count) {
        memmove(lane->held.readings, lane->held.readings + stale,
                (lane->held.count - stale) * sizeof *lane->held.readings);
        lane->held.count -= stale;
    }
}

static void set_open(const struct chain *chain, const struct lane *lane, int64_t id)
{
    pthread_mutex_lock(&chain->board->mutex);
    chain->board->supplies[lane->supply].chain.open_id = id;
    pthread_mutex_unlock(&chain->board->mutex);
}

static void end(struct chain *chain, struct lane *lane, enum power_up_end why, double ended_s)
{
    if (!lane->capture)
        return;
    capture_finish_watch(lane->capture, why);
    capture_end_on_time(lane->capture, why, ended_s);
    capture_release(lane->capture);
    lane->capture = NULL;
    set_open(chain, lane, 0);
    pthread_mutex_lock(&chain->board->mutex);
    chain->board->supplies[lane->supply].chain.last_ended_us = clock_wall_us();
    pthread_mutex_unlock(&chain->board->mutex);
    /* A type put on meanwhile counts from the next power-up on. */
    power_up_set_rules(lane->machine, &lane->rules);
}

/* After a longer off the unit said may be gone, and another there. */
static void note_begun(struct chain *chain, const struct lane *lane)
{
    pthread_mutex_lock(&chain->board->mutex);
    struct chain_status *status = &chain->board->supplies[lane->supply].chain;
    int64_t since_us = status->on_bench.confirmed_us > status->last_ended_us
                           ? status->on_bench.confirmed_us
                           : status->last_ended_us;
    status->power_ups++;
    if (status->on_bench.unit[0] && clock_wall_us() - since_us > chain->board->ask_after_us)
        status->ask_unit = true;
    pthread_mutex_unlock(&chain->board->mutex);
}

static void begin(struct chain *chain, struct lane *lane, const struct queue_item *item)
{
    const struct reading *newest = &item->reading;
    end(chain, lane, END_OUTPUT_OFF, newest->time_s);
    double onset_s = power_up_onset_s(lane->machine);
    double keep_from_s = power_up_keep_from_s(lane->machine);
    const struct trace *held = &lane->held;
    size_t from = held->count ? held->count - 1 : 0;
    while (from > 0 && held->readings[from - 1].time_s >= keep_from_s)
        from--;
    size_t resting = 0;
    /* The reading before that makes it half a second in full. */
    double wanted_s = onset_s - POWER_UP_BEFORE_S;
    if (from > 0 && keep_from_s <= wanted_s && held->readings[from].time_s > wanted_s)
        from--;
    double waited_s = clock_monotonic_s() - item->received_s;
    int64_t since_us = llround((newest->time_s - onset_s + waited_s) * 1e6);
    lane->capture =
        capture_begin(&lane->place, &lane->on_bench, lane->reference, lane_watch_s(lane),
                      held->readings + from, held->count - from, onset_s,
                      clock_wall_us() - since_us, power_up_baseline_A(lane->machine, &resting));
    if (!lane->capture)
        log_failure("a power-up on %s is not caught: memory is out", lane->place.supply_name);
    note_begun(chain, lane);
}

static void follow(struct chain *chain, struct lane *lane, const struct queue_item *item)
{
    const struct reading *reading = &item->reading;
    hold(lane, reading);
    enum power_up_event event = power_up_step(lane->machine, reading);
    if (event == POWER_UP_BEGAN) {
        begin(chain, lane, item);
    } else if (lane->capture) {
        if (capture_watching(lane->capture))
            capture_read(lane->capture, reading, item->received_s);
        else
            capture_read_after(lane->capture, reading);
    }
    if (event == POWER_UP_WATCHED && lane->capture)
        capture_finish_watch(lane->capture, END_NONE);
    if (event == POWER_UP_ENDED)
        end(chain, lane, power_up_end(lane->machine), power_up_ended_s(lane->machine));
}

static void take_reading(struct chain *chain, struct lane *lane, const struct queue_item *item)
{
    pthread_mutex_lock(&chain->board->mutex);
    struct chain_status *status = &chain->board->supplies[lane->supply].chain;
    status->last = item->reading;
    status->last_received_s = item->received_s;
    status->last_wall_us =
        clock_wall_us() - llround((clock_monotonic_s() - item->received_s) * 1e6);
    status->readings++;
    status->repeats += item->repeat;
    pthread_mutex_unlock(&chain->board->mutex);
    follow(chain, lane, item);
    if (lane->told_count < EVENT_READINGS)
        lane->told[lane->told_count++] = item->reading;
}

static void lost(struct chain *chain, struct lane *lane)
{
    if (power_up_lost(lane->machine) == POWER_UP_ENDED) {
        double last_s = lane->held.count ? lane->held.readings[lane->held.count - 1].time_s : 0;
        end(chain, lane, END_LOST, last_s);
    }
    /* What comes after is another stretch of time. */
    lane->held.count = 0;
}

static void change(struct chain *chain, struct lane *lane, struct bench_change *change)
{
    lane->on_bench = change->on_bench;
    lane->type_watch_s = change->watch_s;
    shared_reference_release(lane->reference);
    lane->reference = NULL;
    if (change->reference) {
        lane->reference = calloc(1, sizeof *lane->reference);
        if (lane->reference) {
            *lane->reference = (struct shared_reference){.reference = change->reference,
                                                         .on_bench = change->conditions,
                                                         .version = change->reference_version,
                                                         .holders = 1};
            change->reference = NULL;
            change->conditions = (struct conditions){0};
        }
    }
    bench_change_destroy(change);
    pthread_mutex_lock(&chain->board->mutex);
    struct chain_status *status = &chain->board->supplies[lane->supply].chain;
    status->on_bench = lane->on_bench;
    status->reference_version = lane->reference ? lane->reference->version : 0;
    pthread_mutex_unlock(&chain->board->mutex);
    lane->rules.watch_s = lane_watch_s(lane);
    lane->rules.sleeps = lane->reference && reference_sleeps(lane->reference->reference);
    /* An open power-up keeps the type it began with, and so its watch. */
    if (!lane->capture || !capture_watching(lane->capture))
        power_up_set_rules(lane->machine, &lane->rules);
}

static void move(struct lane *lane, struct bench_move *move)
{
    if (lane->capture && capture_id(lane->capture) == move->power_up)
        capture_move(lane->capture, &move->on_bench);
    free(move);
}

static void flush(struct chain *chain, struct lane *lane)
{
    if (lane->capture)
        capture_flush(lane->capture);
    pthread_mutex_lock(&chain->board->mutex);
    chain->board->supplies[lane->supply].chain.flushes_done++;
    pthread_mutex_unlock(&chain->board->mutex);
}

/* False: nothing will follow. */
static bool take(struct chain *chain, struct queue_item *item)
{
    struct lane *lane = &chain->lanes[item->supply];
    switch (item->kind) {
    case ITEM_READING:
        take_reading(chain, lane, item);
        return true;
    case ITEM_LOST:
        lost(chain, lane);
        tell_state(chain, lane);
        return true;
    case ITEM_BACK:
        tell_state(chain, lane);
        return true;
    case ITEM_ON_BENCH:
        change(chain, lane, item->payload);
        tell_state(chain, lane);
        return true;
    case ITEM_MOVED:
        move(lane, item->payload);
        return true;
    case ITEM_FLUSH:
        flush(chain, lane);
        return true;
    case ITEM_STOP:
        break;
    }
    return false;
}

/* Those of all lanes at once. */
static void tell_all_readings(struct chain *chain, double now_s)
{
    chain->next_event_s = now_s + EVENT_EVERY_S;
    for (int i = 0; i < chain->count; i++)
        if (chain->lanes[i].told_count)
            tell_readings(chain, &chain->lanes[i]);
    if (chain->listener->all_told)
        chain->listener->all_told(chain->listener->context);
}

static void tell_all_states(struct chain *chain, double now_s)
{
    chain->next_state_s = now_s + STATE_EVERY_S;
    for (int i = 0; i < chain->count; i++)
        tell_state(chain, &chain->lanes[i]);
}

/* The events that are due; returns the monotonic instant to look again. */
static double tend(struct chain *chain, double now_s)
{
    bool some = false;
    bool tended = false;
    for (int i = 0; i < chain->count; i++) {
        struct lane *lane = &chain->lanes[i];
        some = some || lane->told_count > 0;
        if (lane->capture && capture_tend(lane->capture, now_s))
            tended = true;
    }
    if (now_s >= chain->next_state_s)
        tell_all_states(chain, now_s);
    double again_s = chain->next_state_s;
    if (some && now_s >= chain->next_event_s)
        tell_all_readings(chain, now_s);
    else if (some)
        again_s = fmin(again_s, chain->next_event_s);
    return tended ? fmin(again_s, now_s + TEND_EVERY_S) : again_s;
}

/* A watch is open: each reading may bring a verdict, which is told at once. */
static bool watches(const struct chain *chain)
{
    bool some = false;
    for (int i = 0; i < chain->count; i++) {
        const struct lane *lane = &chain->lanes[i];
        bool watched = lane->capture && capture_watching(lane->capture);
        atomic_store(&chain->board->rests[lane->supply], lane->capture && !watched);
        some = some || watched;
    }
    return some;
}

/* Where no power-up is watched, readings are taken up together, for one event: waking
 * up costs more than all that is done with one. */
static double gather_until_s(const struct chain *chain)
{
    double now_s = clock_monotonic_s();
    return chain->next_event_s > now_s ? chain->next_event_s : now_s + EVENT_EVERY_S;
}

static void *run(void *context)
{
    struct chain *chain = context;
    double again_s = 0;
    bool more = true; /* left in the queue */
    for (bool goes_on = true; goes_on;) {
        struct queue_item items[MOST_TAKEN];
        double gather_s = watches(chain) || more ? 0 : gather_until_s(chain);
        size_t count = reading_queue_take(chain->queue, gather_s, again_s, items, MOST_TAKEN);
        more = count == MOST_TAKEN;
        for (size_t i = 0; i < count && goes_on; i++)
            goes_on = take(chain, &items[i]);
        again_s = tend(chain, clock_monotonic_s());
        status_beat(chain->board);
    }
    for (int i = 0; i < chain->count; i++)
        lost(chain, &chain->lanes[i]);
    return NULL;
}

int chain_start(struct chain *chain)
{
    if (pthread_create(&chain->thread, NULL, run, chain) != 0)
        return -1;
    pthread_setname_np(chain->thread, "chain");
    chain->started = true;
    return 0;
}

void chain_join(struct chain *chain)
{
    if (chain->started)
        pthread_join(chain->thread, NULL);
    chain->started = false;
}
