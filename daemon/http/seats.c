/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/seats.h"

#include <stdlib.h>
#include <sys/socket.h>

void seats_init(struct seats *seats)
{
    pthread_mutex_init(&seats->mutex, NULL);
    seats->first = NULL;
}

void seats_clear(struct seats *seats)
{
    while (seats->first) {
        struct seat *seat = seats->first;
        seats->first = seat->next;
        free(seat);
    }
    pthread_mutex_destroy(&seats->mutex);
}

struct seat *seats_take(struct seats *seats, int descriptor, double now_s)
{
    struct seat *seat = malloc(sizeof *seat);
    if (!seat)
        return NULL;
    pthread_mutex_lock(&seats->mutex);
    *seat = (struct seat){.descriptor = descriptor, .since_s = now_s, .next = seats->first};
    seats->first = seat;
    pthread_mutex_unlock(&seats->mutex);
    return seat;
}

void seats_leave(struct seats *seats, struct seat *seat)
{
    if (!seat)
        return;
    pthread_mutex_lock(&seats->mutex);
    struct seat **link = &seats->first;
    while (*link && *link != seat)
        link = &(*link)->next;
    if (*link)
        *link = seat->next;
    pthread_mutex_unlock(&seats->mutex);
    free(seat);
}

void seats_mark(struct seats *seats, struct seat *seat, bool busy, double now_s)
{
    if (!seat)
        return;
    pthread_mutex_lock(&seats->mutex);
    seat->busy = busy;
    seat->since_s = now_s;
    pthread_mutex_unlock(&seats->mutex);
}

int seats_evict(struct seats *seats, double before_s)
{
    int evicted = 0;
    pthread_mutex_lock(&seats->mutex);
    for (struct seat *seat = seats->first; seat; seat = seat->next)
        if (!seat->busy && seat->since_s < before_s) {
            shutdown(seat->descriptor, SHUT_RDWR);
            evicted++;
        }
    pthread_mutex_unlock(&seats->mutex);
    return evicted;
}
