/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs at work: one thread looks at the bench ten times a second and carries out
 * what the plan of each open run (run_plan.h) says. A run ends by itself, by being
 * told, when something else comes on the bench, and with the daemon; an output that
 * it switched on goes off with it.
 */
#ifndef WAKEDRAW_BENCH_RUNS_H
#define WAKEDRAW_BENCH_RUNS_H

#include "base/error.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

struct bench;
struct runs;

/* NULL: memory is out. The bench must outlive it. */
struct runs *runs_create(struct bench *bench);
int runs_start(struct runs *runs);

/* Ends all of them ("wakedraw stopped") and the thread; before the pollers end. */
void runs_stop(struct runs *runs);
void runs_destroy(struct runs *runs);

/* Begins one (`wish`: store/runs.h). -1: what the store says, EXIT_NO_INPUT (no such
 * supply), EXIT_USAGE too where it is to be switched by us and control is off. */
int runs_begin(struct runs *runs, const char *supply, const json_t *wish, int64_t *id,
               struct error *error);

/* Ends it and waits until that is on the disk. EXIT_NO_INPUT, EXIT_USAGE (it is over),
 * EXIT_IO (it switches no more, but the disk does not take it). */
int runs_end(struct runs *runs, int64_t id, const char *why, struct error *error);

/* A hand switches on the page. Off ends the run that switches this output, without
 * waiting for it; on is refused (EXIT_USAGE) while there is one. */
int runs_give_way(struct runs *runs, int supply, bool on, struct error *error);

/* By the pace so far; not-a-number: not known, or it is over. */
double runs_left_s(struct runs *runs, int64_t id);

#endif
