/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What other threads write, through the writer's.
 */
#include "bench/bench_private.h"

#include "base/clock.h"
#include "bench/waiting.h"

static const double FLUSH_PATIENCE_S = 1.0;
static const double FLUSH_LOOK_S = 0.002;

/* The output whose power-up this is, one flush more wanted of it; -1: none. */
static int want_flush(struct bench *bench, int64_t power_up, uint64_t *wanted)
{
    int found = -1;
    pthread_mutex_lock(&bench->board.mutex);
    for (int i = 0; i < bench->config->supply_count && found < 0; i++) {
        struct chain_status *status = &bench->board.supplies[i].chain;
        if (status->open_id != power_up)
            continue;
        *wanted = ++status->flushes_wanted;
        found = i;
    }
    pthread_mutex_unlock(&bench->board.mutex);
    return found;
}

void bench_flush(struct bench *bench, int64_t power_up)
{
    uint64_t wanted = 0;
    int supply = want_flush(bench, power_up, &wanted);
    if (supply < 0)
        return;
    struct queue_item item = {.kind = ITEM_FLUSH, .supply = supply};
    reading_queue_push_waiting(bench->queue, &item);
    double now_s = clock_monotonic_s();
    bool done = false;
    for (double until_s = now_s + FLUSH_PATIENCE_S; !done && now_s < until_s;
         now_s = clock_monotonic_s()) {
        clock_sleep_until(now_s + FLUSH_LOOK_S);
        pthread_mutex_lock(&bench->board.mutex);
        done = bench->board.supplies[supply].chain.flushes_done >= wanted;
        pthread_mutex_unlock(&bench->board.mutex);
        done = done && writer_is_idle(bench->writer);
    }
}

struct call_job {
    struct writer_job base;
    int (*write)(struct store *store, void *context, struct error *error);
    void *context;
    struct error *error;
    int status;
    bool done;
    pthread_mutex_t mutex;
    pthread_cond_t finished;
};

static bool run_call(struct writer_job *base, struct store *store, bool grouped)
{
    (void)grouped;
    struct call_job *job = (struct call_job *)base;
    int status = job->write(store, job->context, job->error);
    pthread_mutex_lock(&job->mutex);
    job->status = status;
    job->done = true;
    pthread_cond_signal(&job->finished);
    pthread_mutex_unlock(&job->mutex);
    return status == 0;
}

int bench_write(struct bench *bench,
                int (*write)(struct store *store, void *context, struct error *error),
                void *context, struct error *error)
{
    /* It lives on the waiting thread's stack, so run_call frees nothing. */
    struct call_job job = {
        .base = {.run = run_call}, .write = write, .context = context, .error = error};
    pthread_mutex_init(&job.mutex, NULL);
    waiting_init(&job.finished);
    int status = -1;
    if (writer_push(bench->writer, &job.base)) {
        pthread_mutex_lock(&job.mutex);
        while (!job.done)
            pthread_cond_wait(&job.finished, &job.mutex);
        status = job.status;
        pthread_mutex_unlock(&job.mutex);
    } else {
        error_set(error, EXIT_IO, "", 0, NULL, "the disk does not keep up; nothing was changed");
    }
    pthread_cond_destroy(&job.finished);
    pthread_mutex_destroy(&job.mutex);
    return status;
}
