/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A thread a connection: opens it, polls its outputs in turn, stamps and hands
 * on the readings, opens it again when it is gone.
 */
#ifndef WAKEDRAW_BENCH_POLLER_H
#define WAKEDRAW_BENCH_POLLER_H

#include "bench/output_wish.h"
#include "bench/reading_queue.h"
#include "bench/status.h"

struct poller;

/* Called in the polling thread; must not block. */
struct poller_listener {
    void (*happened)(void *context, const struct output_event *event);
    void *context;
};

/* For the supplies of the configuration named by `members` (indices), which
 * share a link. `zero_s` is the monotonic instant of the running clock's zero. What
 * happens to the outputs is told to `listener` (may hold NULL). */
struct poller *poller_create(const struct config *config, const int *members, int count,
                             struct reading_queue *queue, struct status_board *board,
                             const struct poller_listener *listener, double zero_s,
                             struct error *error);
int poller_start(struct poller *poller);

/* Asks the thread to end, without waiting. */
void poller_halt(struct poller *poller);

/* Asks the thread to end and waits. Outputs that are on by us go off first, save
 * under hold: a few reply timeouts at most. */
void poller_stop(struct poller *poller);
void poller_destroy(struct poller *poller);

/* How well the supply reads back, from its profile. */
const struct accuracy *poller_accuracy(const struct poller *poller);

/* Carries out what is asked of an output, from any thread, and waits until it is
 * done: some seconds for on. Off goes before everything else that this link has to
 * carry, an on under way ends refused, and while off cannot be confirmed it is tried
 * again (off_wanted in the status). -1 with the error filled: EXIT_USAGE (control is
 * off, hold, on already, overtaken by off), EXIT_BAD_DATA (the supply does not take
 * or read back what was to be set, or the look saw a short), EXIT_UNAVAILABLE (it
 * cannot be reached: the switch on its front is what is left). */
int poller_switch(struct poller *poller, int supply, const struct output_wish *wish,
                  struct error *error);

/* From now on, or no longer, nothing is switched or set save by a deliberate off. */
void poller_hold(struct poller *poller, int supply, bool held);

/* Before poller_start: this output was switched on by us, for him, before the last end.
 * Where it is found on, it goes off (not under hold). */
void poller_adopt(struct poller *poller, int supply, const struct output_asker *asker);

#endif
