/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is kept: SQLite in the data directory, WAL, synchronous FULL. One
 * process holds the directory (a lock); one connection writes and checkpoints,
 * used by one thread; readers are read-only and each belongs to one thread.
 * Every function that writes returns only after its commit is on the disk, save
 * within a group.
 */
#ifndef WAKEDRAW_STORE_STORE_H
#define WAKEDRAW_STORE_STORE_H

#include "base/error.h"
#include "base/reading.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

struct store;

/* Errors about a field of JSON (a unit's "serial", "work_order") name the field
 * as the error's file, with EXIT_BAD_DATA. */

/* Makes the directory and the file where missing, brings an older schema up to
 * date inside one transaction, refuses a newer one by name; power-ups left open
 * by a process that was killed become incomplete. NULL with the error filled
 * (EXIT_UNAVAILABLE: another process holds the directory). */
struct store *store_open(const char *directory, struct error *error);
void store_close(struct store *store);

/* From here to store_group_end what is written goes to the disk in one commit, or not
 * at all: of power-ups by the six functions from store_begin_power_up to
 * store_end_on_time, and lines of outputs.h; or a move or a change of a work order with its
 * records. No other. After the
 * first of them that fails nothing may be written before the group is ended. */
int store_group_begin(struct store *store, struct error *error);
/* Commits, or with `keep` false leaves nothing of it. -1: nothing of it is kept. */
int store_group_end(struct store *store, bool keep, struct error *error);

/* What is connected to an output; empty strings: not said. A module type or a
 * unit (by serial number) that does not exist yet is made; a work order is the
 * id of one that exists and is open, of this unit (a unit not said is the
 * order's), and the stage one of its own (not said: where it is now). */
struct on_bench {
    char module_type[128], unit[128], work_order[64], stage[64];
    char tag[8]; /* "heat" or "cold" */
    /* Told, not said: the unit's own, and when it was last said or confirmed. */
    char revision[128], set_up[128];
    int64_t confirmed_us;
};

enum power_up_state { STATE_OPEN, STATE_COMPLETE, STATE_INCOMPLETE };

/* Begins one: its row, with the readings so far. */
int store_begin_power_up(struct store *store, const char *supply, int64_t started_wall_us,
                         const struct on_bench *on_bench, const char *profile,
                         const struct reading *readings, size_t count, int64_t *id,
                         struct error *error);

/* When it began, on the trace's own time: known from the beginning, and told of an open one. */
int store_note_onset(struct store *store, int64_t id, double onset_s, struct error *error);

/* Adds readings; `after_watch` marks the on-time log. Times go on increasing. */
int store_append_readings(struct store *store, int64_t id, bool after_watch,
                          const struct reading *readings, size_t count, struct error *error);

/* Verdict (JSON object by verdict_json.h), with the readings not yet appended,
 * in one commit. reference_version 0: none. */
int store_set_verdict(struct store *store, int64_t id, const json_t *verdict, int reference_version,
                      const struct reading *readings, size_t count, struct error *error);

/* The watch is over, or it ended or was lost: the state, the verdict as it
 * stands, the signature ({"onset_s", "phases": [...], "baseline_A", ...}), the
 * readings left; the pieces are packed into one. */
int store_finish_power_up(struct store *store, int64_t id, enum power_up_state state,
                          const json_t *verdict, int reference_version, const json_t *signature,
                          const struct reading *readings, size_t count, struct error *error);

/* The on-time log is over; `why` as in the contract. (What a killed process left
 * on ends with its last reading, "wakedraw stopped".) */
int store_end_on_time(struct store *store, int64_t id, double ended_s, const char *why,
                      struct error *error);

/* What is on the bench survives a restart. */
int store_put_on_bench(struct store *store, const char *supply, const struct on_bench *on_bench,
                       struct error *error);

/* A module type: {"name", "nominal_voltage_V", "current_limit_A", "watch_s",
 * "look_voltage_V", "look_limit_A", "limit_longest_s" (how it is switched on,
 * bench/outputs.h), "feeds", "cautions"}; made, or changed. */
