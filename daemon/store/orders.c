/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Writing work orders, from made to closed.
 */
#include "store/orders.h"
#include "store/order_private.h"

#include "base/clock.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int order_state(struct store *store, int64_t id, struct order_state *state, struct error *error)
{
    *state = (struct order_state){0};
    sqlite3_stmt *statement = database_query(
        &store->database, error,
        "SELECT unit_id, closed_us IS NOT NULL, coalesce(stage, json_extract(stages, '$[0]')),"
        " EXISTS (SELECT 1 FROM record WHERE work_order_id = w.id) FROM work_order w WHERE id = ?",
        "i", id);
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    if (status == 1) {
        state->unit = sqlite3_column_int64(statement, 0);
        state->closed = sqlite3_column_int(statement, 1) != 0;
        snprintf(state->stage, sizeof state->stage, "%s", database_text(statement, 2));
        state->has_record = sqlite3_column_int(statement, 3) != 0;
    }
    sqlite3_finalize(statement);
    if (status == 0)
        return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no work order %lld",
                         (long long)id);
    return status < 0 ? -1 : 0;
}

int order_check_stage(struct store *store, int64_t id, const char *stage, struct error *error)
{
    if (!stage[0])
        return 0;
    int found = database_run(&store->database, error, NULL,
                             "SELECT 1 FROM work_order w, json_each(w.stages) s"
                             " WHERE w.id = ? AND s.value = ?",
                             "it", id, stage);
    if (found != 0)
        return found < 0 ? -1 : 0;
    return error_set(error, EXIT_BAD_DATA, "stage", 0, "one of the work order's stages",
                     "found \"%.63s\"", stage);
}

int order_move_on(struct store *store, int64_t id, const char *stage, struct error *error)
{
    if (!stage[0])
        return 0;
    const char *place = "(SELECT key FROM json_each(work_order.stages) WHERE value = %s)";
    char there[120];
    char here[120];
    char sql[500];
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
    snprintf(there, sizeof there, place, "?2");
    snprintf(here, sizeof here, place, "work_order.stage");
#pragma GCC diagnostic pop
    snprintf(sql, sizeof sql,
             "UPDATE work_order SET stage = ?2 WHERE id = ?1 AND %s > coalesce(%s, -1)", there,
             here);
    return database_run(&store->database, error, NULL, sql, "it", id, stage) < 0 ? -1 : 0;
}

int order_allow_change(struct store *store, int64_t id, const json_t *asked, struct error *error)
{
    struct order_state state = {0};
    if (order_state(store, id, &state, error) != 0)
        return -1;
    if (!state.has_record)
        return 0;
    if (json_is_true(json_object_get(asked, "correct_record")))
        return 0;
    return error_set(error, EXIT_USAGE, NULL, 0, "\"correct_record\": true",
                     "a record of work order %lld is written, and would no longer be right",
                     (long long)id);
}

/* --- making and changing --- */

static const struct {
    const char *key;
    size_t longest;
} texts[] = {
    {"complaint", LONGEST_TEXT}, {"customer_reference", LONGEST_NAME}, {"condition", LONGEST_TEXT},
    {"cells", LONGEST_TEXT},     {"found_cause", LONGEST_TEXT},        {"parts", LONGEST_TEXT},
    {"hand", LONGEST_STAGE},
};
enum { TEXTS = sizeof texts / sizeof *texts };

static int write_texts(struct store *store, int64_t id, const json_t *order, struct error *error)
{
    for (int i = 0; i < TEXTS; i++) {
        const char *text = NULL;
        char sql[100];
        if (!json_has(order, texts[i].key))
            continue;
        snprintf(sql, sizeof sql, "UPDATE work_order SET %s = ? WHERE id = ?", texts[i].key);
        if (json_text_field(order, texts[i].key, false, texts[i].longest, &text, error) != 0 ||
            database_run(&store->database, error, NULL, sql, "ei", text, id) < 0)
            return -1;
    }
    return 0;
}

