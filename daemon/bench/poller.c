/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/poller.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/waiting.h"
#include "supply/supply.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_OUTPUTS = 32, WINDOW = 1024 };

static const double FIRST_BACK_OFF_S = 0.1;
static const double LONGEST_BACK_OFF_S = 2.0;
static const double RATE_WINDOW_S = 5.0;
static const double SHORTEST_GAP_S = 0.05;
static const double STATE_EVERY_S = 0.5;
/* So long without a reading, and why is told. */
static const double TROUBLE_S = 1.5;

/* When the last readings came, for the rate and its jitter. */
struct arrivals {
    double at_s[WINDOW];
    size_t first, count;
};

struct output {
    int index; /* in the configuration */
    struct supply *supply;
    struct arrivals arrivals;
    struct reading last; /* the last one handed on; time on the running clock */
    uint64_t gaps, dropped;
    double rate_hz;
    double read_s;     /* monotonic: when it was last read, or opened */
    bool held;         /* under the mutex */
    char trouble[700]; /* why it has not been read since */
    bool trouble_told;
};

struct order {
    bool waiting, done;
    struct output *output;
    struct output_wish wish;
    int status;
    struct error error;
};

struct poller {
    const struct config *config;
    struct reading_queue *queue;
    struct status_board *board;
    struct poller_listener listener;
    double zero_s;
    struct profile *profile;
    struct connection *connection;
    struct output outputs[MOST_OUTPUTS];
    int count;
    double conversion_hz; /* learned; NAN: not known */
    double next_state_s;
    pthread_t thread;
    bool started;
    pthread_mutex_t mutex; /* stopping and order */
    pthread_cond_t changed;
    bool stopping;
    struct order order;
};

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

static void note_arrival(struct output *output, double at_s)
{
    struct arrivals *arrivals = &output->arrivals;
    if (arrivals->count > 1) {
        double last_s = arrivals->at_s[(arrivals->first + arrivals->count - 1) % WINDOW];
        double mean_s = (last_s - arrivals->at_s[arrivals->first]) / (double)(arrivals->count - 1);
        if (at_s - last_s > 3 * mean_s && at_s - last_s > SHORTEST_GAP_S)
            output->gaps++;
    }
    if (arrivals->count == WINDOW) {
        arrivals->first = (arrivals->first + 1) % WINDOW;
        arrivals->count--;
    }
    arrivals->at_s[(arrivals->first + arrivals->count) % WINDOW] = at_s;
    arrivals->count++;
    while (arrivals->count > 2 && at_s - arrivals->at_s[arrivals->first] > RATE_WINDOW_S) {
        arrivals->first = (arrivals->first + 1) % WINDOW;
        arrivals->count--;
    }
}

static void describe_arrivals(const struct arrivals *arrivals, struct polling_status *status)
{
    status->rate_hz = status->jitter_s = status->longest_gap_s = NAN;
    if (arrivals->count < 3)
        return;
    double first_s = arrivals->at_s[arrivals->first];
    double last_s = arrivals->at_s[(arrivals->first + arrivals->count - 1) % WINDOW];
    double intervals = (double)(arrivals->count - 1);
    double mean_s = (last_s - first_s) / intervals;
    double squares = 0;
    double longest_s = 0;
    for (size_t i = 1; i < arrivals->count; i++) {
        double interval_s = arrivals->at_s[(arrivals->first + i) % WINDOW] -
                            arrivals->at_s[(arrivals->first + i - 1) % WINDOW];
        squares += (interval_s - mean_s) * (interval_s - mean_s);
        longest_s = fmax(longest_s, interval_s);
    }
    status->rate_hz = 1 / mean_s;
    status->jitter_s = sqrt(squares / intervals);
    status->longest_gap_s = longest_s;
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
                                        .gaps = output->gaps,
                                        .dropped = output->dropped};
        strncat(status.problem, problem[0] ? problem : lasting_trouble(output),
                sizeof status.problem - 1);
        describe_arrivals(&output->arrivals, &status);
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

/* True: asked to stop. Returns early when an order comes. */
static bool wait_until(struct poller *poller, double until_s)
{
    pthread_mutex_lock(&poller->mutex);
    while (!poller->stopping && !poller->order.waiting &&
           waiting_until(&poller->changed, &poller->mutex, until_s)) {
    }
    bool stopping = poller->stopping;
    pthread_mutex_unlock(&poller->mutex);
    return stopping;
}

