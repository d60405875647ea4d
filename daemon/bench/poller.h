/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A thread a connection: opens it, polls its outputs in turn, stamps and hands
 * on the readings, opens it again when it is gone.
 */
#ifndef WAKEDRAW_BENCH_POLLER_H
#define WAKEDRAW_BENCH_POLLER_H

#include "bench/reading_queue.h"
#include "bench/status.h"

struct poller;

/* For the supplies of the configuration named by `members` (indices), which
 * share a link. `zero_s` is the monotonic instant of the running clock's zero. */
struct poller *poller_create(const struct config *config, const int *members, int count,
                             struct reading_queue *queue, struct status_board *board, double zero_s,
                             struct error *error);
int poller_start(struct poller *poller);

/* Asks the thread to end and waits: at most one reply timeout. */
void poller_stop(struct poller *poller);
void poller_destroy(struct poller *poller);

/* How well the supply reads back, from its profile. */
const struct accuracy *poller_accuracy(const struct poller *poller);

/* Switches an output from another thread, between two polls, and waits for it.
 * With on: where voltage_V and limit_A are numbers they are set and read back
 * first. -1 with the error filled: refused, or the supply cannot be reached. */
int poller_switch(struct poller *poller, int supply, bool on, double voltage_V, double limit_A,
                  struct error *error);

#endif
