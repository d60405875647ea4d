/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of the store, for its own files.
 */
#ifndef WAKEDRAW_STORE_STORE_PRIVATE_H
#define WAKEDRAW_STORE_STORE_PRIVATE_H

#include "store/database.h"
#include "store/store.h"

#include <pthread.h>

struct store {
    struct database database; /* the writer's; its thread's alone */
    int lock;                 /* descriptor of DIR/lock */
    char directory[512];
    bool in_group;
    int64_t pending_bytes, pending_readings; /* packed in this transaction */
    pthread_mutex_t mutex;                   /* guards what store_health reads */
    int64_t last_commit_us;
    int64_t packed_bytes, packed_readings;
};

struct store_reader {
    struct database database;
    struct trace_unpacker *unpacker;
};

/* Begins a transaction of its own, or goes on with the group's. */
int store_begin_transaction(struct store *store, struct error *error);
/* Commits where status is 0 or more, rolls back where not; returns 0 or -1.
 * Within a group the group's end does either. */
int store_end_transaction(struct store *store, int status, struct error *error);

/* DIR/lock held by this process: a descriptor, or -1 with the error filled. */
int directory_make(const char *directory, struct error *error);
int directory_lock(const char *directory, struct error *error);

/* Ids of names; made where missing (the module type a new unit gets may be 0).
 * An empty name gives 0. */
int catalogue_type_id(struct store *store, const char *name, int64_t *id, struct error *error);
int catalogue_unit_id(struct store *store, const char *serial, int64_t module_type_id, int64_t *id,
                      struct error *error);

/* What is on the bench as ids, 0 for what is not said; what is missing is made,
 * save a work order: one that does not exist, or is of another unit, is an
 * error. A unit not said is the work order's. */
struct bench_ids {
    int64_t module_type, unit, work_order;
};
int catalogue_bench_ids(struct store *store, const struct on_bench *on_bench, struct bench_ids *ids,
                        struct error *error);

/* Within a transaction of the caller's. */
int catalogue_put_on_bench(struct store *store, const char *supply, const struct on_bench *on_bench,
                           struct error *error);

/* Puts the pieces of one part into one piece. Damaged pieces are left as they
 * are, with a line in the log. */
int pieces_join(struct store *store, int64_t id, bool after_watch, struct error *error);

/* Whether the bench was verified when a power-up began, put down with it. */
int power_up_note_bench(struct store *store, int64_t id, const char *supply, int64_t started_us,
                        struct error *error);

/* What a process that was killed left open becomes incomplete. */
int power_ups_recover(struct store *store, struct error *error);
/* And its runs are over; after the power-ups. */
int runs_recover(struct store *store, struct error *error);

/* A power-up that has just begun belongs to the run of its unit that is open on its
 * supply. */
int run_take_in(struct store *store, int64_t power_up, struct error *error);

/* The verdict of a power-up; null: left as it is. */
int verdict_put(struct store *store, int64_t id, const json_t *verdict, int reference_version,
                struct error *error);
/* The "onset_s" of a verdict or a signature; not-a-number: none. */
double verdict_onset_s(const json_t *object);

/* A power-up under heat (by its tag or its stage) is never kept as good. */
int power_up_keep_heat(struct store *store, int64_t id, struct error *error);

/* A JSON value as compact text; malloc'd. NULL with the error filled. */
char *json_to_text(const json_t *value, struct error *error);

#endif
