/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/bench_private.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/bench_conditions.h"
#include "reference/reference_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The chain comes round once a second with nothing to do. */
static const double CHAIN_BEAT_S = 10;

/* Two seconds of 8 outputs at 500 readings/s. */
enum { QUEUE_READINGS = 8192 };

static bool shares_connection(const struct supply_config *a, const struct supply_config *b)
{
    return config_same_link(a, b) && a->link.address == b->link.address;
}

/* A poller for the supply with this index and all later ones on its link. */
static int add_poller(struct bench *bench, int first, struct error *error)
{
    const struct config *config = bench->config;
    int members[64] = {first};
    int count = 1;
    bench->poller_of[first] = bench->poller_count;
    for (int i = first + 1; i < config->supply_count && count < 64; i++) {
        if (bench->poller_of[i] >= 0 ||
            !shares_connection(&config->supplies[first], &config->supplies[i]))
            continue;
        bench->poller_of[i] = bench->poller_count;
        members[count++] = i;
    }
    struct error inner = {0};
    struct poller_listener listener = {.happened = outputs_happened, .context = bench->outputs};
    struct poller *poller = poller_create(config, members, count, bench->queue, &bench->board,
                                          &listener, bench->zero_s, &inner);
    if (!poller) {
        if (!inner.file[0])
            return error_set(error, inner.status, config->path, config->supplies[first].line,
                             inner.expected, "[supply %s] %s", config->supplies[first].name,
                             inner.found);
        *error = inner;
        return -1;
    }
    bench->pollers[bench->poller_count++] = poller;
    for (int i = 0; i < count; i++)
        chain_set_accuracy(bench->chain, members[i], poller_accuracy(poller));
    return 0;
}

/* False: memory is out, or a thread cannot be started. */
static bool make_parts(struct bench *bench, const struct config *config)
{
    size_t places = (size_t)config->supply_count + 1;
    bench->pollers = calloc(places, sizeof(struct poller *));
    bench->poller_of = calloc(places, sizeof *bench->poller_of);
    if (!bench->pollers || !bench->poller_of)
        return false;
    for (size_t i = 0; i < places; i++)
        bench->poller_of[i] = -1;
    bench->queue = reading_queue_create(QUEUE_READINGS);
    bench->writer = writer_create(bench->store);
    if (!bench->queue || !bench->writer || status_board_init(&bench->board, config) != 0)
        return false;
    bench->chain = chain_create(config, bench->queue, bench->writer, &bench->board,
                                &bench->listener, bench->zero_s);
    bench->runs = runs_create(bench);
    bench->outputs = outputs_create(bench);
    return bench->chain && bench->runs && bench->outputs;
}

struct bench *bench_create(const struct config *config, struct store *store,
                           const struct bench_listener *listener, struct error *error)
{
    struct bench *bench = calloc(1, sizeof *bench);
    if (!bench) {
        error_set(error, EXIT_SOFTWARE, config->path, 0, NULL, "memory is out");
        return NULL;
    }
    bench->config = config;
    bench->store = store;
    bench->listener = *listener;
    bench->zero_s = clock_monotonic_s();
    pthread_mutex_init(&bench->change_mutex, NULL);
    int status = make_parts(bench, config)
                     ? 0
                     : error_set(error, EXIT_SOFTWARE, config->path, 0, NULL, "memory is out");
    for (int i = 0; status == 0 && i < config->supply_count; i++)
        if (bench->poller_of[i] < 0)
            status = add_poller(bench, i, error);
    if (status != 0) {
        bench_destroy(bench);
        return NULL;
    }
    /* Before anyone can ask for anything. */
    holds_restore(bench);
    outputs_restore(bench->outputs);
    return bench;
}

/* The type's own watch time, what its reference is compared under, and the
 * newest reference that was taught so, else the newest. */
static int read_type(struct store_reader *reader, struct bench_change *change, struct error *error)
{
    const char *name = change->on_bench.module_type;
    json_t *type = store_module_type(reader, name, error);
    if (!type)
        return -1;
    const json_t *watch = json_object_get(type, "watch_s");
    if (json_is_number(watch))
        change->watch_s = json_number_value(watch);
    struct conditions *conditions = &change->conditions;
    int status = bench_conditions_read(reader, type, change->on_bench.unit, conditions, error);
    json_decref(type);
    if (status != 0)
        return -1;
    struct error inner = {0};
    char *text = store_reference_text_for(reader, name, conditions->revision, conditions->set_up,
                                          &change->reference_version, &inner);
    if (!text && inner.status != EXIT_OK && error)
        *error = inner;
    if (text)
        change->reference = reference_parse(text, strlen(text), name, error);
    free(text);
    return (text && change->reference) || (!text && inner.status == EXIT_OK) ? 0 : -1;
}