static int carry_out(const struct order *order, struct error *error)
{
    struct supply *supply = order->output->supply;
    const struct output_wish *wish = &order->wish;
    if (wish->on && order->output->held)
        return error_set(error, EXIT_USAGE, "", 0, NULL,
                         "the memory of the unit is being read or written");
    if (wish->on && isfinite(wish->voltage_V) && isfinite(wish->limit_A) &&
        supply_set(supply, wish->voltage_V, wish->limit_A, error) != SUPPLY_OK)
        return -1;
    return supply_switch_output(supply, wish->on, error) == SUPPLY_OK ? 0 : -1;
}

static void tell_order(struct poller *poller, const struct order *order)
{
    enum output_what what = order->wish.on ? OUTPUT_REFUSED : OUTPUT_OFF_FAILED;
    if (order->status == 0)
        what = order->wish.on ? OUTPUT_ON : OUTPUT_OFF;
    struct output_event event = {.what = what,
                                 .supply = order->output->index,
                                 .asker = order->wish.asker,
                                 .voltage_V = order->wish.voltage_V,
                                 .limit_A = order->wish.limit_A};
    snprintf(event.problem, sizeof event.problem, "%s", order->status ? order->error.found : "");
    pthread_mutex_lock(&poller->board->mutex);
    struct output_status *status = &poller->board->supplies[event.supply].output;
    status->ours = what == OUTPUT_ON || (what != OUTPUT_OFF && status->ours);
    status->off_wanted = what == OUTPUT_OFF_FAILED;
    status->at_us = clock_wall_us();
    status->last = what;
    status->by = event.asker;
    memcpy(status->problem, event.problem, sizeof status->problem);
    pthread_mutex_unlock(&poller->board->mutex);
    if (poller->listener.happened)
        poller->listener.happened(poller->listener.context, &event);
}

static void take_order(struct poller *poller)
{
    pthread_mutex_lock(&poller->mutex);
    bool waiting = poller->order.waiting;
    struct order order = poller->order;
    pthread_mutex_unlock(&poller->mutex);
    if (!waiting)
        return;
    if (connection_is_open(poller->connection))
        order.status = carry_out(&order, &order.error);
    else
        order.status = error_set(&order.error, EXIT_UNAVAILABLE, "", 0, NULL,
                                 "the supply cannot be reached: use its switch");
    tell_order(poller, &order);
    pthread_mutex_lock(&poller->mutex);
    /* Who gave it may have gone while the daemon stops. */
    if (poller->order.waiting) {
        poller->order = order;
        poller->order.waiting = false;
        poller->order.done = true;
        pthread_cond_broadcast(&poller->changed);
    }
    pthread_mutex_unlock(&poller->mutex);
}

/* A supply is asked oftener than it converts, so as to see each conversion soon
 * after it is made; what says the same thing again is left out. On a steady
 * draw a new conversion may read the same: one a renewal is handed on then. */
static bool says_nothing_new(const struct poller *poller, const struct output *output,
                             const struct reading *reading, bool repeat)
{
    const struct reading *last = &output->last;
    return repeat && isfinite(poller->conversion_hz) && reading->output_on == last->output_on &&
           reading->limited == last->limited && reading->valid == last->valid &&
           reading->time_s - last->time_s < 0.9 / poller->conversion_hz;
}

