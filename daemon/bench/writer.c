/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/writer.h"

#include <pthread.h>
#include <stdlib.h>

enum { MOST_JOBS = 4096, MOST_GROUPED = 256 };

struct writer {
    struct store *store;
    pthread_t thread;
    pthread_mutex_t mutex;
    pthread_cond_t filled;
    struct writer_job *first, **last;
    size_t count;
    bool stopping, busy;
};

/* Takes the first job, and with it all that may go to the disk together. */
static struct writer_job *take_group(struct writer *writer)
{
    struct writer_job *group = writer->first;
    struct writer_job **end = &writer->first;
    size_t count = 0;
    while (*end && count < MOST_GROUPED && (count == 0 || ((*end)->settle && group->settle))) {
        end = &(*end)->next;
        count++;
    }
    writer->first = *end;
    if (!writer->first)
        writer->last = &writer->first;
    *end = NULL;
    writer->count -= count;
    return group;
}

static bool run_together(struct writer *writer, struct writer_job *group)
{
    if (!group->next || store_group_begin(writer->store, NULL) != 0)
        return false;
    bool done = true;
    for (struct writer_job *job = group; job && done; job = job->next)
        done = job->run(job, writer->store, true);
    return store_group_end(writer->store, done, NULL) == 0 && done;
}

static void run_group(struct writer *writer, struct writer_job *group)
{
    bool together = run_together(writer, group);
    while (group) {
        struct writer_job *job = group;
        group = job->next;
        /* It may be gone once it is run or settled. */
        void (*settle)(struct writer_job *, bool) = job->settle;
        bool done = together || job->run(job, writer->store, false);
        if (settle)
            settle(job, done);
    }
}

static void *write_jobs(void *context)
{
    struct writer *writer = context;
    pthread_mutex_lock(&writer->mutex);
    for (;;) {
        while (!writer->first && !writer->stopping)
            pthread_cond_wait(&writer->filled, &writer->mutex);
        if (!writer->first)
            break;
        struct writer_job *group = take_group(writer);
        writer->busy = true;
        pthread_mutex_unlock(&writer->mutex);
        run_group(writer, group);
        pthread_mutex_lock(&writer->mutex);
        writer->busy = false;
    }
    pthread_mutex_unlock(&writer->mutex);
    return NULL;
}

struct writer *writer_create(struct store *store)
{
    struct writer *writer = calloc(1, sizeof *writer);
    if (!writer)
        return NULL;
    writer->store = store;
    writer->last = &writer->first;
    pthread_mutex_init(&writer->mutex, NULL);
    pthread_cond_init(&writer->filled, NULL);
    if (pthread_create(&writer->thread, NULL, write_jobs, writer) != 0) {
        pthread_cond_destroy(&writer->filled);
        pthread_mutex_destroy(&writer->mutex);
        free(writer);
        return NULL;
    }
    pthread_setname_np(writer->thread, "store writer");
    return writer;
}

bool writer_push(struct writer *writer, struct writer_job *job)
{
    job->next = NULL;
    pthread_mutex_lock(&writer->mutex);
    bool room = writer->count < MOST_JOBS;
    if (room) {
        *writer->last = job;
        writer->last = &job->next;
        writer->count++;
        pthread_cond_signal(&writer->filled);
    }
    pthread_mutex_unlock(&writer->mutex);
    return room;
}

void writer_destroy(struct writer *writer)
{
    if (!writer)
        return;
    pthread_mutex_lock(&writer->mutex);
    writer->stopping = true;
    pthread_cond_signal(&writer->filled);
    pthread_mutex_unlock(&writer->mutex);
    pthread_join(writer->thread, NULL);
    pthread_cond_destroy(&writer->filled);
    pthread_mutex_destroy(&writer->mutex);
    free(writer);
}

size_t writer_length(struct writer *writer)
{
    pthread_mutex_lock(&writer->mutex);
    size_t count = writer->count;
    pthread_mutex_unlock(&writer->mutex);
    return count;
}

bool writer_is_idle(struct writer *writer)
{
    pthread_mutex_lock(&writer->mutex);
    bool idle = !writer->first && !writer->busy;
    pthread_mutex_unlock(&writer->mutex);
    return idle;
}
