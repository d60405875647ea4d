/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bench without supplies' threads, for tests of the HTTP room: it stands in
 * for daemon/bench in the program that includes this, and writes to the store
 * it is given under a mutex.
 */
#ifndef WAKEDRAW_TESTS_SUPPORT_BENCH_STAND_IN_H
#define WAKEDRAW_TESTS_SUPPORT_BENCH_STAND_IN_H

#include "bench/bench.h"
#include "bench/runs.h"

#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>

struct bench {
    pthread_mutex_t mutex; /* of the store: held, it stands in for a disk that hangs */
    struct store *store;
    pthread_mutex_t status_mutex;
    bool control;
    struct on_bench on_left;
    int references_changed, units_changed;
    pthread_mutex_t switching; /* held: an on goes on */
    struct output_asker asker; /* of the last switching or hold */
    bool run_switches;
    bool has_mid;    /* a second supply */
    int pages_there; /* streams of the page "harbour-1" */
};

static json_t *text_or_null(const char *text)
{
    return *text ? json_string(text) : json_null();
}

bool bench_is_well(struct bench *bench, char *problem, size_t size)
{
    (void)bench;
    (void)size;
    problem[0] = '\0';
    return true;
}

json_t *bench_supplies(struct bench *bench)
{
    pthread_mutex_lock(&bench->status_mutex);
    json_t *supplies = json_pack(
        "[{s:s, s:s, s:s, s:i, s:b, s:s, s:n, s:s, s:o, s:o, s:o, s:o, s:f, s:f, s:b, s:b, s:s,"
        " s:f, s:f, s:f, s:s, s:n, s:f, s:f, s:i, s:i, s:i, s:i, s:i, s:i, s:n, s:n, s:f, s:n,"
        " s:i, s:i, s:{s:i, s:i, s:i}}]",
        "name", "left", "link", "tcp:127.0.0.1:5025", "profile", "scpi", "output", 1, "control",
        (int)bench->control, "state", "reading", "problem", "identity", "Harbour Lane,\"test\",1,1",
        "module_type", text_or_null(bench->on_left.module_type), "unit",
        text_or_null(bench->on_left.unit), "work_order", text_or_null(bench->on_left.work_order),
        "stage", text_or_null(bench->on_left.stage), "voltage_V", 12.0, "current_A", 0.25,
        "output_on", 1, "limited", 0, "last_reading_at", "2026-01-31T08:05:09.123Z", "age_s", 0.05,
        "rate_hz", 19.5, "limit_hz", 20.0, "limit_why", "a test", "conversion_hz", "jitter_s",
        0.001, "longest_gap_s", 0.2, "gaps", 1, "repeats", 2, "timeouts", 3, "garbled", 4,
        "resynchronised", 5, "dropped", 6, "power_up", "reference_version", "judging_s", 0.0004,
        "commit_s", "readings", 1234, "power_ups", 7, "verdicts", "good", 4, "bad", 2, "unsure", 1);
    if (bench->has_mid) {
        json_t *mid = json_deep_copy(json_array_get(supplies, 0));
        json_object_set_new(mid, "name", json_string("mid"));
        json_array_append_new(supplies, mid);
    }
    pthread_mutex_unlock(&bench->status_mutex);
    return supplies;
}

int bench_put_on(struct bench *bench, const char *supply, const struct on_bench *on_bench,
                 struct error *error)
{
    if (strcmp(supply, "left") != 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, "left", "no supply \"%s\"", supply);
    pthread_mutex_lock(&bench->status_mutex);
    bench->on_left = *on_bench;
    pthread_mutex_unlock(&bench->status_mutex);
    return 0;
}

int bench_take_in(struct bench *bench, const char *supply, const json_t *what,
                  struct intake *intake, struct error *error)
{
    if (strcmp(supply, "left") != 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, "left", "no supply \"%s\"", supply);
    pthread_mutex_lock(&bench->mutex);
    int result = store_take_in(bench->store, supply, what, intake, error);
    pthread_mutex_unlock(&bench->mutex);
    return result;
}

int bench_confirm_unit(struct bench *bench, const char *supply, struct error *error)
{
    if (strcmp(supply, "left") != 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, "left", "no supply \"%s\"", supply);
    pthread_mutex_lock(&bench->mutex);
    int result = store_confirm_unit(bench->store, supply, error);
    pthread_mutex_unlock(&bench->mutex);
    return result;
}

