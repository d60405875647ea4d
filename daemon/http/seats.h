/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Open connections and since when each has kept the server waiting for a whole
 * request: the library's own timeout begins anew with every byte, so a client
 * that sends one now and then would stay for ever.
 */
#ifndef WAKEDRAW_HTTP_SEATS_H
#define WAKEDRAW_HTTP_SEATS_H

#include <pthread.h>
#include <stdbool.h>

struct seat {
    int descriptor;
    bool busy;      /* its request is whole and being answered */
    double since_s; /* monotonic; when it last became not busy */
    struct seat *next;
};

struct seats {
    pthread_mutex_t mutex;
    struct seat *first;
};

void seats_init(struct seats *seats);
void seats_clear(struct seats *seats);

struct seat *seats_take(struct seats *seats, int descriptor, double now_s); /* NULL: no memory */
void seats_leave(struct seats *seats, struct seat *seat);
void seats_mark(struct seats *seats, struct seat *seat, bool busy, double now_s);

/* Shuts down what waits since before the instant; the library then sees the
 * connection closed. Returns how many. */
int seats_evict(struct seats *seats, double before_s);

#endif
