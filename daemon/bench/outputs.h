/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Hands on outputs: what is asked of the polling threads on behalf of pages and runs,
 * in which order it counts, and what is kept of it. An off counts against every on that
 * was asked for before it. What is on by us is on the disk before it is switched on, so
 * that after any end it is known.
 */
#ifndef WAKEDRAW_BENCH_OUTPUTS_H
#define WAKEDRAW_BENCH_OUTPUTS_H

#include "base/error.h"
#include "bench/output_wish.h"

struct bench;
struct outputs;

/* NULL: memory is out. The bench must outlive it; its writer and its board must be
 * there, its pollers come later. */
struct outputs *outputs_create(struct bench *bench);

/* Once the writer has ended. */
void outputs_destroy(struct outputs *outputs);

/* What was on by us before the last end is told to the pollers, and what happened last to
 * the pages; before the pollers start. */
void outputs_restore(struct outputs *outputs);

/* A thread that looks after pages which are gone. */
int outputs_start(struct outputs *outputs);
void outputs_stop(struct outputs *outputs);

/* Something happened to an output; from the polling threads, with the outputs as context.
 * Does not wait: the log, the kept log of outputs, an event to the pages. */
void outputs_happened(void *context, const struct output_event *event);

/* An on was refused before a polling thread heard of it; for the reason in the error. */
void outputs_refused(struct outputs *outputs, int supply, const struct output_asker *asker,
                     const struct error *error);

/* What is to be done to go on or off by what stands on this output: its type's voltage
 * and limit, and the look, where it states both. The look is made at the type's
 * look_voltage_V (else at full voltage) and look_limit_A (else a tenth of the limit, and
 * 10 counts of the supply's current at least), neither above what is set. In current
 * limit for longer than limit_longest_s (else 3 s): off. -1: the store's error. */
int outputs_wish(struct outputs *outputs, int supply, bool on, const struct output_asker *asker,
                 struct output_wish *wish, struct error *error);

/* -1 (EXIT_USAGE): wakedraw may not switch it. */
int outputs_check_control(const struct outputs *outputs, int supply, struct error *error);

/* Carries out a wish, whatever run there is; waits for it. -1: what poller_switch says;
 * EXIT_USAGE too where control is off or an off was asked for meanwhile. */
int outputs_drive(struct outputs *outputs, int supply, const struct output_wish *wish,
                  struct error *error);

/* A hand's off, now: it counts against every on asked for up to here. */
int outputs_off(struct outputs *outputs, int supply, const struct output_asker *asker,
                struct error *error);

/* A page's live stream opened, closed. */
void outputs_page_joined(struct outputs *outputs, const char *page);
void outputs_page_left(struct outputs *outputs, const char *page);

/* The setting page_gone_s; 0: never. */
void outputs_set_page_gone(struct outputs *outputs, double page_gone_s);

/* Waits, a second at most, until what happened so far is on the disk. */
void outputs_flush(struct outputs *outputs);

/* For what is kept elsewhere already (holds.h): log and pages. */
void outputs_told(struct outputs *outputs, int supply, enum output_what what,
                  const struct output_asker *asker);

#endif
