/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The thread from reading to verdict.
 */
#ifndef WAKEDRAW_BENCH_CHAIN_H
#define WAKEDRAW_BENCH_CHAIN_H

#include "bench/bench.h"
#include "bench/capture.h"
#include "bench/reading_queue.h"
#include "bench/status.h"
#include "bench/writer.h"

/* A change of what is on an output; handed over through the queue. */
struct bench_change {
    struct on_bench on_bench;
    struct reference *reference; /* NULL: none */
    int reference_version;
    struct conditions conditions; /* the reference is compared under */
    double watch_s;               /* of the type where there is no reference; NAN: not stated */
};

void bench_change_destroy(struct bench_change *change);

/* An open power-up was moved or tagged; handed over likewise. */
struct bench_move {
    int64_t power_up;
    struct on_bench on_bench; /* unit, work order, stage and tag alone */
};

struct chain;

struct chain *chain_create(const struct config *config, struct reading_queue *queue,
                           struct writer *writer, struct status_board *board,
                           const struct bench_listener *listener, double zero_s);

/* Before the start: how well the supply with this index reads back. */
void chain_set_accuracy(struct chain *chain, int supply, const struct accuracy *accuracy);

int chain_start(struct chain *chain);

/* To be called after ITEM_STOP was pushed: waits; open power-ups are finished
 * as lost. */
void chain_join(struct chain *chain);
void chain_destroy(struct chain *chain);

#endif
