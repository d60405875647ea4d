/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/checks.h"

#include "base/clock.h"
#include "store/store_private.h"
#include "trend/bench_check.h"

#include <math.h>
#include <stdlib.h>

/* Where the shop has not said otherwise. */
static const double due_after_h = 24;

int store_put_check(struct store *store, const char *supply, const json_t *content, bool passed,
                    const char *hand, int64_t *id, struct error *error)
{
    char *text = json_to_text(content, error);
    if (!text)
        return -1;
    int status = store_begin_transaction(store, error);
    if (status == 0) {
        status = database_run(&store->database, error, NULL,
                              "INSERT INTO bench_check (supply, content, passed, hand, at_us)"
                              " VALUES (?, ?, ?, ?, ?)",
                              "ttiei", supply, text, (int64_t)passed, hand, clock_wall_us());
        int64_t made = sqlite3_last_insert_rowid(store->database.connection);
        status = store_end_transaction(store, status < 0 ? -1 : 0, error);
        if (status == 0)
            *id = made;
    }
    free(text);
    return status;
}

static json_t *check_json(sqlite3_stmt *row)
{
    char at[25];
    json_t *check = json_loads(database_text(row, 1), 0, NULL);
    if (!check)
        check = json_object();
    json_object_set_new(check, "id", json_sprintf("%lld", (long long)sqlite3_column_int64(row, 0)));
    json_object_set_new(check, "passed", json_boolean(sqlite3_column_int(row, 2)));
    json_object_set_new(check, "hand",
                        sqlite3_column_type(row, 3) == SQLITE_NULL
                            ? json_null()
                            : json_string(database_text(row, 3)));
    json_object_set_new(check, "at", json_string(clock_rfc3339(sqlite3_column_int64(row, 4), at)));
    return check;
}

json_t *store_list_checks(struct store_reader *reader, const char *supply, int limit,
                          struct error *error)
{
    sqlite3_stmt *row = database_query(&reader->database, error,
                                       "SELECT id, content, passed, hand, at_us FROM bench_check"
                                       " WHERE supply = ? ORDER BY id DESC LIMIT ?",
                                       "ti", supply, (int64_t)limit);
    if (!row)
        return NULL;
    json_t *items = json_array();
    int status = 0;
    while (items && (status = database_step(&reader->database, row, error)) == 1)
        json_array_insert_new(items, 0, check_json(row));
    sqlite3_finalize(row);
    if (status == 0)
        return items;
    json_decref(items);
    return NULL;
}

static double read_due_after_s(struct database *database)
{
    sqlite3_stmt *row = database_query(database, NULL,
                                       "SELECT value FROM setting WHERE name = 'check_every_h'"
                                       " AND json_type(value) IN ('integer', 'real')",
                                       "");
    double hours = due_after_h;
    if (row && database_step(database, row, NULL) == 1)
        hours = sqlite3_column_double(row, 0);
    sqlite3_finalize(row);
    return hours * 3600;
}

static json_t *time_json(int64_t wall_us)
{
    char text[25];
    return json_string(clock_rfc3339(wall_us, text));
}

static json_t *bench_state_read(struct database *database, const char *supply, int64_t now_us,
                                struct error *error)
{
    sqlite3_stmt *row =
        database_query(database, error,
                       "SELECT passed, at_us FROM bench_check WHERE supply = ? AND at_us <= ?"
                       " ORDER BY id DESC LIMIT 1",
                       "ti", supply, now_us);
    if (!row)
        return NULL;
    int found = database_step(database, row, error);
    bool passed = found == 1 && sqlite3_column_int(row, 0) != 0;
    int64_t at_us = found == 1 ? sqlite3_column_int64(row, 1) : 0;
    sqlite3_finalize(row);
    if (found < 0)
        return NULL;
    double due_after_s = read_due_after_s(database);
    double age_s = found == 1 ? (double)(now_us - at_us) / 1e6 : (double)NAN;
    enum check_state state = check_state_of(passed, age_s, due_after_s);
    return json_pack("{s:s, s:o, s:o}", "state", check_state_name(state), "checked_at",
                     found == 1 ? time_json(at_us) : json_null(), "due_at",
                     found == 1 ? time_json(at_us + llround(due_after_s * 1e6)) : json_null());
}

json_t *store_bench_state(struct store_reader *reader, const char *supply, int64_t now_us,
                          struct error *error)
{
    return bench_state_read(&reader->database, supply, now_us, error);
}

int power_up_note_bench(struct store *store, int64_t id, const char *supply, int64_t started_us,
                        struct error *error)
{
    json_t *state = bench_state_read(&store->database, supply, started_us, error);
    char *text = state ? json_to_text(state, error) : NULL;
    json_decref(state);
    if (!text)
        return -1;
    int status = database_run(&store->database, error, NULL,
                              "UPDATE power_up SET bench_state = ? WHERE id = ?", "ti", text, id);
    free(text);
    return status < 0 ? -1 : 0;
}

json_t *store_power_up_bench(struct store *store, int64_t id, struct error *error)
{
    sqlite3_stmt *row = database_query(&store->database, error,
                                       "SELECT bench_state FROM power_up WHERE id = ?", "i", id);
    json_t *state = NULL;
    if (row && database_step(&store->database, row, error) == 1)
        state = json_loads(database_text(row, 0), 0, NULL);
    sqlite3_finalize(row);
    return state;
}
