/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/runs_private.h"

#include "base/clock.h"
#include "base/log.h"
#include "bench/waiting.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double STEP_S = 0.1;
/* Readings older than this tell nothing of now. */
static const double FRESH_S = 2.0;
/* Where a supply does not say whether its output is on, the voltage does. */
static const double OFF_BELOW_V = 0.4;
/* After its end a run goes on trying to switch off for so long. */
static const double LET_GO_S = 60.0;
static const double AGAIN_S = 1.0;

static bool reader_is_open(struct runs *runs)
{
    struct error error = {0};
    if (!runs->reader)
        runs->reader = store_reader_open(runs->bench->config->data, &error);
    return runs->reader != NULL;
}

/* "left_s" is known here alone. */
static void tell(struct runs *runs, int64_t id)
{
    struct error error = {0};
    json_t *item = reader_is_open(runs) ? store_run(runs->reader, id, false, &error) : NULL;
    if (!json_is_object(item)) {
        json_decref(item);
        return;
    }
    double left_s = runs_left_s(runs, id);
    if (isfinite(left_s))
        json_object_set_new(item, "left_s", json_real(left_s));
    char *text = json_dumps(item, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(item);
    const struct bench_listener *listener = &runs->bench->listener;
    if (text)
        listener->happened(listener->context, "run", text);
    free(text);
}

/* The board's part of the view, a consistent copy of it. */
struct glance {
    bool is_reachable, output_on, is_held, same_on_bench;
    uint64_t commits;
};

static bool same_on_bench(const struct on_bench *a, const struct on_bench *b)
{
    return strcmp(a->unit, b->unit) == 0 && strcmp(a->work_order, b->work_order) == 0 &&
           strcmp(a->stage, b->stage) == 0 && strcmp(a->tag, b->tag) == 0;
}

static struct glance glance_at(struct runs *runs, int supply, const struct on_bench *of)
{
    struct status_board *board = &runs->bench->board;
    pthread_mutex_lock(&board->mutex);
    const struct supply_status *status = &board->supplies[supply];
    const struct reading *last = &status->chain.last;
    double age_s = clock_monotonic_s() - status->chain.last_received_s;
    bool told_on = last->output_on == FLAG_UNKNOWN ? last->voltage_V > OFF_BELOW_V
                                                   : last->output_on == FLAG_YES;
    struct glance glance = {
        .is_reachable = status->polling.connected && age_s < FRESH_S,
        .output_on = told_on,
        /* A power-up that could not be kept is none worth having. */
        .is_held = !told_on && board->store_problem[0] != '\0',
        .same_on_bench = same_on_bench(of, &status->chain.on_bench),
        .commits = status->chain.commits,
    };
    pthread_mutex_unlock(&board->mutex);
    return glance;
}

static struct run_view view_of(const struct slot *slot, const struct glance *glance)
{
    const struct run_standing *standing = &slot->standing;
    double on_s = (double)(clock_wall_us() - standing->newest_started_us) / 1e6;
    return (struct run_view){
        .now_s = clock_monotonic_s(),
        .is_reachable = glance->is_reachable,
        .output_on = glance->output_on,
        .is_held = glance->is_held,
        .begun = standing->begun,
        .done = standing->done,
        .newest_watched = standing->newest_watched,
        .newest_on_s = standing->newest_on ? on_s : (double)NAN,
        .any_bad = standing->bad > 0,
    };
}

/* With the mutex held: what the store says now; true: it stands otherwise. */
static bool take_standing(struct slot *slot, const struct run_standing *standing)
{
    bool is_new = !slot->looked || standing->begun != slot->standing.begun ||
                  standing->done != slot->standing.done || standing->bad != slot->standing.bad;
    if (standing->done > (slot->looked ? slot->standing.done : 0)) {
        slot->last_done_s = clock_monotonic_s();
        struct run_view view = {.done = standing->done};
        slot->left_s = run_left_s(&slot->plan, &view, slot->last_done_s - slot->begun_s);
    }
    slot->standing = *standing;
    slot->looked = true;
    return is_new;
}

/* Asks the store where something was written since. */
static bool look(struct runs *runs, struct slot *slot, int64_t id, uint64_t commits)
{
    pthread_mutex_lock(&runs->mutex);
    bool is_known = slot->id != id || (slot->looked && slot->commits == commits);
    pthread_mutex_unlock(&runs->mutex);
    struct run_standing standing;
    struct error error = {0};
    if (is_known || !reader_is_open(runs) ||
        store_run_standing(runs->reader, id, &standing, &error) != 0)
        return false;
    pthread_mutex_lock(&runs->mutex);
    bool is_new = slot->id == id && take_standing(slot, &standing);
    if (slot->id == id)
        slot->commits = commits;
    pthread_mutex_unlock(&runs->mutex);
    return is_new;
}

static bool may_switch(struct runs *runs, const struct slot *slot, int64_t id, bool on)
{
    pthread_mutex_lock(&runs->mutex);
    bool may = slot->id == id && (on ? slot->state == RUN_OPEN && !slot->halted && !runs->stopping
                                     : slot->state == RUN_OPEN || slot->off_owed);
    pthread_mutex_unlock(&runs->mutex);
    return may;
}

/* 0; 1: not now; -1 with the error filled. */
static int drive(struct runs *runs, struct slot *slot, int64_t id, bool on, struct error *error)
{
    int supply = (int)(slot - runs->slots);
    struct output_asker asker = {.who = ""};
    snprintf(asker.who, sizeof asker.who, "run %lld", (long long)id);
    struct output_wish wish;
    if (bench_output_wish(runs->bench, supply, on, &asker, &wish, error) != 0)
        return -1;
    /* The look is made once: it would be a power-up of its own each time. */
    wish.look = wish.look && !slot->was_on;
    pthread_mutex_lock(&slot->switching);
    int status =
        !may_switch(runs, slot, id, on) ? 1 : bench_drive_output(runs->bench, supply, &wish, error);
    pthread_mutex_unlock(&slot->switching);
    slot->was_on = slot->was_on || (on && status == 0);
    return status;
}

/* Off once more, until it was carried out or it is too late to come as expected. */
static void let_go(struct runs *runs, struct slot *slot, int64_t id)
{
    double now_s = clock_monotonic_s();
    pthread_mutex_lock(&runs->mutex);
    bool due = slot->id == id && slot->off_owed && now_s >= slot->off_again_s;
    bool is_last = now_s - slot->ended_s >= LET_GO_S || runs->stopping;
    pthread_mutex_unlock(&runs->mutex);
    if (!due)
        return;
    struct error error = {0};
    int status = drive(runs, slot, id, false, &error);
    if (status < 0 && is_last)
        log_failure("run %lld is over, but its output could not be switched off: %s", (long long)id,
                    error.found);
    pthread_mutex_lock(&runs->mutex);
    if (slot->id == id) {
        slot->off_again_s = now_s + AGAIN_S;
        slot->off_owed = status < 0 && !is_last;
    }
    pthread_mutex_unlock(&runs->mutex);
}

/* Writes that it is over; it stays open where the disk does not take that. */
static void close_run(struct runs *runs, struct slot *slot, int64_t id, bool off_owed)
{
    struct error error = {0};
    char why[RUN_MOST_WHY + 1];
    snprintf(why, sizeof why, "%s", slot->why);
    struct run_write write = {
        .runs = runs, .supply = (int)(slot - runs->slots), .why = why, .id = id};
    int status = bench_write(runs->bench, run_write_end, &write, &error);
    bool is_over = status == 0 || error.status == EXIT_USAGE || error.status == EXIT_NO_INPUT;
    pthread_mutex_lock(&runs->mutex);
    if (is_over) {
        slot->state = RUN_OVER;
        slot->off_owed = off_owed;
        slot->ended_s = clock_monotonic_s();
        slot->off_again_s = 0;
        pthread_cond_broadcast(&runs->changed);
    }
    pthread_mutex_unlock(&runs->mutex);
    if (!is_over) {
        log_failure("the end of run %lld is not kept: %s", (long long)id, error.found);
        return;
    }
    log_info("run %lld is over: %s", (long long)id, why);
    tell(runs, id);
}

static void act(struct runs *runs, struct slot *slot, int64_t id, const struct run_view *view)
{
    enum run_action action = run_plan_step(&slot->plan, view);
    if (action == RUN_END) {
        pthread_mutex_lock(&runs->mutex);
        run_halt(runs, slot, run_end_text(slot->plan.end));
        pthread_mutex_unlock(&runs->mutex);
    }
    if (action != RUN_SWITCH_ON && action != RUN_SWITCH_OFF)
        return;
    struct error error = {0};
    if (drive(runs, slot, id, action == RUN_SWITCH_ON, &error) >= 0)
        return;
    if (error.status == EXIT_UNAVAILABLE) {
        run_plan_refused(&slot->plan, view);
        return;
    }
    char why[RUN_MOST_WHY + 1];
    snprintf(why, sizeof why, "not switched %s: %.160s", action == RUN_SWITCH_ON ? "on" : "off",
             error.found);
    pthread_mutex_lock(&runs->mutex);
    run_halt(runs, slot, why);
    pthread_mutex_unlock(&runs->mutex);
}

/* Whether what it switched on may be on still. */
static bool owes_off(const struct slot *slot, const struct glance *glance)
{
    return slot->plan.wish.switched_by_us && slot->plan.end != RUN_BY_HAND &&
           (slot->plan.wants_on || slot->plan.end != RUN_GOES_ON) &&
           (glance->output_on || !glance->is_reachable);
}

static void step_open(struct runs *runs, struct slot *slot, int64_t id)
{
    struct glance glance = glance_at(runs, (int)(slot - runs->slots), &slot->on_bench);
    bool is_new = look(runs, slot, id, glance.commits);
    pthread_mutex_lock(&runs->mutex);
    if (!glance.same_on_bench)
        run_halt(runs, slot, "something else was put on the bench");
    bool halted = slot->halted;
    pthread_mutex_unlock(&runs->mutex);
    if (!halted && slot->looked) {
        struct run_view view = view_of(slot, &glance);
        act(runs, slot, id, &view);
    }
    if (is_new)
        tell(runs, id);
    pthread_mutex_lock(&runs->mutex);
    halted = slot->halted;
    pthread_mutex_unlock(&runs->mutex);
    if (halted)
        close_run(runs, slot, id, owes_off(slot, &glance));
}

static uint64_t commits_of(struct runs *runs, const struct slot *slot)
{
    struct status_board *board = &runs->bench->board;
    pthread_mutex_lock(&board->mutex);
    uint64_t commits = board->supplies[slot - runs->slots].chain.commits;
    pthread_mutex_unlock(&board->mutex);
    return commits;
}

static void step(struct runs *runs, struct slot *slot)
{
    pthread_mutex_lock(&runs->mutex);
    enum run_state state = slot->state;
    int64_t id = slot->id;
    bool lasts = slot->standing.begun != slot->standing.done;
    pthread_mutex_unlock(&runs->mutex);
    if (state == RUN_OPEN)
        step_open(runs, slot, id);
    if (state != RUN_OVER)
        return;
    /* Its output goes off, and its last power-up counts when it has been watched. */
    let_go(runs, slot, id);
    if (lasts && look(runs, slot, id, commits_of(runs, slot)))
        tell(runs, id);
}

static void *work(void *context)
{
    struct runs *runs = context;
    pthread_mutex_lock(&runs->mutex);
    while (!runs->stopping) {
        pthread_mutex_unlock(&runs->mutex);
        for (int i = 0; i < runs->bench->config->supply_count; i++)
            step(runs, &runs->slots[i]);
        double until_s = clock_monotonic_s() + STEP_S;
        pthread_mutex_lock(&runs->mutex);
        if (!runs->stopping)
            waiting_until(&runs->changed, &runs->mutex, until_s);
    }
    pthread_mutex_unlock(&runs->mutex);
    return NULL;
}

int runs_start(struct runs *runs)
{
    if (pthread_create(&runs->thread, NULL, work, runs) != 0)
        return -1;
    pthread_setname_np(runs->thread, "runs");
    runs->started = true;
    return 0;
}

static void stop_one(struct runs *runs, struct slot *slot)
{
    if (slot->state == RUN_OPEN) {
        struct glance glance = glance_at(runs, (int)(slot - runs->slots), &slot->on_bench);
        pthread_mutex_lock(&runs->mutex);
        run_halt(runs, slot, RUN_STOPPED);
        pthread_mutex_unlock(&runs->mutex);
        close_run(runs, slot, slot->id, owes_off(slot, &glance));
    }
    slot->off_again_s = 0;
    let_go(runs, slot, slot->id);
}

void runs_stop(struct runs *runs)
{
    pthread_mutex_lock(&runs->mutex);
    runs->stopping = true;
    pthread_cond_broadcast(&runs->changed);
    pthread_mutex_unlock(&runs->mutex);
    if (runs->started)
        pthread_join(runs->thread, NULL);
    runs->started = false;
    for (int i = 0; i < runs->bench->config->supply_count; i++)
        stop_one(runs, &runs->slots[i]);
    store_reader_close(runs->reader);
    runs->reader = NULL;
}
