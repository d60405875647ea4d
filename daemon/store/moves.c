/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Power-ups that were caught for the wrong unit, work order or stage are moved,
 * and each move is kept; those that are trusted to teach are marked.
 */
#include "store/order_private.h"
#include "store/orders.h"

#include "base/clock.h"
#include "verdict/under_heat.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct place {
    int64_t unit, work_order; /* 0: none */
    char stage[LONGEST_STAGE + 1];
};

static int read_place(struct store *store, int64_t id, struct place *place, struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&store->database, error,
                       "SELECT unit_id, work_order_id, stage FROM power_up WHERE id = ?", "i", id);
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    if (status == 1) {
        place->unit = sqlite3_column_int64(statement, 0);
        place->work_order = sqlite3_column_int64(statement, 1);
        snprintf(place->stage, sizeof place->stage, "%s", database_text(statement, 2));
    }
    sqlite3_finalize(statement);
    if (status == 0)
        return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no power-up %lld",
                         (long long)id);
    return status < 0 ? -1 : 0;
}

/* Where it is to go: a unit that exists, an order of it, a stage of the order. */
static int read_goal(struct store *store, const json_t *to, struct place *place,
                     struct error *error)
{
    struct on_bench said = {0};
    struct bench_ids ids = {0};
    const char *unit = NULL;
    const char *order = NULL;
    const char *stage = NULL;
    if (json_text_field(to, "unit", false, LONGEST_NAME, &unit, error) != 0 ||
        json_text_field(to, "work_order", false, LONGEST_STAGE, &order, error) != 0 ||
        json_text_field(to, "stage", false, LONGEST_STAGE, &stage, error) != 0)
        return -1;
    int found = unit[0] ? database_run(&store->database, error, NULL,
                                       "SELECT 1 FROM unit WHERE serial = ?", "t", unit)
                        : 1;
    if (found == 0)
        return error_set(error, EXIT_BAD_DATA, "unit", 0, "the serial number of one that is known",
                         "there is no unit \"%.100s\"", unit);
    snprintf(said.unit, sizeof said.unit, "%s", unit);
    snprintf(said.work_order, sizeof said.work_order, "%s", order);
    if (found < 0 || catalogue_bench_ids(store, &said, &ids, error) != 0)
        return -1;
    place->unit = ids.unit;
    place->work_order = ids.work_order;
    snprintf(place->stage, sizeof place->stage, "%s", stage);
    return ids.work_order ? order_check_stage(store, ids.work_order, stage, error) : 0;
}

static int note_move(struct store *store, int64_t id, const struct place *from,
                     const struct place *to, const json_t *asked, struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "INSERT INTO power_up_move (power_up_id, from_unit_id, from_work_order_id,"
                        " from_stage, to_unit_id, to_work_order_id, to_stage, why, hand, at_us)"
                        " VALUES (?, nullif(?, 0), nullif(?, 0), ?, nullif(?, 0), nullif(?, 0), ?,"
                        " ?, ?, ?)",
                        "iiieiietei", id, from->unit, from->work_order, from->stage, to->unit,
                        to->work_order, to->stage, json_text(asked, "why"),
                        json_text(asked, "hand"), clock_wall_us());
}

static int move(struct store *store, int64_t id, const json_t *asked, struct error *error)
{
    struct place from = {0};
    struct place to = {0};
    if (read_place(store, id, &from, error) != 0 || read_goal(store, asked, &to, error) != 0)
        return -1;
    if (from.unit == to.unit && from.work_order == to.work_order &&
        strcmp(from.stage, to.stage) == 0)
        return error_set(error, EXIT_USAGE, NULL, 0, NULL, "power-up %lld is there already",
                         (long long)id);
    const int64_t orders[] = {from.work_order, to.work_order};
    for (int i = 0; i < 2; i++)
        if (orders[i] && order_allow_change(store, orders[i], asked, error) != 0)
            return -1;
    if (note_move(store, id, &from, &to, asked, error) < 0 ||
        database_run(&store->database, error, NULL,
                     "UPDATE power_up SET unit_id = nullif(?, 0), work_order_id = nullif(?, 0),"
                     " stage = ? WHERE id = ?",
                     "iiei", to.unit, to.work_order, to.stage, id) < 0)
        return -1;
    if (to.work_order && order_move_on(store, to.work_order, to.stage, error) != 0)
        return -1;
    return power_up_keep_heat(store, id, error);
}

