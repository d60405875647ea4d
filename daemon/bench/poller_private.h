/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of a polling thread: reading (poller.c) and switching (poller_output.c).
 */
#ifndef WAKEDRAW_BENCH_POLLER_PRIVATE_H
#define WAKEDRAW_BENCH_POLLER_PRIVATE_H

#include "bench/arrivals.h"
#include "bench/output_plan.h"
#include "bench/poller.h"
#include "supply/supply.h"

#include <pthread.h>

enum { MOST_OUTPUTS = 32 };

/* What other threads want of an output, and how it ended. Under the mutex. */
struct output_orders {
    bool held;
    /* One on at a time: asked for, taken up by the thread, answered. */
    bool on_asked, on_taken, on_answered;
    uint64_t on_number;
    struct output_wish on_wish;
    struct output_answer on_answer;
    /* Any number of offs: all up to off_done are answered by off_answer. */
    uint64_t off_asked, off_taken, off_done;
    struct output_asker off_asker;
    struct output_answer off_answer;
};

struct output {
    int index; /* in the configuration */
    struct supply *supply;
    struct arrivals arrivals;
    struct reading last; /* the last one handed on; time on the running clock */
    uint64_t dropped;
    double rate_hz;
    double read_s;     /* monotonic: when it was last read, or opened */
    char trouble[700]; /* why it has not been read since */
    bool trouble_told;
    struct output_plan plan;
    bool held; /* as last taken from the orders */
    /* As last told to the board. */
    const char *doing;
    bool ours, off_failed, by_hand;
    struct output_orders orders;
};

struct poller {
    const struct config *config;
    struct reading_queue *queue;
    struct status_board *board;
    struct poller_listener listener;
    double zero_s;
    struct profile *profile;
    struct connection *connection;
    struct output outputs[MOST_OUTPUTS];
    int count;
    double conversion_hz; /* learned; NAN: not known */
    bool rests;           /* asked once a renewal */
    double next_state_s;
    pthread_t thread;
    bool started;
    pthread_mutex_t mutex; /* the rest, and the orders of each output */
    pthread_cond_t changed;
    bool stopping, ended;
    bool ordered; /* something is to be taken up */
    uint64_t orders;
};

/* All of these in the polling thread. */

/* What has been asked for meanwhile goes into the plans. */
void poller_take_orders(struct poller *poller);

/* With an open link: offs first, all of them, then a step of whatever else is under way.
 * False: the link is gone. */
bool poller_serve(struct poller *poller, struct error *error);

/* With a link, open or not yet: sends the offs that somebody waits for. */
void poller_send_offs(struct poller *poller);

/* Somebody waits for an off that has not been tried. */
bool poller_off_is_awaited(const struct poller *poller);

/* Without a link: what was wanted could not be reached. */
void poller_unreached(struct poller *poller, const char *problem);

/* The link is open, or closed. */
void poller_outputs_back(struct poller *poller);
void poller_outputs_lost(struct poller *poller);

/* A reading of the output. */
void poller_note_reading(struct poller *poller, struct output *output,
                         const struct reading *reading);

/* Steps follow one another: no pause between rounds. */
bool poller_is_busy(const struct poller *poller);

/* The end: what is on by us goes off, with the link as it is. */
void poller_last_offs(struct poller *poller);

#endif
