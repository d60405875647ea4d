/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Writing what power-ups belong to: module types, units, and what is on the
 * bench.
 */
#include "store/json_fields.h"
#include "store/order_private.h"
#include "store/store_private.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- names and their ids --- */

int catalogue_type_id(struct store *store, const char *name, int64_t *id, struct error *error)
{
    *id = 0;
    if (!name || !name[0])
        return 0;
    struct database *database = &store->database;
    int found =
        database_run(database, error, id, "SELECT id FROM module_type WHERE name = ?", "t", name);
    if (found != 0)
        return found < 0 ? -1 : 0;
    if (database_run(database, error, NULL,
                     "INSERT INTO module_type (name, created_us) VALUES (?, ?)", "ti", name,
                     clock_wall_us()) < 0)
        return -1;
    *id = sqlite3_last_insert_rowid(database->connection);
    return 0;
}

int catalogue_unit_id(struct store *store, const char *serial, int64_t module_type_id, int64_t *id,
                      struct error *error)
{
    *id = 0;
    if (!serial || !serial[0])
        return 0;
    struct database *database = &store->database;
    int found =
        database_run(database, error, id, "SELECT id FROM unit WHERE serial = ?", "t", serial);
    if (found < 0)
        return -1;
    if (found == 0) {
        if (database_run(database, error, NULL,
                         "INSERT INTO unit (serial, module_type_id, created_us)"
                         " VALUES (?, nullif(?, 0), ?)",
                         "tii", serial, module_type_id, clock_wall_us()) < 0)
            return -1;
        *id = sqlite3_last_insert_rowid(database->connection);
        return 0;
    }
    /* A unit first seen without its type learns it now. */
    if (module_type_id == 0)
        return 0;
    return database_run(
               database, error, NULL,
               "UPDATE unit SET module_type_id = ? WHERE id = ? AND module_type_id IS NULL", "ii",
               module_type_id, *id) < 0
               ? -1
               : 0;
}

static int work_order_id(struct store *store, const char *text, struct bench_ids *ids,
                         struct error *error)
{
    char *end = NULL;
    long long number = strtoll(text, &end, 10);
    int64_t unit = 0;
    int found = 0;
    if (number > 0 && !*end)
        found = database_run(&store->database, error, &unit,
                             "SELECT unit_id FROM work_order WHERE id = ?", "i", (int64_t)number);
    if (found < 0)
        return -1;
    if (found == 0)
        return error_set(error, EXIT_BAD_DATA, "work_order", 0, "the id of one that exists",
                         "there is no work order \"%.60s\"", text);
    if (ids->unit != 0 && ids->unit != unit)
        return error_set(error, EXIT_BAD_DATA, "work_order", 0, "one of the unit on the bench",
                         "work order %lld is of another unit", number);
    ids->unit = unit;
    ids->work_order = number;
    return 0;
}

int catalogue_bench_ids(struct store *store, const struct on_bench *on_bench, struct bench_ids *ids,
                        struct error *error)
{
    *ids = (struct bench_ids){0};
    if (catalogue_type_id(store, on_bench->module_type, &ids->module_type, error) != 0 ||
        catalogue_unit_id(store, on_bench->unit, ids->module_type, &ids->unit, error) != 0)
        return -1;
    return on_bench->work_order[0] ? work_order_id(store, on_bench->work_order, ids, error) : 0;
}

/* Of an order that is said: open, and the stage its own or, not said, where it is. */
static int complete_stage(struct store *store, int64_t order, char stage[64], struct error *error)
{
    struct order_state state = {0};
    if (order == 0)
        return 0;
    if (order_state(store, order, &state, error) != 0)
        return -1;
    if (state.closed)
        return error_set(error, EXIT_BAD_DATA, "work_order", 0, "an open one",
                         "work order %lld is closed", (long long)order);
    if (!stage[0])
        snprintf(stage, LONGEST_STAGE + 1, "%s", state.stage);
    return order_check_stage(store, order, stage, error);
}

