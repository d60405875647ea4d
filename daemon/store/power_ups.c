/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Writing power-ups: a row, and the readings as packed pieces that are joined
 * into one when the watch and when the on-time log is over.
 */
#include "store/store_private.h"

#include "base/clock.h"
#include "base/log.h"
#include "store/json_fields.h"
#include "store/trace_pack.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The on-time log of a long soak comes a few readings at a time; so many small
 * pieces are joined on the way. */
enum { MOST_SMALL_PIECES = 64, SMALL_PIECE_READINGS = 1024 };

static int no_such_power_up(int64_t id, struct error *error)
{
    return error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no power-up %lld",
                     (long long)id);
}

static int put_piece(struct store *store, int64_t id, bool after_watch, bool whole,
                     const struct reading *readings, size_t count, size_t *bytes,
                     struct error *error)
{
    uint8_t *packed = trace_pack(readings, count, bytes);
    if (!packed)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    int status =
        database_run(&store->database, error, NULL,
                     "INSERT INTO piece (power_up_id, after_watch, whole, readings, packed)"
                     " VALUES (?, ?, ?, ?, ?)",
                     "iiiib", id, (int64_t)after_watch, (int64_t)whole, (int64_t)count,
                     (const void *)packed, *bytes);
    free(packed);
    return status < 0 ? -1 : 0;
}

/* Refuses readings that do not go on from the last one kept: a trace that could
 * not be exported and judged again is worth an error at once. */
static int check_order(struct store *store, int64_t id, const struct reading *readings,
                       size_t count, struct error *error)
{
    sqlite3_stmt *statement = database_query(&store->database, error,
                                             "SELECT last_s FROM power_up WHERE id = ?", "i", id);
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    double last_s = -INFINITY;
    if (status == 1 && sqlite3_column_type(statement, 0) != SQLITE_NULL)
        last_s = sqlite3_column_double(statement, 0);
    sqlite3_finalize(statement);
    if (status != 1)
        return status < 0 ? -1 : no_such_power_up(id, error);
    for (size_t i = 0; i < count; i++) {
        if (!(readings[i].time_s > last_s))
            return error_set(error, EXIT_SOFTWARE, NULL, 0, "times that strictly increase",
                             "power-up %lld: found time_s %.6f after %.6f", (long long)id,
                             readings[i].time_s, last_s);
        last_s = readings[i].time_s;
    }
    return 0;
}

