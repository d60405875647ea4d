/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The thread that owns the store's writer: jobs in order, one at a time, so
 * that a slow disk never holds up the chain.
 */
#ifndef WAKEDRAW_BENCH_WRITER_H
#define WAKEDRAW_BENCH_WRITER_H

#include "store/store.h"

#include <stdbool.h>
#include <stddef.h>

/* Made by the caller; `run` is called in the writer's thread and frees it. */
struct writer_job {
    void (*run)(struct writer_job *job, struct store *store);
    struct writer_job *next;
};

struct writer;

struct writer *writer_create(struct store *store);

/* False: 4096 jobs wait already (the disk has stopped); the job is not taken. */
bool writer_push(struct writer *writer, struct writer_job *job);

/* Runs what is left, ends the thread. */
void writer_destroy(struct writer *writer);

size_t writer_length(struct writer *writer);

#endif