static int look_up_type(struct bench *bench, struct bench_change *change, struct error *error)
{
    change->watch_s = NAN;
    if (!change->on_bench.module_type[0])
        return 0;
    struct store_reader *reader = store_reader_open(bench->config->data, error);
    if (!reader)
        return -1;
    int status = read_type(reader, change, error);
    store_reader_close(reader);
    return status;
}

static int hand_over(struct bench *bench, int supply, const struct on_bench *on_bench,
                     struct error *error)
{
    struct bench_change *change = calloc(1, sizeof *change);
    if (!change)
        return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "memory is out");
    change->on_bench = *on_bench;
    if (look_up_type(bench, change, error) != 0) {
        bench_change_destroy(change);
        return -1;
    }
    pthread_mutex_lock(&bench->board.mutex);
    struct chain_status *status = &bench->board.supplies[supply].chain;
    if (status->on_bench.confirmed_us != on_bench->confirmed_us)
        status->ask_unit = false;
    status->on_bench = change->on_bench;
    status->reference_version = change->reference ? change->reference_version : 0;
    pthread_mutex_unlock(&bench->board.mutex);
    struct queue_item item = {.kind = ITEM_ON_BENCH, .supply = supply, .payload = change};
    reading_queue_push_waiting(bench->queue, &item);
    return 0;
}

static int read_on_bench(struct bench *bench, const char *supply, struct on_bench *on_bench,
                         struct error *error)
{
    struct store_reader *reader = store_reader_open(bench->config->data, error);
    if (!reader)
        return -1;
    int status = store_read_on_bench(reader, supply, on_bench, error);
    store_reader_close(reader);
    return status;
}

/* For how long its output was off, and whether its unit was asked for. */
static int read_absence(struct bench *bench, int supply, struct error *error)
{
    struct store_reader *reader = store_reader_open(bench->config->data, error);
    if (!reader)
        return -1;
    int64_t ended_us = 0;
    bool ask = false;
    int status = store_read_absence(reader, bench->config->supplies[supply].name,
                                    bench->board.ask_after_us, &ended_us, &ask, error);
    store_reader_close(reader);
    if (status != 0)
        return -1;
    pthread_mutex_lock(&bench->board.mutex);
    struct chain_status *chain = &bench->board.supplies[supply].chain;
    chain->last_ended_us = ended_us;
    chain->ask_unit = ask && chain->on_bench.unit[0];
    pthread_mutex_unlock(&bench->board.mutex);
    return 0;
}

/* What was on the bench when the daemon stopped, and the types the
 * configuration says are always there. */
static void restore_on_bench(struct bench *bench)
{
    for (int i = 0; i < bench->config->supply_count; i++) {
        const struct supply_config *supply = &bench->config->supplies[i];
        struct on_bench on_bench = {0};
        struct error error = {0};
        int status = read_on_bench(bench, supply->name, &on_bench, &error);
        if (supply->module_type[0] && strcmp(on_bench.module_type, supply->module_type) != 0) {
            on_bench = (struct on_bench){0};
            snprintf(on_bench.module_type, sizeof on_bench.module_type, "%s", supply->module_type);
        }
        if (status == 0)
            status = hand_over(bench, i, &on_bench, &error);
        if (status == 0)
            status = read_absence(bench, i, &error);
        if (status != 0) {
            char text[1200];
            log_failure("what is on %s is not known: %s", supply->name,
                        error_text(&error, text, sizeof text));
        }
    }
}

int bench_start(struct bench *bench, struct error *error)
{
    if (chain_start(bench->chain) != 0)
        return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "a thread cannot be started");
    status_beat(&bench->board);
    bench->running = true;
    bench_settings_changed(bench);
    restore_on_bench(bench);
    for (int i = 0; i < bench->poller_count; i++)
        if (poller_start(bench->pollers[i]) != 0)
            return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "a thread cannot be started");
    if (outputs_start(bench->outputs) != 0 || runs_start(bench->runs) != 0)
        return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "a thread cannot be started");
    return 0;
}