int store_move_power_up(struct store *store, int64_t id, const json_t *to, struct error *error)
{
    const char *why = NULL;
    const char *hand = NULL;
    if (json_text_field(to, "why", true, LONGEST_TEXT, &why, error) != 0 ||
        json_text_field(to, "hand", false, LONGEST_STAGE, &hand, error) != 0 ||
        store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, move(store, id, to, error), error);
}

static int tag_one(struct store *store, int64_t id, const json_t *asked, struct error *error)
{
    struct place place = {0};
    if (read_place(store, id, &place, error) != 0 ||
        (place.work_order && order_allow_change(store, place.work_order, asked, error) != 0) ||
        database_run(&store->database, error, NULL, "UPDATE power_up SET tag = ? WHERE id = ?",
                     "ei", json_text(asked, "tag"), id) < 0)
        return -1;
    return power_up_keep_heat(store, id, error);
}

int store_tag_power_up(struct store *store, int64_t id, const json_t *asked, struct error *error)
{
    const char *tag = NULL;
    if (json_text_field(asked, "tag", false, LONGEST_STAGE, &tag, error) != 0)
        return -1;
    if (tag[0] && strcmp(tag, "heat") != 0 && strcmp(tag, "cold") != 0)
        return error_set(error, EXIT_BAD_DATA, "tag", 0, "\"heat\", \"cold\" or null",
                         "found \"%.60s\"", tag);
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, tag_one(store, id, asked, error), error);
}

static int check_trusted(struct store *store, int64_t id, struct error *error)
{
    sqlite3_stmt *row = database_query(&store->database, error,
                                       "SELECT state, coalesce(tag, ''), coalesce(stage, '')"
                                       " FROM power_up WHERE id = ?",
                                       "i", id);
    if (!row)
        return -1;
    int status = database_step(&store->database, row, error);
    if (status == 0)
        status = error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no power-up %lld",
                           (long long)id);
    else if (status == 1 && strcmp(database_text(row, 0), "complete") != 0)
        status =
            error_set(error, EXIT_USAGE, NULL, 0, NULL,
                      "power-up %lld did not complete its watch: it cannot teach", (long long)id);
    else if (status == 1 && is_under_heat(database_text(row, 1), database_text(row, 2)))
        status = error_set(error, EXIT_USAGE, NULL, 0, NULL,
                           "power-up %lld was caught under heat: it cannot teach", (long long)id);
    sqlite3_finalize(row);
    return status < 0 ? -1 : 0;
}

static int trust(struct store *store, int64_t id, const char *why, const char *hand,
                 struct error *error)
{
    if (!why[0])
        return database_run(&store->database, error, NULL,
                            "UPDATE known_good SET withdrawn_us = ? WHERE power_up_id = ?"
                            " AND withdrawn_us IS NULL",
                            "ii", clock_wall_us(), id);
    if (check_trusted(store, id, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO known_good (power_up_id, why, hand, at_us)"
                        " VALUES (?, ?, ?, ?) ON CONFLICT (power_up_id) DO UPDATE SET"
                        " why = excluded.why, hand = excluded.hand, at_us = excluded.at_us,"
                        " withdrawn_us = NULL",
                        "itei", id, why, hand, clock_wall_us());
}

int store_trust_power_up(struct store *store, int64_t id, const char *why, const char *hand,
                         struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, trust(store, id, why, hand, error), error);
}
