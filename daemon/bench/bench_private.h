/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of the bench, for its own files.
 */
#ifndef WAKEDRAW_BENCH_BENCH_PRIVATE_H
#define WAKEDRAW_BENCH_BENCH_PRIVATE_H

#include "bench/bench.h"
#include "bench/chain.h"
#include "bench/holds.h"
#include "bench/outputs.h"
#include "bench/poller.h"
#include "bench/runs.h"
#include "bench/status.h"
#include "bench/writer.h"

#include <pthread.h>

struct bench {
    const struct config *config;
    struct store *store;
    struct bench_listener listener;
    double zero_s;
    struct reading_queue *queue;
    struct status_board board;
    struct writer *writer;
    struct chain *chain;
    struct runs *runs;
    struct outputs *outputs;
    struct poller **pollers;
    int *poller_of; /* by supply */
    int poller_count;
    pthread_mutex_t change_mutex; /* one change of what is on the bench at a time */
    bool running;
};

/* The index of a supply; -1 with the error filled (EXIT_NO_INPUT): there is none. */
int bench_find_supply(const struct bench *bench, const char *name, struct error *error);

/* A write that changes what is on an output with this index; then it is read again. */
int bench_write_on_bench(struct bench *bench, int supply,
                         int (*write)(struct store *store, void *context, struct error *error),
                         void *context, struct error *error);

/* What is to be done to go on or off by what stands on this output: its type's voltage
 * and limit where it states both, and the look. -1: the store's error. */
int bench_output_wish(struct bench *bench, int supply, bool on, const struct output_asker *asker,
                      struct output_wish *wish, struct error *error);

/* bench_switch_output without asking whether a run minds. */
int bench_drive_output(struct bench *bench, int supply, const struct output_wish *wish,
                       struct error *error);

#endif
