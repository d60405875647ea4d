/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/runs_private.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/waiting.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Who ends a run waits for the disk so long. */
static const double END_PATIENCE_S = 3.0;

struct runs *runs_create(struct bench *bench)
{
    struct runs *runs = calloc(1, sizeof *runs);
    if (!runs)
        return NULL;
    runs->bench = bench;
    pthread_mutex_init(&runs->mutex, NULL);
    waiting_init(&runs->changed);
    runs->slots = calloc((size_t)bench->config->supply_count + 1, sizeof *runs->slots);
    if (!runs->slots) {
        runs_destroy(runs);
        return NULL;
    }
    for (int i = 0; i < bench->config->supply_count; i++)
        pthread_mutex_init(&runs->slots[i].switching, NULL);
    return runs;
}

void runs_destroy(struct runs *runs)
{
    if (!runs)
        return;
    for (int i = 0; runs->slots && i < runs->bench->config->supply_count; i++)
        pthread_mutex_destroy(&runs->slots[i].switching);
    pthread_mutex_destroy(&runs->mutex);
    pthread_cond_destroy(&runs->changed);
    free(runs->slots);
    free(runs);
}

/* --- what is written; in the writer's thread --- */

/* Power-ups are kept by the same thread: what the page is told of the supply holds for
 * the next one. */
static void note_run(struct run_write *write, int64_t id)
{
    struct status_board *board = &write->runs->bench->board;
    pthread_mutex_lock(&board->mutex);
    board->supplies[write->supply].chain.run_id = id;
    board->supplies[write->supply].chain.run_switches = id && write->switches;
    pthread_mutex_unlock(&board->mutex);
}

static int write_begin(struct store *store, void *context, struct error *error)
{
    struct run_write *write = context;
    if (write->switches && holds_check_run(write->runs->bench, write->supply, error) != 0)
        return -1;
    if (store_put_run(store, write->name, write->wish, &write->id, error) != 0)
        return -1;
    note_run(write, write->id);
    return 0;
}

int run_write_end(struct store *store, void *context, struct error *error)
{
    struct run_write *write = context;
    if (store_end_run(store, write->id, write->why, error) != 0)
        return -1;
    note_run(write, 0);
    return 0;
}

/* --- beginning --- */

static struct run_wish wish_of(const json_t *wish)
{
    const json_t *on_s = json_object_get(wish, "on_s");
    const char *stop_on = json_string_value(json_object_get(wish, "stop_on"));
    const char *switched = json_string_value(json_object_get(wish, "switched"));
    return (struct run_wish){
        .wanted = (int)json_integer_value(json_object_get(wish, "wanted")),
        .off_s = json_number_value(json_object_get(wish, "off_s")),
        .on_s = json_is_number(on_s) ? json_number_value(on_s) : (double)NAN,
        .stop_on_bad = stop_on && strcmp(stop_on, "bad") == 0,
        .switched_by_us = switched && strcmp(switched, "wakedraw") == 0,
    };
}

static void open_slot(struct runs *runs, int supply, int64_t id, const struct run_wish *wish)
{
    struct status_board *board = &runs->bench->board;
    pthread_mutex_lock(&board->mutex);
    struct on_bench on_bench = board->supplies[supply].chain.on_bench;
    pthread_mutex_unlock(&board->mutex);
    pthread_mutex_lock(&runs->mutex);
    struct slot *slot = &runs->slots[supply];
    slot->state = RUN_OPEN;
    slot->id = id;
    run_plan_begin(&slot->plan, wish);
    slot->on_bench = on_bench;
    slot->begun_s = clock_monotonic_s();
    slot->last_done_s = slot->left_s = NAN;
    slot->why[0] = '\0';
    slot->halted = slot->off_owed = slot->looked = slot->was_on = false;
    slot->standing = (struct run_standing){0};
    pthread_cond_broadcast(&runs->changed);
    pthread_mutex_unlock(&runs->mutex);
}