void bench_stop(struct bench *bench)
{
    runs_stop(bench->runs);
    outputs_stop(bench->outputs);
    /* All at once: one that does not answer delays the off of no other. */
    for (int i = 0; i < bench->poller_count; i++)
        poller_halt(bench->pollers[i]);
    for (int i = 0; i < bench->poller_count; i++)
        poller_stop(bench->pollers[i]);
    if (!bench->running)
        return;
    struct queue_item stop = {.kind = ITEM_STOP};
    reading_queue_push_waiting(bench->queue, &stop);
    chain_join(bench->chain);
    bench->running = false;
}

void bench_destroy(struct bench *bench)
{
    if (!bench)
        return;
    writer_destroy(bench->writer);
    runs_destroy(bench->runs);
    for (int i = 0; bench->pollers && i < bench->poller_count; i++)
        poller_destroy(bench->pollers[i]);
    outputs_destroy(bench->outputs);
    chain_destroy(bench->chain);
    status_board_clear(&bench->board);
    reading_queue_destroy(bench->queue);
    pthread_mutex_destroy(&bench->change_mutex);
    free(bench->pollers);
    free(bench->poller_of);
    free(bench);
}

json_t *bench_supplies(struct bench *bench)
{
    json_t *items = json_array();
    for (int i = 0; i < bench->config->supply_count; i++)
        json_array_append_new(items, status_to_json(&bench->board, i));
    return items;
}

bool bench_is_moving(struct bench *bench)
{
    pthread_mutex_lock(&bench->board.mutex);
    double beat_s = bench->board.chain_beat_s;
    pthread_mutex_unlock(&bench->board.mutex);
    return clock_monotonic_s() - beat_s < CHAIN_BEAT_S;
}

bool bench_is_well(struct bench *bench, char *problem, size_t size)
{
    pthread_mutex_lock(&bench->board.mutex);
    snprintf(problem, size, "%s", bench->board.store_problem);
    pthread_mutex_unlock(&bench->board.mutex);
    if (!bench_is_moving(bench))
        snprintf(problem, size, "the chain from reading to verdict stands still");
    return !problem[0];
}

int bench_find_supply(const struct bench *bench, const char *name, struct error *error)
{
    for (int i = 0; i < bench->config->supply_count; i++)
        if (strcmp(bench->config->supplies[i].name, name) == 0)
            return i;
    return error_set(error, EXIT_NO_INPUT, "", 0, NULL, "there is no supply \"%.60s\"", name);
}

const struct accuracy *bench_accuracy(const struct bench *bench, const char *supply)
{
    int index = bench_find_supply(bench, supply, NULL);
    return index < 0 ? NULL : poller_accuracy(bench->pollers[bench->poller_of[index]]);
}

struct on_bench_write {
    struct bench *bench;
    int index;
    const char *supply;
    const struct on_bench *on_bench;
    const json_t *what;
    struct intake *intake;
};

static int write_on_bench(struct store *store, void *context, struct error *error)
{
    const struct on_bench_write *write = context;
    const struct on_bench *on_bench = write->on_bench;
    if (holds_check_unit(write->bench, write->index, on_bench->unit, on_bench->work_order, error) !=
        0)
        return -1;
    return store_put_on_bench(store, write->supply, write->on_bench, error);
}

static int write_intake(struct store *store, void *context, struct error *error)
{
    const struct on_bench_write *write = context;
    const char *serial = json_string_value(json_object_get(write->what, "serial"));
    if (serial && holds_check_unit(write->bench, write->index, serial, "", error) != 0)
        return -1;
    return store_take_in(store, write->supply, write->what, write->intake, error);
}

static int write_confirmation(struct store *store, void *context, struct error *error)
{
    const struct on_bench_write *write = context;
    return store_confirm_unit(store, write->supply, error);
}

/* The store completes what was said (a work order names its unit), so it is read
 * back. */
static int read_again(struct bench *bench, int supply, struct error *error)
{
    struct on_bench kept = {0};
    return read_on_bench(bench, bench->config->supplies[supply].name, &kept, error) == 0
               ? hand_over(bench, supply, &kept, error)
               : -1;
}

int bench_write_on_bench(struct bench *bench, int supply,
                         int (*write)(struct store *store, void *context, struct error *error),
                         void *context, struct error *error)
{
    pthread_mutex_lock(&bench->change_mutex);
    int status = bench_write(bench, write, context, error);
    if (status == 0)
        status = read_again(bench, supply, error);
    pthread_mutex_unlock(&bench->change_mutex);
    return status;
}

