/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Reading what belongs to one unit, work order, power-up or output.
 */
#include "store/orders.h"
#include "store/shapes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct shape note_shape[] = {
    {"id", id_column},          {"work_order", id_column},   {"stage", text_column},
    {"text", text_column},      {"hand", text_column},       {"at", time_column},
    {"struck_at", time_column}, {"struck_why", text_column}, {NULL, NULL},
};

static const struct shape meter_reading_shape[] = {
    {"id", id_column},           {"work_order", id_column},
    {"stage", text_column},      {"before_power", switch_column},
    {"what", text_column},       {"value", number_column},
    {"unit", text_column},       {"hand", text_column},
    {"at", time_column},         {"struck_at", time_column},
    {"struck_why", text_column}, {NULL, NULL},
};

static const struct shape photo_shape[] = {
    {"id", id_column},
    {"work_order", id_column},
    {"stage", text_column},
    {"media_type", text_column},
    {"size_bytes", whole_column},
    {"sha256", text_column},
    {"at", time_column},
    {"struck_at", time_column},
    {"struck_why", text_column},
    {NULL, NULL},
};

static const struct {
    const struct shape *shape;
    const char *key, *select;
} slips[] = {
    [SLIP_NOTE] = {note_shape, "notes",
                   "SELECT id, work_order_id, stage, text, hand, at_us, struck_us, struck_why"
                   " FROM note"},
    [SLIP_METER_READING] = {meter_reading_shape, "meter_readings",
                            "SELECT id, work_order_id, stage, before_power, what, value, unit,"
                            " hand, at_us, struck_us, struck_why FROM meter_reading"},
    [SLIP_PHOTO] = {photo_shape, "photos",
                    "SELECT id, work_order_id, stage, media_type, length(bytes), sha256, at_us,"
                    " struck_us, struck_why FROM photo"},
};

static const struct shape record_shape[] = {
    {"id", id_column},   {"number", whole_column}, {"sha256", text_column},
    {"at", time_column}, {"corrects", id_column},  {NULL, NULL},
};

static const struct shape place_shape[] = {
    {"unit", text_column},
    {"work_order", id_column},
    {"stage", text_column},
    {NULL, NULL},
};

static const struct shape shipped_shape[] = {
    {"work_order", id_column},
    {"power_ups", json_column},
    {NULL, NULL},
};

