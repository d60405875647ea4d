/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs: one unit powered up again and again. A power-up that begins on a supply
 * while a run of its unit is open there belongs to it, and has its tag.
 */
#ifndef WAKEDRAW_STORE_RUNS_H
#define WAKEDRAW_STORE_RUNS_H

#include "store/store.h"

enum { RUN_MOST_POWER_UPS = 10000, RUN_MOST_WHY = 200 };

/* What a run that a stop of the daemon ended says. */
#define RUN_STOPPED "wakedraw stopped"

/* {"wanted", "off_s", "on_s" (null: until the watch is over), "stop_on": "bad" or
 * "never", "switched": "wakedraw" or "hand", "tag"}: begins now, with the unit, the
 * order and the stage that are on the bench. The tag goes on the bench; left out,
 * it is the one there. EXIT_BAD_DATA: its field; EXIT_USAGE: one of this supply is
 * open. */
int store_put_run(struct store *store, const char *supply, const json_t *wish, int64_t *id,
                  struct error *error);

/* EXIT_NO_INPUT: there is none; EXIT_USAGE: it is over. */
int store_end_run(struct store *store, int64_t id, const char *why, struct error *error);

/* The run a power-up belongs to; 0: none. From the writer's thread, within a group
 * too. */
int store_run_of_power_up(struct store *store, int64_t power_up, int64_t *run, struct error *error);

/* --- reading --- */

/* {"id", "supply", "unit", "work_order", "stage", "tag", "wanted", "done" (its watch
 * is over), "good", "bad", "unsure" (of these), "off_s", "on_s", "stop_on", "switched",
 * "started_at", "ended_at", "ended_why", "left_s": null}, with "power_ups", the ids,
 * where asked for. Power-ups moved to another unit are out of it. JSON null: there is
 * none. */
json_t *store_run(struct store_reader *reader, int64_t id, bool with_power_ups,
                  struct error *error);

/* How a run stands, for whoever switches. */
struct run_standing {
    int begun, done;           /* power-ups; of them, those whose watch is over */
    int bad;                   /* their watch may go on */
    bool newest_watched;       /* its watch is over */
    bool newest_on;            /* its on-time goes on */
    int64_t newest_started_us; /* its onset, wall time */
};

int store_run_standing(struct store_reader *reader, int64_t id, struct run_standing *standing,
                       struct error *error);

#endif
