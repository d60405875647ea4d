/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What beginning and ending a run (runs.c) and the thread that carries it out
 * (runs_thread.c) share.
 */
#ifndef WAKEDRAW_BENCH_RUNS_PRIVATE_H
#define WAKEDRAW_BENCH_RUNS_PRIVATE_H

#include "bench/runs.h"

#include "bench/bench_private.h"
#include "bench/run_plan.h"
#include "store/runs.h"

enum run_state {
    NO_RUN,
    RUN_OPEN,
    RUN_OVER, /* kept as over; its last power-up may still be watched, its output on */
};

/* What is known of the run of one output. */
struct slot {
    enum run_state state;
    int64_t id;
    struct run_plan plan;
    struct on_bench on_bench; /* what it is a run of */
    double begun_s;           /* monotonic */
    double last_done_s;       /* when the last one was through; NAN: none */
    double left_s;            /* of that instant; NAN */
    char why[RUN_MOST_WHY + 1];
    bool halted;   /* to be ended, for that reason */
    bool was_on;   /* switched on by it once at least */
    bool off_owed; /* over, and what it switched on may be on yet */
    double ended_s, off_again_s;
    struct run_standing standing;
    uint64_t commits;          /* of this output, when the store was last asked */
    bool looked;               /* the standing is known */
    pthread_mutex_t switching; /* held while the output is switched */
};

struct runs {
    struct bench *bench;
    struct slot *slots;    /* one a supply */
    pthread_mutex_t mutex; /* the slots, save what is being done with them */
    pthread_cond_t changed;
    pthread_t thread;
    bool started, stopping;
    struct store_reader *reader; /* the thread's */
};

/* In the writer's thread. */
struct run_write {
    struct runs *runs;
    int supply;
    const char *name;
    const json_t *wish;
    const char *why;
    int64_t id;
    bool switches;
};

int run_write_end(struct store *store, void *context, struct error *error);

/* With the mutex held. The first reason stands. */
void run_halt(struct runs *runs, struct slot *slot, const char *why);

#endif