void bench_settings_changed(struct bench *bench)
{
    (void)bench;
}

void bench_power_up_moved(struct bench *bench, int64_t power_up, const json_t *item)
{
    (void)bench;
    (void)power_up;
    (void)item;
}

/* An on waits while the test holds `switching`. */
int bench_switch_output(struct bench *bench, const char *supply, bool on,
                        const struct output_asker *asker, double asked_s, struct error *error)
{
    (void)asked_s;
    if (strcmp(supply, "left") != 0 && strcmp(supply, "mid") != 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, "left", "no supply \"%s\"", supply);
    if (on) {
        pthread_mutex_lock(&bench->switching);
        pthread_mutex_unlock(&bench->switching);
    }
    pthread_mutex_lock(&bench->status_mutex);
    bool control = bench->control;
    bench->asker = *asker;
    pthread_mutex_unlock(&bench->status_mutex);
    return control ? 0 : error_set(error, EXIT_USAGE, NULL, 0, NULL, "control is off");
}

int bench_hold(struct bench *bench, const char *supply, bool on, const struct output_asker *asker,
               struct error *error)
{
    (void)on;
    if (strcmp(supply, "left") != 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, "left", "no supply \"%s\"", supply);
    pthread_mutex_lock(&bench->status_mutex);
    bool switches = bench->run_switches;
    bench->asker = *asker;
    pthread_mutex_unlock(&bench->status_mutex);
    return switches ? error_set(error, EXIT_USAGE, NULL, 0, NULL, "run 7 switches it") : 0;
}

void bench_page_joined(struct bench *bench, const char *page)
{
    pthread_mutex_lock(&bench->status_mutex);
    bench->pages_there += strcmp(page, "harbour-1") == 0;
    pthread_mutex_unlock(&bench->status_mutex);
}

void bench_page_left(struct bench *bench, const char *page)
{
    pthread_mutex_lock(&bench->status_mutex);
    bench->pages_there -= strcmp(page, "harbour-1") == 0;
    pthread_mutex_unlock(&bench->status_mutex);
}

void bench_flush_outputs(struct bench *bench)
{
    (void)bench;
}

void bench_reference_changed(struct bench *bench, const char *module_type)
{
    (void)module_type;
    pthread_mutex_lock(&bench->status_mutex);
    bench->references_changed++;
    pthread_mutex_unlock(&bench->status_mutex);
}

/* Runs need a bench that switches: here none begins, and none is known. */
struct runs *bench_runs(const struct bench *bench)
{
    (void)bench;
    return NULL;
}

int runs_begin(struct runs *runs, const char *supply, const json_t *wish, int64_t *id,
               struct error *error)
{
    (void)runs;
    (void)wish;
    (void)id;
    return error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "no runs on \"%s\" here", supply);
}

int runs_end(struct runs *runs, int64_t id, const char *why, struct error *error)
{
    (void)runs;
    (void)why;
    return error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no run %lld", (long long)id);
}

double runs_left_s(struct runs *runs, int64_t id)
{
    (void)runs;
    (void)id;
    return (double)NAN;
}

const struct accuracy *bench_accuracy(const struct bench *bench, const char *supply)
{
    (void)bench;
    (void)supply;
    return NULL;
}

void bench_unit_changed(struct bench *bench, const char *unit)
{
    (void)unit;
    pthread_mutex_lock(&bench->status_mutex);
    bench->units_changed++;
    pthread_mutex_unlock(&bench->status_mutex);
}

void bench_flush(struct bench *bench, int64_t power_up)
{
    (void)bench;
    (void)power_up;
}

int bench_write(struct bench *bench,
                int (*write)(struct store *store, void *context, struct error *error),
                void *context, struct error *error)
{
    pthread_mutex_lock(&bench->mutex);
    int result = write(bench->store, context, error);
    pthread_mutex_unlock(&bench->mutex);
    return result;
}

static inline void bench_stand_in_init(struct bench *bench)
{
    memset(bench, 0, sizeof *bench);
    pthread_mutex_init(&bench->mutex, NULL);
    pthread_mutex_init(&bench->status_mutex, NULL);
    pthread_mutex_init(&bench->switching, NULL);
}

static inline void bench_stand_in_clear(struct bench *bench)
{
    pthread_mutex_destroy(&bench->mutex);
    pthread_mutex_destroy(&bench->status_mutex);
    pthread_mutex_destroy(&bench->switching);
}

#endif
