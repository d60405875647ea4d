/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The thread that owns the store's writer: jobs in order, one at a time, so
 * that a slow disk never holds up the chain. What waits while the disk is busy
 * goes to it together, in one commit, so that a slow disk never falls behind.
 */
#ifndef WAKEDRAW_BENCH_WRITER_H
#define WAKEDRAW_BENCH_WRITER_H

#include "store/store.h"

#include <stdbool.h>
#include <stddef.h>

/* Made by the caller, called in the writer's thread. */
struct writer_job {
    /* Writes. A job with `settle` may be run in a group and, where that fails, once
     * more by itself; false: not done (or not to be done in a group). */
    bool (*run)(struct writer_job *job, struct store *store, bool grouped);
    /* What run did is on the disk, or could not be done; frees the job. NULL: run
     * is always by itself, and last. */
    void (*settle)(struct writer_job *job, bool done);
    struct writer_job *next;
};

struct writer;

struct writer *writer_create(struct store *store);

/* False: 4096 jobs wait already (the disk has stopped); the job is not taken. */
bool writer_push(struct writer *writer, struct writer_job *job);

/* Runs what is left, ends the thread. */
void writer_destroy(struct writer *writer);

size_t writer_length(struct writer *writer);

/* Nothing waits, nothing is being written. */
bool writer_is_idle(struct writer *writer);

#endif
