/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/reading_queue.h"

#include "bench/waiting.h"

#include <pthread.h>
#include <stdlib.h>

struct reading_queue {
    pthread_mutex_t mutex;
    pthread_cond_t filled, emptied;
    struct queue_item *items;
    size_t capacity, first, count;
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

static void put(struct reading_queue *queue, const struct queue_item *item)
{
    queue->items[(queue->first + queue->count) % queue->capacity] = *item;
    queue->count++;
    pthread_cond_signal(&queue->filled);
}

bool reading_queue_push(struct reading_queue *queue, const struct queue_item *item)
{
    pthread_mutex_lock(&queue->mutex);
    bool room = queue->count < queue->capacity;
    if (room)
        put(queue, item);
    pthread_mutex_unlock(&queue->mutex);
    return room;
}

void reading_queue_push_waiting(struct reading_queue *queue, const struct queue_item *item)
{
    pthread_mutex_lock(&queue->mutex);
    while (queue->count == queue->capacity)
        pthread_cond_wait(&queue->emptied, &queue->mutex);
    put(queue, item);
    pthread_mutex_unlock(&queue->mutex);
}

bool reading_queue_pop(struct reading_queue *queue, double deadline_s, struct queue_item *item)
{
    pthread_mutex_lock(&queue->mutex);
    while (queue->count == 0 && waiting_until(&queue->filled, &queue->mutex, deadline_s)) {
    }
    bool found = queue->count > 0;
    if (found) {
        *item = queue->items[queue->first];
        queue->first = (queue->first + 1) % queue->capacity;
        queue->count--;
        pthread_cond_signal(&queue->emptied);
    }
    pthread_mutex_unlock(&queue->mutex);
    return found;
}

size_t reading_queue_length(struct reading_queue *queue)
{
    pthread_mutex_lock(&queue->mutex);
    size_t count = queue->count;
    pthread_mutex_unlock(&queue->mutex);
    return count;
}
