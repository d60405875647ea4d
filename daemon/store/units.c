/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Units: what is known of them, their coming in, and whether the one on an
 * output is still there.
 */
#include "store/order_private.h"
#include "store/orders.h"

#include "base/clock.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The keys given. */
static int write_unit(struct store *store, int64_t id, const json_t *unit, struct error *error)
{
    struct database *database = &store->database;
    static const char *const texts[] = {"revision", "set_up"};
    for (int i = 0; i < 2; i++) {
        const char *text = NULL;
        char sql[80];
        if (!json_has(unit, texts[i]))
            continue;
        snprintf(sql, sizeof sql, "UPDATE unit SET %s = ? WHERE id = ?", texts[i]);
        if (json_text_field(unit, texts[i], false, LONGEST_NAME, &text, error) != 0 ||
            database_run(database, error, NULL, sql, "ei", text, id) < 0)
            return -1;
    }
    if (!json_has(unit, "module_type"))
        return 0;
    const char *name = NULL;
    int64_t type = 0;
    if (json_text_field(unit, "module_type", false, LONGEST_NAME, &name, error) != 0 ||
        catalogue_type_id(store, name, &type, error) != 0 ||
        database_run(database, error, NULL,
                     "UPDATE unit SET module_type_id = nullif(?, 0) WHERE id = ?", "ii", type,
                     id) < 0)
        return -1;
    return database_run(database, error, NULL,
                        "UPDATE on_bench SET module_type_id = nullif(?, 0) WHERE unit_id = ?", "ii",
                        type, id) < 0
               ? -1
               : 0;
}

static int change(struct store *store, int64_t id, const json_t *unit, struct error *error)
{
    int found =
        database_run(&store->database, error, NULL, "SELECT 1 FROM unit WHERE id = ?", "i", id);
    if (found == 0)
        return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no unit %lld",
                         (long long)id);
    return found < 0 ? -1 : write_unit(store, id, unit, error);
}

int store_change_unit(struct store *store, int64_t id, const json_t *unit, struct error *error)
{
    static const char *const known[] = {"module_type", "revision", "set_up", NULL};
    if (json_check_keys(unit, "a unit", known, error) != 0 ||
        store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, change(store, id, unit, error), error);
}

/* --- intake --- */

/* Without the blanks at its ends, as scanners and hands leave them. */
static int trim(const json_t *what, char serial[LONGEST_NAME + 1], struct error *error)
{
    const char *text = NULL;
    if (json_text_field(what, "serial", true, LONGEST_NAME, &text, error) != 0)
        return -1;
    text += strspn(text, " \t");
    size_t length = strlen(text);
    while (length > 0 && strchr(" \t", text[length - 1]))
        length--;
    snprintf(serial, LONGEST_NAME + 1, "%.*s", (int)length, text);
    return length > 0 ? 0
                      : error_set(error, EXIT_BAD_DATA, "serial", 0, "a serial number",
                                  "found only blanks");
}

/* Null here is as good as not given: a slip's empty field takes nothing away. */
static json_t *given_of(const json_t *what, const char *const *keys)
{
    json_t *given = json_object();
    for (; given && *keys; keys++) {
        json_t *value = json_object_get(what, *keys);
        if (value && !json_is_null(value) && *json_text(what, *keys) != '\0')
            json_object_set(given, *keys, value);
    }
    if (given && json_is_array(json_object_get(what, "stages")))
        json_object_set(given, "stages", json_object_get(what, "stages"));
    return given;
}

static int find_or_make_unit(struct store *store, const char *serial, const json_t *what,
                             struct intake *intake, struct error *error)
{
    static const char *const keys[] = {"module_type", "revision", "set_up", NULL};
    int found = database_run(&store->database, error, &intake->unit,
                             "SELECT id FROM unit WHERE serial = ?", "t", serial);
    if (found < 0)
        return -1;
    if (found == 0 && !*json_text(what, "module_type"))
        return error_set(error, EXIT_BAD_DATA, "module_type", 0, "the module's type",
                         "unit \"%.100s\" is new", serial);
    intake->made_unit = found == 0;
    if (found == 0 && catalogue_unit_id(store, serial, 0, &intake->unit, error) != 0)
        return -1;
    json_t *given = given_of(what, keys);
    int status = given ? write_unit(store, intake->unit, given, error)
                       : error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    json_decref(given);
    return status;
}

static int find_or_make_order(struct store *store, const json_t *what, struct intake *intake,
                              struct error *error)
{
    static const char *const keys[] = {
        "complaint", "customer_reference", "condition", "cells", "hand", NULL};
    int found = database_run(&store->database, error, &intake->work_order,
                             "SELECT id FROM work_order WHERE unit_id = ? AND closed_us IS NULL"
                             " ORDER BY id DESC",
                             "i", intake->unit);
    if (found < 0)
        return -1;
    intake->made_work_order = found == 0;
    json_t *given = given_of(what, keys);
    int status = 0;
    if (!given)
        status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    else if (found == 0)
        status = order_make(store, intake->unit, given, &intake->work_order, error);
    else
        status = order_write(store, intake->work_order, given, error);
    json_decref(given);
    return status;
}

static int take_in(struct store *store, const char *supply, const char *serial, const json_t *what,
                   struct intake *intake, struct error *error)
{
    struct on_bench on_bench = {0};
    if (find_or_make_unit(store, serial, what, intake, error) != 0 ||
        find_or_make_order(store, what, intake, error) != 0)
        return -1;
    sqlite3_stmt *statement =
        database_query(&store->database, error,
                       "SELECT t.name FROM unit u JOIN module_type t ON t.id = u.module_type_id"
                       " WHERE u.id = ?",
                       "i", intake->unit);
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    if (status == 1)
        snprintf(on_bench.module_type, sizeof on_bench.module_type, "%s",
                 database_text(statement, 0));
    sqlite3_finalize(statement);
    if (status < 0)
        return -1;
    snprintf(on_bench.unit, sizeof on_bench.unit, "%s", serial);
    snprintf(on_bench.work_order, sizeof on_bench.work_order, "%lld",
             (long long)intake->work_order);
    return catalogue_put_on_bench(store, supply, &on_bench, error);
}

int store_take_in(struct store *store, const char *supply, const json_t *what,
                  struct intake *intake, struct error *error)
{
    char serial[LONGEST_NAME + 1];
    struct intake made = {0};
    if (trim(what, serial, error) != 0 || store_begin_transaction(store, error) != 0)
        return -1;
    int status = take_in(store, supply, serial, what, &made, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *intake = made;
    return status;
}

int store_confirm_unit(struct store *store, const char *supply, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = database_run(&store->database, error, NULL,
                              "UPDATE on_bench SET confirmed_us = ? WHERE supply = ?", "it",
                              clock_wall_us(), supply);
    return store_end_transaction(store, status, error);
}