/* A stage with something in it stays. */
static int check_left(struct store *store, int64_t id, struct error *error)
{
    sqlite3_stmt *statement = database_query(
        &store->database, error,
        "SELECT stage FROM (SELECT stage FROM power_up WHERE work_order_id = ?1"
        " UNION SELECT stage FROM note WHERE work_order_id = ?1"
        " UNION SELECT stage FROM meter_reading WHERE work_order_id = ?1"
        " UNION SELECT stage FROM photo WHERE work_order_id = ?1"
        " UNION SELECT stage FROM on_bench WHERE work_order_id = ?1)"
        " WHERE stage NOT IN (SELECT value FROM work_order w, json_each(w.stages) WHERE w.id = ?1)",
        "i", id);
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    if (status == 1)
        status = error_set(error, EXIT_BAD_DATA, "stages", 0, "it to stay",
                           "there is something at stage \"%.63s\"", database_text(statement, 0));
    sqlite3_finalize(statement);
    return status;
}

static int write_stages(struct store *store, int64_t id, const json_t *stages, struct error *error)
{
    char *text = json_to_text(stages, error);
    if (!text)
        return -1;
    int status = database_run(&store->database, error, NULL,
                              "UPDATE work_order SET stages = ?1, stage = CASE WHEN stage IN"
                              " (SELECT value FROM json_each(?1)) THEN stage END WHERE id = ?2",
                              "ti", text, id);
    free(text);
    return status < 0 ? -1 : check_left(store, id, error);
}

/* The stages given, or the shop's. */
static int put_stages(struct store *store, int64_t id, const json_t *given, struct error *error)
{
    if (given && !json_is_null(given))
        return stages_check(given, "stages", error) == 0 ? write_stages(store, id, given, error)
                                                         : -1;
    json_t *stages = setting_read(&store->database, "stages", error);
    int status = stages ? write_stages(store, id, stages, error) : -1;
    json_decref(stages);
    return status;
}

int order_write(struct store *store, int64_t id, const json_t *order, struct error *error)
{
    if (json_has(order, "stages") &&
        put_stages(store, id, json_object_get(order, "stages"), error) != 0)
        return -1;
    return write_texts(store, id, order, error);
}

int order_make(struct store *store, int64_t unit, const json_t *order, int64_t *id,
               struct error *error)
{
    if (database_run(&store->database, error, NULL,
                     "INSERT INTO work_order (unit_id, created_us) VALUES (?, ?)", "ii", unit,
                     clock_wall_us()) < 0)
        return -1;
    int64_t made = sqlite3_last_insert_rowid(store->database.connection);
    if (put_stages(store, made, json_object_get(order, "stages"), error) != 0 ||
        write_texts(store, made, order, error) != 0)
        return -1;
    *id = made;
    return 0;
}

static int make_of_serial(struct store *store, const json_t *order, const char *serial, int64_t *id,
                          struct error *error)
{
    int64_t unit = 0;
    return catalogue_unit_id(store, serial, 0, &unit, error) == 0
               ? order_make(store, unit, order, id, error)
               : -1;
}

int store_put_work_order(struct store *store, const json_t *order, int64_t *id, struct error *error)
{
    static const char *const known[] = {"unit",      "complaint", "customer_reference",
                                        "condition", "cells",     "found_cause",
                                        "parts",     "hand",      "stages",
                                        NULL};
    const char *serial = NULL;
    if (json_check_keys(order, "a work order", known, error) != 0 ||
        json_text_field(order, "unit", true, LONGEST_NAME, &serial, error) != 0 ||
        store_begin_transaction(store, error) != 0)
        return -1;
    int64_t made = 0;
    int status = make_of_serial(store, order, serial, &made, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}

static int change(struct store *store, int64_t id, const json_t *order, struct error *error)
{
    return order_allow_change(store, id, order, error) == 0 ? order_write(store, id, order, error)
                                                            : -1;
}

int store_change_work_order(struct store *store, int64_t id, const json_t *order,
                            struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, change(store, id, order, error), error);
}

/* --- closing --- */

static int check_outcome(struct store *store, int64_t id, const char *outcome, struct error *error)
{
    static const char *const known[] = {"repaired", "nothing found", "not repairable",
                                        "returned as it was", NULL};
    const char *const *name = known;
    while (*name && strcmp(*name, outcome) != 0)
        name++;
    if (!*name)
        return error_set(
            error, EXIT_BAD_DATA, "outcome", 0,
            "\"repaired\", \"nothing found\", \"not repairable\" or \"returned as it was\"",
            outcome[0] ? "found \"%.60s\"" : "is missing", outcome);
    if (strcmp(outcome, "nothing found") != 0)
        return 0;
    int found = database_run(&store->database, error, NULL,
                             "SELECT 1 FROM power_up WHERE work_order_id = ?"
                             " AND verdict_word IN ('good', 'bad')",
                             "i", id);
    if (found != 0)
        return found < 0 ? -1 : 0;
    return error_set(error, EXIT_BAD_DATA, "outcome", 0,
                     "a power-up of this work order with a verdict of good or bad",
                     "\"nothing found\" has no evidence");
}