static int append(struct store *store, int64_t id, bool after_watch, const struct reading *readings,
                  size_t count, struct error *error)
{
    if (check_order(store, id, readings, count, error) != 0)
        return -1;
    if (count == 0)
        return 0;
    size_t bytes = 0;
    if (put_piece(store, id, after_watch, false, readings, count, &bytes, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "UPDATE power_up SET readings = readings + ?, last_s = ? WHERE id = ?",
                        "idi", (int64_t)count, readings[count - 1].time_s, id) < 0
               ? -1
               : 0;
}

/* --- joining --- */

/* 0; 1: one of the pieces is damaged; -1. */
static int read_pieces(struct database *database, int64_t id, bool after_watch, int64_t most,
                       struct trace *trace, struct error *error)
{
    sqlite3_stmt *statement = database_query(database, error,
                                             "SELECT packed FROM piece WHERE power_up_id = ?"
                                             " AND after_watch = ? AND readings < ? ORDER BY id",
                                             "iii", id, (int64_t)after_watch, most);
    if (!statement)
        return -1;
    int status = 0;
    bool damaged = false;
    while ((status = database_step(database, statement, error)) == 1) {
        const uint8_t *packed = sqlite3_column_blob(statement, 0);
        damaged |= trace_unpack(packed, (size_t)sqlite3_column_bytes(statement, 0), trace) != 0;
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : damaged;
}

/* Counted when it is committed. */
static int count_packed(struct store *store, int64_t id, bool after_watch, int sign,
                        struct error *error)
{
    int64_t bytes = 0;
    int64_t readings = 0;
    const char *sum_bytes = "SELECT coalesce(sum(length(packed)), 0) FROM piece"
                            " WHERE power_up_id = ? AND after_watch = ? AND whole = 1";
    const char *sum_readings = "SELECT coalesce(sum(readings), 0) FROM piece"
                               " WHERE power_up_id = ? AND after_watch = ? AND whole = 1";
    if (database_run(&store->database, error, &bytes, sum_bytes, "ii", id, (int64_t)after_watch) <
            0 ||
        database_run(&store->database, error, &readings, sum_readings, "ii", id,
                     (int64_t)after_watch) < 0)
        return -1;
    store->pending_bytes += sign * bytes;
    store->pending_readings += sign * readings;
    return 0;
}

/* Joins the pieces of fewer than `most` readings. */
static int join(struct store *store, int64_t id, bool after_watch, int64_t most, bool whole,
                struct error *error)
{
    struct trace trace = {0};
    int status = read_pieces(&store->database, id, after_watch, most, &trace, error);
    if (status == 1)
        log_warning("power-up %lld: a piece of its readings is damaged; kept as it is",
                    (long long)id);
    if (status != 0 || trace.count == 0) {
        trace_clear(&trace);
        return status < 0 ? -1 : 0;
    }
    size_t bytes = 0;
    status = database_run(&store->database, error, NULL,
                          "DELETE FROM piece WHERE power_up_id = ? AND after_watch = ?"
                          " AND readings < ?",
                          "iii", id, (int64_t)after_watch, most);
    if (status >= 0)
        status =
            put_piece(store, id, after_watch, whole, trace.readings, trace.count, &bytes, error);
    trace_clear(&trace);
    return status < 0 ? -1 : 0;
}

int pieces_join(struct store *store, int64_t id, bool after_watch, struct error *error)
{
    int64_t loose = 0;
    if (database_run(&store->database, error, &loose,
                     "SELECT count(*) FROM piece WHERE power_up_id = ? AND after_watch = ?"
                     " AND whole = 0",
                     "ii", id, (int64_t)after_watch) < 0)
        return -1;
    if (loose == 0)
        return 0;
    if (count_packed(store, id, after_watch, -1, error) != 0 ||
        join(store, id, after_watch, INT64_MAX, true, error) != 0)
        return -1;
    return count_packed(store, id, after_watch, 1, error);
}

static int join_small_pieces(struct store *store, int64_t id, struct error *error)
{
    int64_t small = 0;
    if (database_run(&store->database, error, &small,
                     "SELECT count(*) FROM piece WHERE power_up_id = ? AND after_watch = 1"
                     " AND readings < ?",
                     "ii", id, (int64_t)SMALL_PIECE_READINGS) < 0)
        return -1;
    if (small < MOST_SMALL_PIECES)
        return 0;
    return join(store, id, true, SMALL_PIECE_READINGS, false, error);
}

/* --- what store.h offers --- */

static int begin(struct store *store, const char *supply, int64_t started_wall_us,
                 const struct on_bench *on_bench, const char *profile, int64_t *id,
                 struct error *error)
{
    struct bench_ids ids = {0};
    if (catalogue_bench_ids(store, on_bench, &ids, error) != 0)
        return -1;
    if (database_run(&store->database, error, NULL,
                     "INSERT INTO power_up (supply, profile, started_us, state, module_type_id,"
                     " unit_id, work_order_id, stage, tag, revision, set_up) VALUES"
                     " (?, ?, ?, 'open', nullif(?, 0), nullif(?, 0), nullif(?, 0), ?, ?, ?, ?)",
                     "teiiiieeee", supply, profile, started_wall_us, ids.module_type, ids.unit,
                     ids.work_order, on_bench->stage, on_bench->tag, on_bench->revision,
                     on_bench->set_up) < 0)
        return -1;
    *id = sqlite3_last_insert_rowid(store->database.connection);
    return 0;
}

int store_begin_power_up(struct store *store, const char *supply, int64_t started_wall_us,
                         const struct on_bench *on_bench, const char *profile,
                         const struct reading *readings, size_t count, int64_t *id,
                         struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int64_t made = 0;
    int status = begin(store, supply, started_wall_us, on_bench, profile, &made, error);
    if (status == 0)
        status = power_up_note_bench(store, made, supply, started_wall_us, error);
    if (status == 0)
        status = run_take_in(store, made, error);
    if (status == 0)
        status = append(store, made, false, readings, count, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}

int store_note_onset(struct store *store, int64_t id, double onset_s, struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "UPDATE power_up SET onset_s = ? WHERE id = ?", "di", onset_s, id) < 0
               ? -1
               : 0;
}

int store_append_readings(struct store *store, int64_t id, bool after_watch,
                          const struct reading *readings, size_t count, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = append(store, id, after_watch, readings, count, error);
    if (status == 0 && after_watch)
        status = join_small_pieces(store, id, error);
    return store_end_transaction(store, status, error);
}

static int put_signature(struct store *store, int64_t id, const json_t *signature,
                         struct error *error)
{
    if (!signature || json_is_null(signature))
        return 0;
    char *text = json_to_text(signature, error);
    if (!text)
        return -1;
    int status = database_run(&store->database, error, NULL,
                              "UPDATE power_up SET signature = ?, onset_s = coalesce(?, onset_s)"
                              " WHERE id = ?",
                              "tdi", text, verdict_onset_s(signature), id);
    free(text);
    return status < 0 ? -1 : 0;
}

int store_set_verdict(struct store *store, int64_t id, const json_t *verdict, int reference_version,
                      const struct reading *readings, size_t count, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = append(store, id, false, readings, count, error);
    if (status == 0)
        status = verdict_put(store, id, verdict, reference_version, error);
    return store_end_transaction(store, status, error);
}

static const char *state_name(enum power_up_state state)
{
    return state == STATE_OPEN ? "open" : state == STATE_COMPLETE ? "complete" : "incomplete";
}

/* What ended before its watch was over has no on-time log to come. */
static int put_state(struct store *store, int64_t id, enum power_up_state state,
                     struct error *error)
{
    const char *sql = state == STATE_INCOMPLETE
                          ? "UPDATE power_up SET state = ?, ended_s = coalesce(ended_s, last_s, 0)"
                            " WHERE id = ?"
                          : "UPDATE power_up SET state = ? WHERE id = ?";
    return database_run(&store->database, error, NULL, sql, "ti", state_name(state), id) < 0 ? -1
                                                                                             : 0;
}

int store_finish_power_up(struct store *store, int64_t id, enum power_up_state state,
                          const json_t *verdict, int reference_version, const json_t *signature,
                          const struct reading *readings, size_t count, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = append(store, id, false, readings, count, error);
    if (status == 0)
        status = verdict_put(store, id, verdict, reference_version, error);
    if (status == 0)
        status = put_signature(store, id, signature, error);
    if (status == 0)
        status = put_state(store, id, state, error);
    if (status == 0 && state != STATE_OPEN)
        status = pieces_join(store, id, false, error);
    return store_end_transaction(store, status, error);
}

static int end_on_time(struct store *store, int64_t id, double ended_s, const char *why,
                       struct error *error)
{
    if (check_order(store, id, NULL, 0, error) != 0)
        return -1;
    if (database_run(&store->database, error, NULL,
                     "UPDATE power_up SET ended_s = coalesce(?, last_s, 0), ended_why = ?"
                     " WHERE id = ?",
                     "dei", ended_s, why, id) < 0)
        return -1;
    return pieces_join(store, id, true, error);
}

int store_end_on_time(struct store *store, int64_t id, double ended_s, const char *why,
                      struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, end_on_time(store, id, ended_s, why, error), error);
}

/* --- from another store --- */

struct moved {
    const char *supply, *state, *ended_why;
    int64_t started_us;
    struct on_bench on_bench;
    double ended_s;
};

static int copy_name(const json_t *item, const char *key, char *name, size_t size,
                     struct error *error)
{
    if (snprintf(name, size, "%s", json_text(item, key)) < (int)size)
        return 0;
    return error_set(error, EXIT_BAD_DATA, key, 0, "a shorter text", "found \"%.60s...\"", name);
}

static int read_moved(const json_t *item, struct moved *moved, struct error *error)
{
    moved->supply = json_text(item, "supply");
    moved->state = json_text(item, "state");
    moved->ended_why = json_text(item, "ended_why");
    if (!moved->supply[0])
        return error_set(error, EXIT_BAD_DATA, "supply", 0, "a text", "is missing");
    if (!clock_parse_rfc3339(json_text(item, "started_at"), &moved->started_us))
        return error_set(error, EXIT_BAD_DATA, "started_at", 0, "a time like 2026-01-31T08:05:09Z",
                         "found \"%.60s\"", json_text(item, "started_at"));
    if (strcmp(moved->state, "complete") != 0 && strcmp(moved->state, "incomplete") != 0)
        return error_set(error, EXIT_BAD_DATA, "state", 0, "complete or incomplete",
                         "found \"%.60s\"", moved->state);
    struct on_bench *on_bench = &moved->on_bench;
    if (copy_name(item, "module_type", on_bench->module_type, sizeof on_bench->module_type,
                  error) != 0 ||
        copy_name(item, "unit", on_bench->unit, sizeof on_bench->unit, error) != 0 ||
        copy_name(item, "stage", on_bench->stage, sizeof on_bench->stage, error) != 0 ||
        copy_name(item, "tag", on_bench->tag, sizeof on_bench->tag, error) != 0 ||
        copy_name(item, "revision", on_bench->revision, sizeof on_bench->revision, error) != 0 ||
        copy_name(item, "set_up", on_bench->set_up, sizeof on_bench->set_up, error) != 0)
        return -1;
    if (on_bench->tag[0] && strcmp(on_bench->tag, "heat") != 0 &&
        strcmp(on_bench->tag, "cold") != 0)
        return error_set(error, EXIT_BAD_DATA, "tag", 0, "heat or cold", "found \"%s\"",
                         on_bench->tag);
    const json_t *on_time_s = json_object_get(item, "on_time_s");
    double onset_s = verdict_onset_s(item);
    moved->ended_s = (double)NAN;
    if (json_is_number(on_time_s))
        moved->ended_s = json_number_value(on_time_s) + (isnan(onset_s) ? 0 : onset_s);
    return 0;
}

/* How well the bench was checked when it began is of then and there. */
static int put_bench_state(struct store *store, int64_t id, const json_t *item, struct error *error)
{
    const json_t *bench = json_object_get(item, "bench");
    if (!json_is_object(bench))
        return 0;
    char *text = json_to_text(bench, error);
    int status =
        text ? database_run(&store->database, error, NULL,
                            "UPDATE power_up SET bench_state = ? WHERE id = ?", "ti", text, id)
             : -1;
    free(text);
    return status < 0 ? -1 : 0;
}

static int put_moved(struct store *store, const json_t *item, const struct moved *moved,
                     const struct reading *readings, size_t count, int64_t *id, struct error *error)
{
    int found = database_run(&store->database, error, id,
                             "SELECT id FROM power_up WHERE supply = ? AND started_us / 1000 = ?",
                             "ti", moved->supply, moved->started_us / 1000);
    if (found != 0)
        return found;
    int version = (int)json_integer_value(json_object_get(item, "reference_version"));
    if (begin(store, moved->supply, moved->started_us, &moved->on_bench, NULL, id, error) != 0 ||
        append(store, *id, false, readings, count, error) != 0 ||
        verdict_put(store, *id, json_object_get(item, "verdict"), version, error) != 0 ||
        put_signature(store, *id, json_object_get(item, "signature"), error) != 0 ||
        put_bench_state(store, *id, item, error) != 0 ||
        database_run(
            &store->database, error, NULL,
            "UPDATE power_up SET state = ?, ended_s = coalesce(?, last_s, 0), ended_why = ?"
            " WHERE id = ?",
            "tdei", moved->state, moved->ended_s, moved->ended_why, *id) < 0)
        return -1;
    return pieces_join(store, *id, false, error);
}

int store_put_power_up(struct store *store, const json_t *item, const struct reading *readings,
                       size_t count, int64_t *id, struct error *error)
{
    struct moved moved = {0};
    if (read_moved(item, &moved, error) != 0 || database_begin(&store->database, error) != 0)
        return -1;
    int status = put_moved(store, item, &moved, readings, count, id, error);
    return store_end_transaction(store, status, error) == 0 ? status : -1;
}

/* --- after a kill --- */

static bool stands(const json_t *verdict)
{
    const char *kind = json_string_value(json_object_get(verdict, "verdict"));
    if (!kind)
        return false;
    const json_t *final = json_object_get(verdict, "final");
    bool is_final =
        final ? json_is_true(final) : json_is_number(json_object_get(verdict, "decided_at_s"));
    return is_final || strcmp(kind, "unsure") == 0;
}

static json_t *incomplete_verdict(const json_t *before)
{
    json_t *onset = json_object_get(before, "onset_s");
    json_t *draw = json_object_get(before, "final_draw_A");
    return json_pack("{s:s, s:b, s:n, s:O?, s:O?, s:[{s:s, s:s}]}", "verdict", "unsure", "final", 0,
                     "decided_at_s", "onset_s", onset ? onset : json_null(), "final_draw_A",
                     draw ? draw : json_null(), "reasons", "code", "incomplete", "text",
                     "the record ends before the verdict: wakedraw stopped while it was watching");
}

static int recover_verdict(struct store *store, int64_t id, const char *verdict_text,
                           int64_t reference_version, struct error *error)
{
    json_t *before = json_loads(verdict_text, 0, NULL);
    int status = 0;
    if (!stands(before)) {
        json_t *verdict = incomplete_verdict(before);
        if (!verdict)
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        else
            status = verdict_put(store, id, verdict, (int)reference_version, error);
        json_decref(verdict);
    }
    json_decref(before);
    return status;
}

static int recover_one(struct store *store, struct error *error, int64_t id, bool open,
                       const char *verdict_text, int64_t reference_version)
{
    if (open && (recover_verdict(store, id, verdict_text, reference_version, error) != 0 ||
                 put_state(store, id, STATE_INCOMPLETE, error) != 0 ||
                 pieces_join(store, id, false, error) != 0))
        return -1;
    log_info("power-up %lld was %s when wakedraw stopped; what was read is kept", (long long)id,
             open ? "being watched" : "on");
    return end_on_time(store, id, (double)NAN, "wakedraw stopped", error);
}

int power_ups_recover(struct store *store, struct error *error)
{
    if (database_begin(&store->database, error) != 0)
        return -1;
    int status = 1;
    int64_t before = 0;
    while (status == 1) {
        sqlite3_stmt *statement =
            database_query(&store->database, error,
                           "SELECT id, state = 'open', verdict, reference_version FROM power_up"
                           " WHERE ended_s IS NULL AND id > ? ORDER BY id LIMIT 1",
                           "i", before);
        status = statement ? database_step(&store->database, statement, error) : -1;
        if (status == 1) {
            before = sqlite3_column_int64(statement, 0);
            char *verdict = strdup(database_text(statement, 2));
            bool open = sqlite3_column_int(statement, 1) != 0;
            int64_t version = sqlite3_column_int64(statement, 3);
            sqlite3_finalize(statement);
            if (!verdict)
                status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
            else if (recover_one(store, error, before, open, verdict, version) != 0)
                status = -1;
            free(verdict);
        } else {
            sqlite3_finalize(statement);
        }
    }
    return store_end_transaction(store, status, error);
}