static int change_on_bench(struct bench *bench,
                           int (*function)(struct store *, void *, struct error *),
                           struct on_bench_write *write, struct error *error)
{
    write->bench = bench;
    write->index = bench_find_supply(bench, write->supply, error);
    return write->index < 0 ? -1
                            : bench_write_on_bench(bench, write->index, function, write, error);
}

int bench_put_on(struct bench *bench, const char *supply, const struct on_bench *on_bench,
                 struct error *error)
{
    struct on_bench_write write = {.supply = supply, .on_bench = on_bench};
    return change_on_bench(bench, write_on_bench, &write, error);
}

int bench_take_in(struct bench *bench, const char *supply, const json_t *what,
                  struct intake *intake, struct error *error)
{
    struct on_bench_write write = {.supply = supply, .what = what, .intake = intake};
    return change_on_bench(bench, write_intake, &write, error);
}

int bench_confirm_unit(struct bench *bench, const char *supply, struct error *error)
{
    struct on_bench_write write = {.supply = supply};
    return change_on_bench(bench, write_confirmation, &write, error);
}

static const int64_t MINUTE_US = 60 * (int64_t)1000000;

void bench_settings_changed(struct bench *bench)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(bench->config->data, &error);
    json_t *settings = reader ? store_settings(reader, &error) : NULL;
    store_reader_close(reader);
    if (!settings) {
        char text[1200];
        log_failure("the settings are not known: %s", error_text(&error, text, sizeof text));
        return;
    }
    double minutes = json_number_value(json_object_get(settings, "ask_after_min"));
    outputs_set_page_gone(bench->outputs,
                          json_number_value(json_object_get(settings, "page_gone_s")));
    json_decref(settings);
    pthread_mutex_lock(&bench->board.mutex);
    bench->board.ask_after_us = (int64_t)(minutes * (double)MINUTE_US);
    pthread_mutex_unlock(&bench->board.mutex);
}

static void copy_text(const json_t *item, const char *key, char *text, size_t size)
{
    const char *value = json_string_value(json_object_get(item, key));
    snprintf(text, size, "%s", value ? value : "");
}

void bench_power_up_moved(struct bench *bench, int64_t power_up, const json_t *item)
{
    for (int i = 0; i < bench->config->supply_count; i++) {
        pthread_mutex_lock(&bench->board.mutex);
        bool is_open = bench->board.supplies[i].chain.open_id == power_up;
        pthread_mutex_unlock(&bench->board.mutex);
        struct bench_move *move = is_open ? calloc(1, sizeof *move) : NULL;
        if (!move)
            continue;
        move->power_up = power_up;
        copy_text(item, "unit", move->on_bench.unit, sizeof move->on_bench.unit);
        copy_text(item, "work_order", move->on_bench.work_order, sizeof move->on_bench.work_order);
        copy_text(item, "stage", move->on_bench.stage, sizeof move->on_bench.stage);
        copy_text(item, "tag", move->on_bench.tag, sizeof move->on_bench.tag);
        struct queue_item moved = {.kind = ITEM_MOVED, .supply = i, .payload = move};
        reading_queue_push_waiting(bench->queue, &moved);
    }
}

/* On every output that has this type, or this unit (NULL: not asked for). */
static void look_up_again(struct bench *bench, const char *module_type, const char *unit)
{
    pthread_mutex_lock(&bench->change_mutex);
    for (int i = 0; i < bench->config->supply_count; i++) {
        pthread_mutex_lock(&bench->board.mutex);
        struct on_bench on_bench = bench->board.supplies[i].chain.on_bench;
        pthread_mutex_unlock(&bench->board.mutex);
        struct error error = {0};
        bool is_on = (module_type && strcmp(on_bench.module_type, module_type) == 0) ||
                     (unit && strcmp(on_bench.unit, unit) == 0);
        int status = !is_on ? 0
                     : unit ? read_again(bench, i, &error)
                            : hand_over(bench, i, &on_bench, &error);
        if (status != 0) {
            char text[1200];
            log_failure("what was changed of %s is not used: %s", module_type ? module_type : unit,
                        error_text(&error, text, sizeof text));
        }
    }
    pthread_mutex_unlock(&bench->change_mutex);
}

void bench_reference_changed(struct bench *bench, const char *module_type)
{
    look_up_again(bench, module_type, NULL);
}

void bench_unit_changed(struct bench *bench, const char *unit)
{
    look_up_again(bench, NULL, unit);
}

struct runs *bench_runs(const struct bench *bench)
{
    return bench->runs;
}