static int check_hand(struct store *store, int64_t id, struct error *error)
{
    int found = database_run(&store->database, error, NULL,
                             "SELECT 1 FROM work_order WHERE id = ? AND hand IS NOT NULL", "i", id);
    if (found != 0)
        return found < 0 ? -1 : 0;
    return error_set(error, EXIT_BAD_DATA, "hand", 0, "who closes it", "is missing");
}

static int check_quiet(struct store *store, int64_t id, struct error *error)
{
    int found =
        database_run(&store->database, error, NULL,
                     "SELECT 1 FROM power_up WHERE work_order_id = ? AND state = 'open'", "i", id);
    if (found <= 0)
        return found;
    return error_set(error, EXIT_USAGE, NULL, 0, "its verdict",
                     "a power-up of work order %lld is being watched", (long long)id);
}

/* What a repair is given where nothing is said: the shop's; any other outcome none. */
static int warranty_days(struct store *store, const json_t *closing, int64_t *days,
                         struct error *error)
{
    const json_t *given = json_object_get(closing, "warranty_days");
    *days = -1;
    if (json_is_integer(given)) {
        *days = json_integer_value(given);
        return 0;
    }
    if (strcmp(json_text(closing, "outcome"), "repaired") != 0)
        return 0;
    json_t *usual = setting_read(&store->database, "warranty_days", error);
    if (!usual)
        return -1;
    *days = json_integer_value(usual);
    json_decref(usual);
    return 0;
}

static int close_order(struct store *store, int64_t id, const json_t *closing, struct error *error)
{
    struct order_state state = {0};
    if (order_state(store, id, &state, error) != 0)
        return -1;
    if (state.closed)
        return error_set(error, EXIT_USAGE, NULL, 0, NULL, "work order %lld is closed already",
                         (long long)id);
    const char *outcome = json_text(closing, "outcome");
    int64_t days = 0;
    if (write_texts(store, id, closing, error) != 0 ||
        check_outcome(store, id, outcome, error) != 0 || check_hand(store, id, error) != 0 ||
        check_quiet(store, id, error) != 0 || warranty_days(store, closing, &days, error) != 0 ||
        database_run(&store->database, error, NULL,
                     "UPDATE work_order SET outcome = ?, warranty_days = nullif(?, -1),"
                     " closed_us = ? WHERE id = ?",
                     "tiii", outcome, days, clock_wall_us(), id) < 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "UPDATE on_bench SET unit_id = NULL, work_order_id = NULL, stage = NULL,"
                        " tag = NULL, changed_us = ?2, confirmed_us = ?2 WHERE work_order_id = ?1",
                        "ii", id, clock_wall_us()) < 0
               ? -1
               : 0;
}

int store_close_work_order(struct store *store, int64_t id, const json_t *closing,
                           struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, close_order(store, id, closing, error), error);
}

static int reopen(struct store *store, int64_t id, const char *why, struct error *error)
{
    struct order_state state = {0};
    if (order_state(store, id, &state, error) != 0)
        return -1;
    if (!state.closed || state.has_record)
        return error_set(error, EXIT_USAGE, NULL, 0, NULL,
                         state.closed ? "a record of work order %lld is written: what comes now"
                                        " belongs to a new one"
                                      : "work order %lld is open",
                         (long long)id);
    return database_run(&store->database, error, NULL,
                        "UPDATE work_order SET closed_us = NULL, outcome = NULL,"
                        " warranty_days = NULL WHERE id = ?",
                        "i", id) < 0 ||
                   database_run(&store->database, error, NULL,
                                "INSERT INTO note (work_order_id, stage, text, at_us)"
                                " VALUES (?, ?, 'Opened again: ' || ?, ?)",
                                "ieti", id, state.stage, why, clock_wall_us()) < 0
               ? -1
               : 0;
}

int store_reopen_work_order(struct store *store, int64_t id, const char *why, struct error *error)
{
    if (!why[0])
        return error_set(error, EXIT_BAD_DATA, "why", 0, "why it is opened again", "is missing");
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, reopen(store, id, why, error), error);
}
