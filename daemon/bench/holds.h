/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Holds: while the memory of the unit on an output is being read or written, nothing is
 * switched or set there but by a deliberate off, no run that switches begins, and no
 * other unit is put on. Kept in the store, so that a restart changes nothing of it.
 */
#ifndef WAKEDRAW_BENCH_HOLDS_H
#define WAKEDRAW_BENCH_HOLDS_H

#include "base/error.h"
#include "bench/output_wish.h"

struct bench;

/* Those of before the last end; before the pollers start. */
void holds_restore(struct bench *bench);

/* Begins or ends one; nothing happens where it is so already. With the bench's mutex of
 * changes held. EXIT_USAGE: a run switches the output, or it is being switched now;
 * else the disk did not take it, and all is as before. */
int holds_put(struct bench *bench, int supply, bool on, const struct output_asker *asker,
              struct error *error);

/* Whether this unit (empty: the order's) may be what is on the output from now on. -1
 * (EXIT_USAGE): it is another one, and there is a hold. */
int holds_check_unit(struct bench *bench, int supply, const char *unit, const char *work_order,
                     struct error *error);

/* -1 (EXIT_USAGE): a run that switches this output cannot begin, for there is a hold. */
int holds_check_run(struct bench *bench, int supply, struct error *error);

#endif