int store_put_module_type(struct store *store, const json_t *type, struct error *error);

/* A unit: {"serial", "module_type", ...}; a work order: {"unit"} and what of
 * orders.h is known of it. */
int store_put_unit(struct store *store, const json_t *unit, int64_t *id, struct error *error);
int store_put_work_order(struct store *store, const json_t *order, int64_t *id,
                         struct error *error);

/* A reference's text for its type (made where missing); gives it the type's
 * next version, or keeps the one it carries where that is free and higher. */
int store_put_reference(struct store *store, const char *module_type, int wanted_version,
                        const char *text, int *version, int64_t *id, struct error *error);

/* A whole power-up from another store: its item (the contract's shape, with
 * "signature") and its readings, in one commit. Its id and work order are not
 * taken over. 1: it is here already (same supply and start), *id says which. */
int store_put_power_up(struct store *store, const json_t *item, const struct reading *readings,
                       size_t count, int64_t *id, struct error *error);

/* {"directory", "schema_version", "quick_check", "size_bytes", "free_bytes",
 * "packed_readings", "bytes_per_reading": or null, "last_commit_at": or null}.
 * The one function here that any thread may call at any time. */
json_t *store_health(struct store *store);

/* --- reading --- */

struct store_reader;

/* A read-only connection of the calling thread's own. */
struct store_reader *store_reader_open(const char *directory, struct error *error);
void store_reader_close(struct store_reader *reader);

struct store_filter {
    const char *module_type, *unit, *work_order, *supply; /* NULL: any */
    const char *serial, *search; /* units: the very serial number; a part of it, or of the
                                  * customer's reference of one of its work orders */
    const char *stage, *verdict, *reason, *run; /* power-ups; reason: the first one's code */
    int64_t from_us, to_us;                     /* power-ups begun from, before; 0: any */
    int64_t before;                             /* an id; 0: from the newest */
    int limit;                                  /* 1..500 */
};

enum store_kind {
    STORE_MODULE_TYPES,
    STORE_REFERENCES,
    STORE_UNITS,
    STORE_WORK_ORDERS,
    STORE_POWER_UPS
};

/* {"items": [...], "next": ID or null}, newest first, ids as strings, times as
 * RFC 3339; the shapes of the contract. NULL with the error filled. */
json_t *store_list(struct store_reader *reader, enum store_kind kind,
                   const struct store_filter *filter, struct error *error);

/* One item; JSON null where there is none. A power-up with "signature" and,
 * where with_trace, "trace"; a reference with "reference" (its content). */
json_t *store_get(struct store_reader *reader, enum store_kind kind, int64_t id, bool with_trace,
                  struct error *error);

/* The readings of a power-up, watch and on-time log, as they were received. */
int store_read_trace(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error);

/* Those of the watch alone. */
int store_read_watch(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error);

/* Those of the on-time log alone, after the watch. */
int store_read_on_time(struct store_reader *reader, int64_t id, struct trace *trace,
                       struct error *error);

/* The newest reference of a type: its text (malloc'd), or NULL (error status
 * EXIT_OK: there is none). */
char *store_reference_text(struct store_reader *reader, const char *module_type, int *version,
                           struct error *error);
/* Likewise, before a newer one of another revision or set-up the newest of these
 * (NULL: not said, and one that says none fits all). */
char *store_reference_text_for(struct store_reader *reader, const char *module_type,
                               const char *revision, const char *set_up, int *version,
                               struct error *error);
/* The text of a reference by its id; as above. */
char *store_reference_text_by_id(struct store_reader *reader, int64_t id, struct error *error);
/* One module type by name, JSON null where there is none. */
json_t *store_module_type(struct store_reader *reader, const char *name, struct error *error);
int store_read_on_bench(struct store_reader *reader, const char *supply, struct on_bench *on_bench,
                        struct error *error);

#endif