int runs_begin(struct runs *runs, const char *supply, const json_t *wish, int64_t *id,
               struct error *error)
{
    struct bench *bench = runs->bench;
    int index = bench_find_supply(bench, supply, error);
    if (index < 0)
        return -1;
    struct run_wish asked = wish_of(wish);
    if (asked.switched_by_us && !bench->config->supplies[index].control)
        return error_set(error, EXIT_USAGE, bench->config->path, 0, NULL,
                         "[supply %s] control is off: switch it by hand", supply);
    pthread_mutex_lock(&runs->mutex);
    bool stopping = runs->stopping;
    pthread_mutex_unlock(&runs->mutex);
    if (stopping)
        return error_set(error, EXIT_UNAVAILABLE, "", 0, NULL, "the daemon is stopping");
    struct run_write write = {.runs = runs,
                              .supply = index,
                              .name = supply,
                              .wish = wish,
                              .switches = asked.switched_by_us};
    int status = bench_write_on_bench(bench, index, write_begin, &write, error);
    if (status == 0) {
        *id = write.id;
        open_slot(runs, index, write.id, &asked);
    } else if (write.id) {
        /* Kept, but what is on the bench could not be read again. */
        struct error second = {0};
        write.why = "what is on the bench is not known";
        if (bench_write(bench, run_write_end, &write, &second) != 0)
            log_failure("run %lld is not ended: %s", (long long)write.id, second.found);
    }
    return status;
}

/* --- ending --- */

void run_halt(struct runs *runs, struct slot *slot, const char *why)
{
    if (!slot->halted)
        snprintf(slot->why, sizeof slot->why, "%s", why);
    slot->halted = true;
    pthread_cond_broadcast(&runs->changed);
}

static struct slot *open_run(struct runs *runs, int64_t id)
{
    for (int i = 0; i < runs->bench->config->supply_count; i++)
        if (runs->slots[i].state == RUN_OPEN && runs->slots[i].id == id)
            return &runs->slots[i];
    return NULL;
}

int runs_end(struct runs *runs, int64_t id, const char *why, struct error *error)
{
    double until_s = clock_monotonic_s() + END_PATIENCE_S;
    pthread_mutex_lock(&runs->mutex);
    struct slot *slot = open_run(runs, id);
    if (slot)
        run_halt(runs, slot, why);
    bool was_open = slot != NULL;
    bool in_time = true;
    while (slot && in_time) {
        in_time = waiting_until(&runs->changed, &runs->mutex, until_s);
        slot = open_run(runs, id);
    }
    pthread_mutex_unlock(&runs->mutex);
    if (slot)
        return error_set(error, EXIT_IO, "", 0, NULL,
                         "the disk does not take it; the run switches no more and ends when it "
                         "does");
    if (was_open)
        return 0;
    return error_set(error, EXIT_USAGE, "", 0, NULL, "run %lld is over", (long long)id);
}

int runs_give_way(struct runs *runs, int supply, bool on, struct error *error)
{
    struct slot *slot = &runs->slots[supply];
    pthread_mutex_lock(&runs->mutex);
    bool switches = slot->state == RUN_OPEN && slot->plan.wish.switched_by_us;
    int64_t id = slot->id;
    if (switches && !on)
        run_halt(runs, slot, "switched off on the page");
    slot->off_owed = false;
    pthread_mutex_unlock(&runs->mutex);
    if (switches && on)
        return error_set(error, EXIT_USAGE, "", 0, NULL,
                         "run %lld switches this output: end it first", (long long)id);
    /* An off waits for nothing: it overtakes what the run had begun to switch
     * (outputs.h), and the run begins nothing more. */
    if (!on)
        return 0;
    pthread_mutex_lock(&slot->switching);
    pthread_mutex_unlock(&slot->switching);
    return 0;
}

double runs_left_s(struct runs *runs, int64_t id)
{
    pthread_mutex_lock(&runs->mutex);
    const struct slot *slot = open_run(runs, id);
    double left_s = NAN;
    if (slot && isfinite(slot->left_s))
        left_s = fmax(0, slot->left_s - (clock_monotonic_s() - slot->last_done_s));
    pthread_mutex_unlock(&runs->mutex);
    return left_s;
}
