/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The bench at work: a thread a connection polls, one thread runs the chain
 * from reading to verdict, one writes the store; bounded queues between them,
 * whose overflow is counted and shown.
 */
#ifndef WAKEDRAW_BENCH_BENCH_H
#define WAKEDRAW_BENCH_BENCH_H

#include "base/accuracy.h"
#include "base/error.h"
#include "bench/config.h"
#include "bench/output_wish.h"
#include "store/orders.h"
#include "store/store.h"

#include <jansson.h>

struct bench;
struct runs;

/* Is told what happens: name is "reading", "power-up", "verdict", "supply" or "run",
 * data one line of JSON. Called from the bench's threads; must not block. Readings of all
 * outputs come one after the other, and then all_told (may be NULL): what passes them on
 * need look only then. */
struct bench_listener {
    void (*happened)(void *context, const char *name, const char *data);
    void *context;
    void (*all_told)(void *context);
};

/* The configuration and the store must outlive it. NULL with the error filled
 * (a profile that cannot be read, a link kind it does not fit). A supply that
 * does not answer is no error: it is tried again and shown as gone. */
struct bench *bench_create(const struct config *config, struct store *store,
                           const struct bench_listener *listener, struct error *error);
int bench_start(struct bench *bench, struct error *error);

/* Ends the threads; open power-ups are finished as incomplete and kept. */
void bench_stop(struct bench *bench);
void bench_destroy(struct bench *bench);

/* [{"name", "link", "profile", "output", "control", "state": "reading" |
 * "opening" | "gone", "problem": text or null, "identity", "module_type",
 * "unit", "work_order", "stage", "tag" (null where not said),
 * "on_bench_confirmed_at", "ask_unit" (it may be another by now),
 * "run": the open one's id or null, "voltage_V",
 * "current_A", "output_on", "limited" (null: not known), "last_reading_at",
 * "age_s", "rate_hz", "limit_hz", "limit_why", "limit_computed_hz", "limit_share", "device",
 * "usb_serial", "low_latency" (texts or null),
 * "conversion_hz", "jitter_s",
 * "longest_gap_s", "gaps", "repeats", "timeouts", "garbled", "resynchronised",
 * "dropped", "power_up": the open one's id or null, "reference_version" (null),
 * "judging_s", "commit_s"; of hands on the output (status.h): "output_doing", "output_last",
 * "output_at", "output_by", "output_hand", "output_why", "output_ours", "off_wanted",
 * "output_problem", "settings_by_hand", "hold": {"since", "unit", "hand", "why"} or null}] */
json_t *bench_supplies(struct bench *bench);

/* Whether all is moving: the chain came round lately, and the last write is on
 * the disk. False with what is wrong in problem (at least 700 bytes). */
bool bench_is_well(struct bench *bench, char *problem, size_t size);

/* The first half of it alone. */
bool bench_is_moving(struct bench *bench);

/* What is connected. -1: no such supply (status EXIT_NO_INPUT), or the store's
 * error. */
int bench_put_on(struct bench *bench, const char *supply, const struct on_bench *on_bench,
                 struct error *error);

/* A unit comes in on this output (orders.h). */
int bench_take_in(struct bench *bench, const char *supply, const json_t *what,
                  struct intake *intake, struct error *error);

/* The unit on this output is still the one. */
int bench_confirm_unit(struct bench *bench, const char *supply, struct error *error);

/* What is known of a unit changed, or where it is: what is on an output is read
 * again where that is this unit. */
void bench_unit_changed(struct bench *bench, const char *unit);

/* The shop's settings changed. */
void bench_settings_changed(struct bench *bench);

/* A power-up was moved or tagged: where it is open, it goes on as what the item
 * (the API's) says. */
void bench_power_up_moved(struct bench *bench, int64_t power_up, const json_t *item);

/* A hand switches an output: off ends a run that switches it, goes before everything else
 * and counts against every on asked for before it; on sets the type's voltage and current
 * limit first where it states them, and looks gently for a short. `asked_s` is when it was
 * asked for (monotonic). -1: EXIT_NO_INPUT (no such supply), or what poller_switch says
 * (EXIT_USAGE too where a run switches it on and off). */
int bench_switch_output(struct bench *bench, const char *supply, bool on,
                        const struct output_asker *asker, double asked_s, struct error *error);

/* The memory of the unit on this output is being read or written, or no longer (holds.h).
 * -1: EXIT_NO_INPUT, EXIT_USAGE (not now), or the store's error. */
int bench_hold(struct bench *bench, const char *supply, bool on, const struct output_asker *asker,
               struct error *error);

/* A live stream of this page opened, closed: an output goes off when the page that
 * switched it on is gone, as the settings say. */
void bench_page_joined(struct bench *bench, const char *page);
void bench_page_left(struct bench *bench, const char *page);

/* Waits, a second at most, until the log of outputs so far is on the disk. */
void bench_flush_outputs(struct bench *bench);

/* Its runs (runs.h). */
struct runs *bench_runs(const struct bench *bench);

/* How well a supply reads back; lives as long as the bench. NULL: no such supply. */
const struct accuracy *bench_accuracy(const struct bench *bench, const char *supply);

/* The newest reference of a type changed. */
void bench_reference_changed(struct bench *bench, const char *module_type);

/* Brings what was read of this power-up, where it is open, to the disk; waits for it
 * a second at most, so that a slow disk holds up nobody who reads. */
void bench_flush(struct bench *bench, int64_t power_up);

/* Runs a function in the store writer's thread and waits for it, so that the
 * HTTP library's threads can write too. Returns the function's result. */
int bench_write(struct bench *bench,
                int (*write)(struct store *store, void *context, struct error *error),
                void *context, struct error *error);

#endif