int catalogue_put_on_bench(struct store *store, const char *supply, const struct on_bench *on_bench,
                           struct error *error)
{
    char stage[LONGEST_STAGE + 1];
    snprintf(stage, sizeof stage, "%s", on_bench->stage);
    struct bench_ids ids = {0};
    if (catalogue_bench_ids(store, on_bench, &ids, error) != 0 ||
        complete_stage(store, ids.work_order, stage, error) != 0 ||
        database_run(&store->database, error, NULL,
                     "UPDATE work_order SET stage = ?1 WHERE id = ?2 AND ?1 IS NOT NULL", "ei",
                     stage, ids.work_order) < 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO on_bench (supply, module_type_id, unit_id, work_order_id,"
                        " stage, changed_us, confirmed_us, tag) VALUES (?1, nullif(?2, 0),"
                        " nullif(?3, 0), nullif(?4, 0), ?5, ?6, ?6, ?7)"
                        " ON CONFLICT (supply) DO UPDATE SET module_type_id = nullif(?2, 0),"
                        " unit_id = nullif(?3, 0), work_order_id = nullif(?4, 0), stage = ?5,"
                        " changed_us = ?6, confirmed_us = ?6, tag = ?7",
                        "tiiieie", supply, ids.module_type, ids.unit, ids.work_order, stage,
                        clock_wall_us(), on_bench->tag) < 0
               ? -1
               : 0;
}

int store_put_on_bench(struct store *store, const char *supply, const struct on_bench *on_bench,
                       struct error *error)
{
    if (database_begin(&store->database, error) != 0)
        return -1;
    return store_end_transaction(store, catalogue_put_on_bench(store, supply, on_bench, error),
                                 error);
}

/* --- module types --- */

struct type_fields {
    const char *name;
    double nominal_voltage_V, current_limit_A, watch_s;
    double look_voltage_V, look_limit_A, limit_longest_s;
    char *feeds, *cautions;
};

static int read_type(const json_t *type, struct type_fields *fields, struct error *error)
{
    static const char *const known[] = {"name",    "nominal_voltage_V", "current_limit_A",
                                        "watch_s", "look_voltage_V",    "look_limit_A",
                                        "feeds",   "limit_longest_s",   "cautions",
                                        NULL};
    const struct {
        const char *key;
        double most, *number;
    } numbers[] = {
        {"nominal_voltage_V", 1000, &fields->nominal_voltage_V},
        {"current_limit_A", 1000, &fields->current_limit_A},
        {"watch_s", 86400, &fields->watch_s},
        {"look_voltage_V", 1000, &fields->look_voltage_V},
        {"look_limit_A", 1000, &fields->look_limit_A},
        {"limit_longest_s", 3600, &fields->limit_longest_s},
    };
    if (json_check_keys(type, "a module type", known, error) != 0 ||
        json_text_field(type, "name", true, LONGEST_NAME, &fields->name, error) != 0)
        return -1;
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
        if (json_number_field(type, numbers[i].key, numbers[i].most, numbers[i].number, error) != 0)
            return -1;
    if (json_list_field(type, "feeds", true, &fields->feeds, error) != 0)
        return -1;
    return json_list_field(type, "cautions", false, &fields->cautions, error);
}

static int64_t is_given(const json_t *type, const char *key)
{
    return json_object_get(type, key) != NULL;
}

static int write_type(struct store *store, const json_t *type, const struct type_fields *fields,
                      struct error *error)
{
    int64_t id = 0;
    if (catalogue_type_id(store, fields->name, &id, error) != 0)
        return -1;
    /* A key that is not there leaves what is kept; null takes it away. */
    return database_run(
               &store->database, error, NULL,
               "UPDATE module_type SET"
               " nominal_voltage_V = iif(?1, ?2, nominal_voltage_V),"
               " current_limit_A = iif(?3, ?4, current_limit_A),"
               " watch_s = iif(?5, ?6, watch_s),"
               " look_voltage_V = iif(?7, ?8, look_voltage_V),"
               " look_limit_A = iif(?9, ?10, look_limit_A),"
               " limit_longest_s = iif(?11, ?12, limit_longest_s),"
               " feeds = iif(?13, coalesce(?14, '[]'), feeds),"
               " cautions = iif(?15, coalesce(?16, '[]'), cautions)"
               " WHERE id = ?17",
               "ididididididititi", is_given(type, "nominal_voltage_V"), fields->nominal_voltage_V,
               is_given(type, "current_limit_A"), fields->current_limit_A,
               is_given(type, "watch_s"), fields->watch_s, is_given(type, "look_voltage_V"),
               fields->look_voltage_V, is_given(type, "look_limit_A"), fields->look_limit_A,
               is_given(type, "limit_longest_s"), fields->limit_longest_s, is_given(type, "feeds"),
               fields->feeds, is_given(type, "cautions"), fields->cautions, id) < 0
               ? -1
               : 0;
}

int store_put_module_type(struct store *store, const json_t *type, struct error *error)
{
    struct type_fields fields = {0};
    int status = read_type(type, &fields, error);
    if (status == 0)
        status = database_begin(&store->database, error);
    if (status == 0)
        status = store_end_transaction(store, write_type(store, type, &fields, error), error);
    free(fields.feeds);
    free(fields.cautions);
    return status;
}

/* --- units --- */

static int write_unit(struct store *store, const char *serial, const char *module_type,
                      const char *revision, const char *set_up, int64_t *id, struct error *error)
{
    int64_t type = 0;
    if (catalogue_type_id(store, module_type, &type, error) != 0 ||
        catalogue_unit_id(store, serial, type, id, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "UPDATE unit SET module_type_id = coalesce(nullif(?, 0), module_type_id),"
                        " revision = coalesce(?, revision), set_up = coalesce(?, set_up)"
                        " WHERE id = ?",
                        "ieei", type, revision, set_up, *id) < 0
               ? -1
               : 0;
}

int store_put_unit(struct store *store, const json_t *unit, int64_t *id, struct error *error)
{
    static const char *const known[] = {"serial", "module_type", "revision", "set_up", NULL};
    const char *serial = NULL;
    const char *type = NULL;
    const char *revision = NULL;
    const char *set_up = NULL;
    if (json_check_keys(unit, "a unit", known, error) != 0 ||
        json_text_field(unit, "serial", true, LONGEST_NAME, &serial, error) != 0 ||
        json_text_field(unit, "module_type", false, LONGEST_NAME, &type, error) != 0 ||
        json_text_field(unit, "revision", false, LONGEST_NAME, &revision, error) != 0 ||
        json_text_field(unit, "set_up", false, LONGEST_NAME, &set_up, error) != 0 ||
        database_begin(&store->database, error) != 0)
        return -1;
    int64_t made = 0;
    int status = write_unit(store, serial, type, revision, set_up, &made, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}