static void hand_on(struct poller *poller, struct output *output, struct reading *reading,
                    bool repeat, double received_s)
{
    reading->time_s -= poller->zero_s;
    reading_quantise(reading);
    if (says_nothing_new(poller, output, reading, repeat))
        return;
    note_arrival(output, received_s);
    if (reading->time_s <= output->last.time_s) {
        reading->time_s = output->last.time_s + READING_TIME_STEP_S;
        reading_quantise(reading);
    }
    output->last = *reading;
    struct queue_item item = {.kind = ITEM_READING,
                              .supply = output->index,
                              .reading = *reading,
                              .repeat = repeat,
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
        take_order(poller);
        switch (supply_read(output->supply, &reading, &repeat, error)) {
        case SUPPLY_OK:
            output->read_s = clock_monotonic_s();
            output->trouble[0] = '\0';
            output->trouble_told = false;
            hand_on(poller, output, &reading, repeat, output->read_s);
            break;
        case SUPPLY_NO_READING:
            error_text(error, output->trouble, sizeof output->trouble);
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
    double interval_s = INFINITY;
    for (int i = 0; i < poller->count; i++) {
        double own_s = poller->outputs[i].rate_hz > 0
                           ? 1 / poller->outputs[i].rate_hz
                           : supply_poll_interval_s(poller->outputs[i].supply);
        interval_s = fmin(interval_s, own_s);
    }
    return interval_s;
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
        /* Late rounds are not made up for: the next one counts from now. */
        next_s = fmax(next_s + round_interval_s(poller), now_s);
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

static void *poll_supply(void *context)
{
    struct poller *poller = context;
    const char *link = poller->config->supplies[poller->outputs[0].index].link.text;
    double back_off_s = FIRST_BACK_OFF_S;
    bool was_open = false;
    char last_problem[700] = "";
    for (bool stopping = false; !stopping;) {
        struct error error = {0};
        char problem[700] = "";
        if (connection_open(poller->connection, &error) == 0) {
            log_info("%s answers", link);
            last_problem[0] = '\0';
            expect_readings(poller);
            publish_state(poller, "");
            tell_all(poller, ITEM_BACK);
            was_open = true;
            back_off_s = FIRST_BACK_OFF_S;
            stopping = poll_while_open(poller, &error);
        }
        error_text(&error, problem, sizeof problem);
        connection_close(poller->connection);
        if (was_open) {
            tell_all(poller, ITEM_LOST);
            for (int i = 0; i < poller->count; i++)
                poller->outputs[i].arrivals.count = 0;
        }
        was_open = false;
        publish_state(poller, problem);
        if (!stopping && strcmp(problem, last_problem) != 0)
            log_warning("%s", problem);
        memcpy(last_problem, problem, sizeof last_problem);
        double until_s = clock_monotonic_s() + back_off_s;
        while (!stopping && clock_monotonic_s() < until_s) {
            stopping = wait_until(poller, until_s);
            take_order(poller);
        }
        back_off_s = fmin(2 * back_off_s, LONGEST_BACK_OFF_S);
    }
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

void poller_stop(struct poller *poller)
{
    if (!poller->started)
        return;
    pthread_mutex_lock(&poller->mutex);
    poller->stopping = true;
    pthread_cond_broadcast(&poller->changed);
    pthread_mutex_unlock(&poller->mutex);
    pthread_join(poller->thread, NULL);
    poller->started = false;
}

static struct output *find_output(struct poller *poller, int supply)
{
    for (int i = 0; i < poller->count; i++)
        if (poller->outputs[i].index == supply)
            return &poller->outputs[i];
    return NULL;
}

void poller_hold(struct poller *poller, int supply, bool held)
{
    struct output *output = find_output(poller, supply);
    if (!output)
        return;
    pthread_mutex_lock(&poller->mutex);
    output->held = held;
    pthread_mutex_unlock(&poller->mutex);
    pthread_mutex_lock(&poller->board->mutex);
    poller->board->supplies[supply].output.held = held;
    pthread_mutex_unlock(&poller->board->mutex);
}

void poller_adopt(struct poller *poller, int supply, const struct output_asker *asker)
{
    pthread_mutex_lock(&poller->board->mutex);
    poller->board->supplies[supply].output.by = *asker;
    pthread_mutex_unlock(&poller->board->mutex);
}

int poller_switch(struct poller *poller, int supply, const struct output_wish *wish,
                  struct error *error)
{
    struct output *output = find_output(poller, supply);
    if (!output)
        return error_set(error, EXIT_NO_INPUT, "", 0, NULL, "not an output of this link");
    pthread_mutex_lock(&poller->mutex);
    while (poller->order.waiting || poller->order.done)
        pthread_cond_wait(&poller->changed, &poller->mutex);
    poller->order = (struct order){.waiting = true, .output = output, .wish = *wish};
    pthread_cond_broadcast(&poller->changed);
    while (!poller->order.done && !poller->stopping)
        pthread_cond_wait(&poller->changed, &poller->mutex);
    int status = -1;
    if (poller->order.done) {
        status = poller->order.status;
        if (status != 0 && error)
            *error = poller->order.error;
    } else {
        error_set(error, EXIT_UNAVAILABLE, "", 0, NULL, "the daemon is stopping");
    }
    poller->order = (struct order){0};
    pthread_cond_broadcast(&poller->changed);
    pthread_mutex_unlock(&poller->mutex);
    return status;
}
