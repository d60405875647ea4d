/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The bounded queue from the polling threads to the chain.
 */
#ifndef WAKEDRAW_BENCH_READING_QUEUE_H
#define WAKEDRAW_BENCH_READING_QUEUE_H

#include "base/reading.h"

#include <stdbool.h>
#include <stddef.h>

enum queue_item_kind {
    ITEM_READING,
    ITEM_LOST,     /* the supply is gone */
    ITEM_BACK,     /* it answers again */
    ITEM_ON_BENCH, /* payload: struct bench_change, owned by the receiver */
    ITEM_MOVED,    /* payload: struct bench_move, owned by the receiver */
    ITEM_FLUSH,    /* what is read of the open power-up goes to the writer now */
    ITEM_STOP,     /* nothing follows */
};

struct queue_item {
    enum queue_item_kind kind;
    int supply;             /* index */
    struct reading reading; /* time on the bench's running clock */
    bool repeat;
    bool brisk;        /* something is happening: it is not left to gather */
    double received_s; /* monotonic: when its last byte had come */
    void *payload;
};

struct reading_queue;

struct reading_queue *reading_queue_create(size_t capacity);
void reading_queue_destroy(struct reading_queue *queue);

/* False: full, and the item is not taken; the caller counts it. */
bool reading_queue_push(struct reading_queue *queue, const struct queue_item *item);

/* Waits for room; for the items that must not be lost. */
void reading_queue_push_waiting(struct reading_queue *queue, const struct queue_item *item);

/* Waits for items until the monotonic deadline: how many were taken, `most` at most;
 * 0: nothing came. Until gather_s readings are left to gather, so that its reader is
 * woken once for all of them; anything else, a brisk one or a queue half
 * full is given at once. */
size_t reading_queue_take(struct reading_queue *queue, double gather_s, double deadline_s,
                          struct queue_item *items, size_t most);

size_t reading_queue_length(struct reading_queue *queue);

#endif
