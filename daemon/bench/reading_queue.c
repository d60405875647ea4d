/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/reading_queue.h"

#include "bench/waiting.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>

struct reading_queue {
    pthread_mutex_t mutex;
    pthread_cond_t filled, emptied;
    struct queue_item *items;
    size_t capacity, first, count;
    size_t pressing;     /* of the count */
    bool waits, gathers; /* its reader: for the first item; for readings to gather */
};

struct reading_queue *reading_queue_create(size_t capacity)
{
    struct reading_queue *queue = calloc(1, sizeof *queue);
    if (!queue)
        return NULL;
    queue->items = calloc(capacity, sizeof *queue->items);
    if (!queue->items) {
        free(queue);
        return NULL;
    }
    queue->capacity = capacity;
    pthread_mutex_init(&queue->mutex, NULL);
    waiting_init(&queue->filled);
    waiting_init(&queue->emptied);
    return queue;
}

void reading_queue_destroy(struct reading_queue *queue)
{
    if (!queue)
        return;
    pthread_cond_destroy(&queue->filled);
    pthread_cond_destroy(&queue->emptied);
    pthread_mutex_destroy(&queue->mutex);
    free(queue->items);
    free(queue);
}

static bool presses(const struct queue_item *item)
{
    return item->kind != ITEM_READING || item->brisk;
}

static bool is_pressing(const struct reading_queue *queue)
{
    return queue->pressing > 0 || queue->count > queue->capacity / 2;
}

/* True: the reader is to be woken, which is done with the mutex let go, so that
 * it need not wait again at once. */
static bool put(struct reading_queue *queue, const struct queue_item *item)
{
    queue->items[(queue->first + queue->count) % queue->capacity] = *item;
    queue->count++;
    queue->pressing += presses(item);
    if (!queue->waits || (queue->gathers && !is_pressing(queue)))
        return false;
    queue->waits = false;
    return true;
}

bool reading_queue_push(struct reading_queue *queue, const struct queue_item *item)
{
    pthread_mutex_lock(&queue->mutex);
    bool room = queue->count < queue->capacity;
    bool wake = room && put(queue, item);
    pthread_mutex_unlock(&queue->mutex);
    if (wake)
        pthread_cond_signal(&queue->filled);
    return room;
}

void reading_queue_push_waiting(struct reading_queue *queue, const struct queue_item *item)
{
    pthread_mutex_lock(&queue->mutex);
    while (queue->count == queue->capacity)
        pthread_cond_wait(&queue->emptied, &queue->mutex);
    bool wake = put(queue, item);
    pthread_mutex_unlock(&queue->mutex);
    if (wake)
        pthread_cond_signal(&queue->filled);
}

/* With the mutex held: false: the time is up. */
static bool wait_filled(struct reading_queue *queue, bool gathers, double until_s)
{
    queue->waits = true;
    queue->gathers = gathers;
    bool woken = waiting_until(&queue->filled, &queue->mutex, until_s);
    queue->waits = false;
    return woken;
}

size_t reading_queue_take(struct reading_queue *queue, double gather_s, double deadline_s,
                          struct queue_item *items, size_t most)
{
    pthread_mutex_lock(&queue->mutex);
    double gather_until_s = fmin(gather_s, deadline_s);
    if (gather_until_s > 0)
        while (!is_pressing(queue) && wait_filled(queue, true, gather_until_s)) {
        }
    while (queue->count == 0 && wait_filled(queue, false, deadline_s)) {
    }
    size_t taken = 0;
    bool was_full = queue->count == queue->capacity;
    while (taken < most && queue->count > 0) {
        items[taken] = queue->items[queue->first];
        queue->pressing -= presses(&items[taken]);
        queue->first = (queue->first + 1) % queue->capacity;
        queue->count--;
        taken++;
    }
    pthread_mutex_unlock(&queue->mutex);
    if (was_full && taken > 0)
        pthread_cond_broadcast(&queue->emptied);
    return taken;
}

size_t reading_queue_length(struct reading_queue *queue)
{
    pthread_mutex_lock(&queue->mutex);
    size_t count = queue->count;
    pthread_mutex_unlock(&queue->mutex);
    return count;
}