/* The rows of a query with one id, under a key. */
static int add_rows(struct store_reader *reader, json_t *item, const char *key,
                    const struct shape *shape, const char *sql, int64_t id, struct error *error)
{
    json_t *rows = shape_rows(&reader->database,
                              database_query(&reader->database, error, sql, "i", id), shape, error);
    if (!rows)
        return -1;
    if (json_object_set_new(item, key, rows) == 0)
        return 0;
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

static int add_order(struct store_reader *reader, int64_t id, json_t *item, struct error *error)
{
    for (int kind = SLIP_NOTE; kind <= SLIP_PHOTO; kind++) {
        char sql[300];
        snprintf(sql, sizeof sql, "%s WHERE work_order_id = ? ORDER BY id", slips[kind].select);
        if (add_rows(reader, item, slips[kind].key, slips[kind].shape, sql, id, error) != 0)
            return -1;
    }
    if (add_rows(reader, item, "records", record_shape,
                 "SELECT id, number, sha256, at_us, corrects_id FROM record"
                 " WHERE work_order_id = ? ORDER BY number",
                 id, error) != 0)
        return -1;
    char runs[2000];
    snprintf(runs, sizeof runs, "%s WHERE r.work_order_id = ? ORDER BY r.id", run_select);
    return add_rows(reader, item, "runs", run_shape, runs, id, error);
}

json_t *store_shipped(struct store_reader *reader, int64_t unit, int64_t before,
                      struct error *error)
{
    json_t *rows =
        shape_rows(&reader->database,
                   database_query(&reader->database, error,
                                  "SELECT w.id, json_group_array(CAST(p.id AS TEXT))"
                                  " FROM work_order w"
                                  " JOIN power_up p ON p.work_order_id = w.id WHERE w.unit_id = ?"
                                  " AND w.id < ? AND w.closed_us IS NOT NULL"
                                  " AND w.outcome = 'repaired' AND p.verdict_word = 'good'"
                                  " AND p.stage = json_extract(w.stages, '$[#-1]')"
                                  " AND p.tag IS NULL"
                                  " GROUP BY w.id ORDER BY w.closed_us DESC LIMIT 1",
                                  "ii", unit, before ? before : INT64_MAX),
                   shipped_shape, error);
    json_t *first = json_array_get(rows, 0);
    json_t *shipped = !rows ? NULL : first ? json_incref(first) : json_null();
    json_decref(rows);
    return shipped;
}

static int add_unit(struct store_reader *reader, int64_t id, json_t *item, struct error *error)
{
    char sql[3000];
    snprintf(sql, sizeof sql, "%s WHERE p.unit_id = ? ORDER BY p.id DESC",
             listings[STORE_WORK_ORDERS].select);
    if (add_rows(reader, item, "work_orders", listings[STORE_WORK_ORDERS].shape, sql, id, error) !=
        0)
        return -1;
    json_t *shipped = store_shipped(reader, id, 0, error);
    if (!shipped)
        return -1;
    if (json_object_set_new(item, "shipped", shipped) == 0)
        return 0;
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

static const char moves_select[] =
    "SELECT %s FROM power_up_move m LEFT JOIN unit u ON u.id = m.%s_unit_id"
    " WHERE m.power_up_id = ? ORDER BY m.id";

static const struct shape move_shape[] = {
    {"why", text_column},
    {"hand", text_column},
    {"at", time_column},
    {NULL, NULL},
};

static int add_moves(struct store_reader *reader, int64_t id, json_t *item, struct error *error)
{
    static const char *const ends[] = {"from", "to"};
    char sql[300];
    snprintf(sql, sizeof sql, moves_select, "m.why, m.hand, m.at_us", "to");
    if (add_rows(reader, item, "moves", move_shape, sql, id, error) != 0)
        return -1;
    json_t *moves = json_object_get(item, "moves");
    for (int i = 0; i < 2; i++) {
        char columns[80];
        snprintf(columns, sizeof columns, "u.serial, m.%s_work_order_id, m.%s_stage", ends[i],
                 ends[i]);
        snprintf(sql, sizeof sql, moves_select, columns, ends[i]);
        json_t *places =
            shape_rows(&reader->database, database_query(&reader->database, error, sql, "i", id),
                       place_shape, error);
        if (!places)
            return -1;
        for (size_t k = 0; k < json_array_size(places); k++)
            json_object_set(json_array_get(moves, k), ends[i], json_array_get(places, k));
        json_decref(places);
    }
    return 0;
}

int details_add(struct store_reader *reader, enum store_kind kind, int64_t id, json_t *item,
                struct error *error)
{
    switch (kind) {
    case STORE_UNITS:
        return add_unit(reader, id, item, error);
    case STORE_WORK_ORDERS:
        return add_order(reader, id, item, error);
    case STORE_POWER_UPS:
        return add_moves(reader, id, item, error);
    case STORE_MODULE_TYPES:
    case STORE_REFERENCES:
        break;
    }
    return 0;
}

json_t *store_slip(struct store_reader *reader, enum slip kind, int64_t id, struct error *error)
{
    char sql[300];
    snprintf(sql, sizeof sql, "%s WHERE id = ?", slips[kind].select);
    json_t *rows =
        shape_rows(&reader->database, database_query(&reader->database, error, sql, "i", id),
                   slips[kind].shape, error);
    if (!rows)
        return NULL;
    json_t *first = json_array_get(rows, 0);
    json_t *item = first ? json_incref(first) : json_null();
    json_decref(rows);
    return item;
}

int store_photo(struct store_reader *reader, int64_t id, struct photo *photo, struct error *error)
{
    *photo = (struct photo){0};
    sqlite3_stmt *statement =
        database_query(&reader->database, error,
                       "SELECT media_type, sha256, bytes FROM photo WHERE id = ?", "i", id);
    if (!statement)
        return -1;
    int status = database_step(&reader->database, statement, error);
    if (status == 1) {
        snprintf(photo->media_type, sizeof photo->media_type, "%s", database_text(statement, 0));
        snprintf(photo->sha256, sizeof photo->sha256, "%s", database_text(statement, 1));
        const void *bytes = sqlite3_column_blob(statement, 2);
        photo->size = (size_t)sqlite3_column_bytes(statement, 2);
        photo->bytes = bytes ? malloc(photo->size) : NULL;
        if (photo->bytes)
            memcpy(photo->bytes, bytes, photo->size);
        else
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    } else if (status == 0) {
        status =
            error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no photo %lld", (long long)id);
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}

/* --- what is on an output --- */

int store_read_on_bench(struct store_reader *reader, const char *supply, struct on_bench *on_bench,
                        struct error *error)
{
    *on_bench = (struct on_bench){0};
    const struct {
        char *text;
        size_t size;
    } texts[] = {
        {on_bench->module_type, sizeof on_bench->module_type},
        {on_bench->unit, sizeof on_bench->unit},
        {on_bench->work_order, sizeof on_bench->work_order},
        {on_bench->stage, sizeof on_bench->stage},
        {on_bench->tag, sizeof on_bench->tag},
        {on_bench->revision, sizeof on_bench->revision},
        {on_bench->set_up, sizeof on_bench->set_up},
    };
    enum { TEXTS = sizeof texts / sizeof *texts };
    sqlite3_stmt *statement = database_query(
        &reader->database, error,
        "SELECT t.name, u.serial, b.work_order_id, b.stage, b.tag, u.revision, u.set_up,"
        " coalesce(b.confirmed_us, b.changed_us) FROM on_bench b"
        " LEFT JOIN module_type t ON t.id = b.module_type_id LEFT JOIN unit u ON u.id = b.unit_id"
        " WHERE b.supply = ?",
        "t", supply);
    if (!statement)
        return -1;
    int status = database_step(&reader->database, statement, error);
    if (status == 1) {
        for (int i = 0; i < TEXTS; i++)
            snprintf(texts[i].text, texts[i].size, "%s", database_text(statement, i));
        on_bench->confirmed_us = sqlite3_column_int64(statement, TEXTS);
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}

int store_read_absence(struct store_reader *reader, const char *supply, int64_t after_us,
                       int64_t *ended_us, bool *ask, struct error *error)
{
    *ended_us = 0;
    *ask = false;
    /* Started at onset, ended on the record's own axis. */
    static const char sql[] =
        "WITH seen AS (SELECT started_us,"
        "  lag(started_us + CAST((ended_s - coalesce(onset_s, 0)) * 1e6 AS INTEGER))"
        "   OVER (ORDER BY id) AS before_us,"
        "  started_us + CAST((ended_s - coalesce(onset_s, 0)) * 1e6 AS INTEGER) AS ended_us"
        "  FROM power_up WHERE supply = ?1),"
        " said AS (SELECT coalesce(confirmed_us, changed_us) AS us FROM on_bench"
        "  WHERE supply = ?1 AND unit_id IS NOT NULL)"
        " SELECT max(ended_us), (SELECT count(*) FROM seen, said WHERE started_us > us"
        "  AND started_us - max(us, coalesce(before_us, 0)) > ?2) FROM seen";
    sqlite3_stmt *statement = database_query(&reader->database, error, sql, "ti", supply, after_us);
    if (!statement)
        return -1;
    int status = database_step(&reader->database, statement, error);
    if (status == 1) {
        *ended_us = sqlite3_column_int64(statement, 0);
        *ask = sqlite3_column_int64(statement, 1) > 0;
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}
