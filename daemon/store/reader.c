/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Reading: lists and items in the API's shapes. A list is read to its end
 * before it is handed on, so that no statement stays open and pins the log.
 */
#include "store/store_private.h"

#include "store/schema.h"
#include "store/shapes.h"
#include "store/trace_pack.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct store_reader *store_reader_open(const char *directory, struct error *error)
{
    struct store_reader *reader = calloc(1, sizeof *reader);
    if (!reader) {
        error_set(error, EXIT_SOFTWARE, directory, 0, NULL, "memory is out");
        return NULL;
    }
    reader->unpacker = trace_unpacker_create();
    if (!reader->unpacker)
        error_set(error, EXIT_SOFTWARE, directory, 0, NULL, "memory is out");
    else if (database_open_reader(&reader->database, directory, error) == 0 &&
             schema_check(&reader->database, &store_schema, error) == 0)
        return reader;
    store_reader_close(reader);
    return NULL;
}

void store_reader_close(struct store_reader *reader)
{
    if (!reader)
        return;
    database_close(&reader->database);
    trace_unpacker_destroy(reader->unpacker);
    free(reader);
}

/* --- lists --- */

enum {
    OF_TYPES = 1 << STORE_MODULE_TYPES,
    OF_REFERENCES = 1 << STORE_REFERENCES,
    OF_UNITS = 1 << STORE_UNITS,
    OF_ORDERS = 1 << STORE_WORK_ORDERS,
    OF_POWER_UPS = 1 << STORE_POWER_UPS,
    OF_ALL = OF_TYPES | OF_REFERENCES | OF_UNITS | OF_ORDERS | OF_POWER_UPS,
};

/* What narrows a list; number i is bound as parameter i + 3. An empty type or stage
 * asks for what has none. */
static const struct {
    int kinds;
    const char *sql;
} conditions[] = {
    {OF_ALL, "t.name IS nullif(?3, '')"},
    {OF_UNITS | OF_ORDERS | OF_POWER_UPS, "u.serial = ?4"},
    {OF_ORDERS | OF_POWER_UPS, "w.id = CAST(?5 AS INTEGER) AND CAST(w.id AS TEXT) = ?5"},
    {OF_POWER_UPS, "p.supply = ?6"},
    {OF_UNITS, "p.serial = trim(?7, ' ' || char(9))"},
    {OF_UNITS, "(instr(lower(p.serial), lower(?8)) OR EXISTS (SELECT 1 FROM work_order"
               " WHERE unit_id = p.id AND instr(lower(customer_reference), lower(?8))))"},
    {OF_POWER_UPS, "p.stage IS nullif(?9, '')"},
    {OF_POWER_UPS, "p.verdict_word = ?10"},
    {OF_POWER_UPS, "json_extract(p.verdict, '$.reasons[0].code') = ?11"},
    {OF_POWER_UPS, "CAST(p.run_id AS TEXT) = ?12"},
};
enum { CONDITIONS = sizeof conditions / sizeof *conditions };

static int bind_all(sqlite3_stmt *statement, const struct store_filter *filter,
                    const char *const *texts)
{
    int code = sqlite3_bind_int64(statement, 1, filter->before ? filter->before : INT64_MAX);
    if (code == SQLITE_OK)
        code = sqlite3_bind_int64(statement, 2, (int64_t)filter->limit + 1);
    for (int i = 0; code == SQLITE_OK && i < CONDITIONS; i++)
        if (texts[i])
            code = sqlite3_bind_text(statement, 3 + i, texts[i], -1, SQLITE_STATIC);
    return code;
}

static sqlite3_stmt *list_query(struct store_reader *reader, enum store_kind kind,
                                const struct store_filter *filter, struct error *error)
{
    const char *texts[CONDITIONS] = {
        filter->module_type, filter->unit,  filter->work_order, filter->supply, filter->serial,
        filter->search,      filter->stage, filter->verdict,    filter->reason, filter->run};
    char sql[4000];
    size_t used = (size_t)snprintf(sql, sizeof sql, "%s WHERE p.id < ?1", listings[kind].select);
    for (int i = 0; i < CONDITIONS; i++) {
        if (!(conditions[i].kinds & (1 << kind)))
            texts[i] = NULL;
        if (texts[i])
            used += (size_t)snprintf(sql + used, sizeof sql - used, " AND %s", conditions[i].sql);
    }
    if (kind == STORE_POWER_UPS && filter->from_us)
        used += (size_t)snprintf(sql + used, sizeof sql - used, " AND p.started_us >= %lld",
                                 (long long)filter->from_us);
    if (kind == STORE_POWER_UPS && filter->to_us)
        used += (size_t)snprintf(sql + used, sizeof sql - used, " AND p.started_us < %lld",
                                 (long long)filter->to_us);
    snprintf(sql + used, sizeof sql - used, " ORDER BY p.id DESC LIMIT ?2");
    sqlite3_stmt *statement = database_query(&reader->database, error, sql, "");
    if (!statement)
        return NULL;
    if (bind_all(statement, filter, texts) == SQLITE_OK)
        return statement;
    database_failed(&reader->database, error);
    sqlite3_finalize(statement);
    return NULL;
}

json_t *store_list(struct store_reader *reader, enum store_kind kind,
                   const struct store_filter *filter, struct error *error)
{
    if (filter->limit < 1 || filter->limit > 500) {
        error_set(error, EXIT_BAD_DATA, "limit", 0, "1 to 500", "found %d", filter->limit);
        return NULL;
    }
    sqlite3_stmt *statement = list_query(reader, kind, filter, error);
    if (!statement)
        return NULL;
    json_t *items = json_array();
    json_t *next = json_null();
    int status = 0;
    while ((status = database_step(&reader->database, statement, error)) == 1) {
        if (json_array_size(items) == (size_t)filter->limit) {
            const json_t *last = json_array_get(items, (size_t)filter->limit - 1);
            next = json_incref(json_object_get(last, "id"));
            break;
        }
        json_t *item = NULL;
        status = shape_item(&reader->database, statement, listings[kind].shape, &item, error);
        if (status != 0 || json_array_append_new(items, item) != 0)
            break;
    }
    sqlite3_finalize(statement);
    json_t *list = status < 0 ? NULL : json_pack("{s:O, s:O}", "items", items, "next", next);
    json_decref(items);
    json_decref(next);
    if (!list && status >= 0)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return list;
}

/* --- one item --- */

enum part { WHOLE_RECORD, WATCH_ALONE, ON_TIME_ALONE };

static int read_pieces(struct store_reader *reader, int64_t id, enum part part, struct trace *trace,
                       struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&reader->database, error,
                       "SELECT packed FROM piece WHERE power_up_id = ?"
                       " AND after_watch BETWEEN ? AND ? ORDER BY after_watch, id",
                       "iii", id, (int64_t)(part == ON_TIME_ALONE), (int64_t)(part != WATCH_ALONE));
    if (!statement)
        return -1;
    int status = 0;
    while ((status = database_step(&reader->database, statement, error)) == 1) {
        const uint8_t *packed = sqlite3_column_blob(statement, 0);
        size_t bytes = (size_t)sqlite3_column_bytes(statement, 0);
        if (!packed || trace_unpack_with(reader->unpacker, packed, bytes, trace) != 0) {
            status = error_set(error, EXIT_BAD_DATA, reader->database.path, 0, NULL,
                               "power-up %lld: its readings are damaged", (long long)id);
            break;
        }
    }
    sqlite3_finalize(statement);
    return status;
}

static int read_trace(struct store_reader *reader, int64_t id, enum part part, struct trace *trace,
                      struct error *error)
{
    int found = database_run(&reader->database, error, NULL, "SELECT id FROM power_up WHERE id = ?",
                             "i", id);
    if (found < 0)
        return -1;
    if (found == 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no power-up %lld",
                         (long long)id);
    if (read_pieces(reader, id, part, trace, error) == 0)
        return 0;
    trace_clear(trace);
    return -1;
}

int store_read_trace(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error)
{
    return read_trace(reader, id, WHOLE_RECORD, trace, error);
}

int store_read_watch(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error)
{
    return read_trace(reader, id, WATCH_ALONE, trace, error);
}

int store_read_on_time(struct store_reader *reader, int64_t id, struct trace *trace,
                       struct error *error)
{
    return read_trace(reader, id, ON_TIME_ALONE, trace, error);
}

static json_t *cell(bool valid, double number)
{
    return valid && !isnan(number) ? json_real(number) : json_null();
}

static json_t *trace_to_json(const struct trace *trace)
{
    json_t *time_s = json_array();
    json_t *voltage_V = json_array();
    json_t *current_A = json_array();
    int failed = 0;
    for (size_t i = 0; i < trace->count; i++) {
        const struct reading *r = &trace->readings[i];
        failed |= json_array_append_new(time_s, json_real(r->time_s));
        failed |= json_array_append_new(voltage_V, cell(r->valid, r->voltage_V));
        failed |= json_array_append_new(current_A, cell(r->valid, r->current_A));
    }
    json_t *object = failed ? NULL
                            : json_pack("{s:O, s:O, s:O}", "time_s", time_s, "voltage_V", voltage_V,
                                        "current_A", current_A);
    json_decref(time_s);
    json_decref(voltage_V);
    json_decref(current_A);
    return object;
}

static int add_trace(struct store_reader *reader, int64_t id, json_t *item, struct error *error)
{
    struct trace trace = {0};
    if (read_pieces(reader, id, WHOLE_RECORD, &trace, error) != 0) {
        trace_clear(&trace);
        return -1;
    }
    json_t *arrays = trace_to_json(&trace);
    trace_clear(&trace);
    if (!arrays || json_object_set_new(item, "trace", arrays) != 0)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return 0;
}

static int add_content(struct store_reader *reader, sqlite3_stmt *row, enum store_kind kind,
                       int64_t id, bool with_trace, json_t *item, struct error *error)
{
    const char *key = kind == STORE_POWER_UPS    ? "signature"
                      : kind == STORE_REFERENCES ? "reference"
                                                 : NULL;
    int column = sqlite3_column_count(row) - 1;
    if (key && json_object_set_new(item, key, json_column(row, column)) != 0)
        return error_set(error, EXIT_BAD_DATA, reader->database.path, 0, NULL,
                         "row %lld: %s cannot be read", (long long)id, key);
    if (kind == STORE_POWER_UPS && with_trace && add_trace(reader, id, item, error) != 0)
        return -1;
    return details_add(reader, kind, id, item, error);
}

static json_t *get_one(struct store_reader *reader, enum store_kind kind, const char *where,
                       const char *types, int64_t id, const char *name, bool with_trace,
                       struct error *error)
{
    char sql[4000];
    snprintf(sql, sizeof sql, "%s WHERE %s", listings[kind].select, where);
    sqlite3_stmt *statement = types[0] == 'i'
                                  ? database_query(&reader->database, error, sql, "i", id)
                                  : database_query(&reader->database, error, sql, "t", name);
    if (!statement)
        return NULL;
    json_t *item = NULL;
    int status = database_step(&reader->database, statement, error);
    if (status == 0)
        item = json_null();
    else if (status == 1 &&
             shape_item(&reader->database, statement, listings[kind].shape, &item, error) == 0 &&
             add_content(reader, statement, kind, id, with_trace, item, error) != 0) {
        json_decref(item);
        item = NULL;
    }
    sqlite3_finalize(statement);
    return item;
}

json_t *store_get(struct store_reader *reader, enum store_kind kind, int64_t id, bool with_trace,
                  struct error *error)
{
    /* Row and readings of one moment, though the writer goes on meanwhile. */
    if (database_run(&reader->database, error, NULL, "BEGIN", "") < 0)
        return NULL;
    json_t *item = get_one(reader, kind, "p.id = ?", "i", id, NULL, with_trace, error);
    database_rollback(&reader->database);
    return item;
}

json_t *store_module_type(struct store_reader *reader, const char *name, struct error *error)
{
    return get_one(reader, STORE_MODULE_TYPES, "p.name = ?", "t", 0, name, false, error);
}

static char *first_text(struct store_reader *reader, sqlite3_stmt *statement, int *version,
                        struct error *error)
{
    if (!statement)
        return NULL;
    char *text = NULL;
    int status = database_step(&reader->database, statement, error);
    if (status == 0 && error)
        error->status = EXIT_OK;
    if (status == 1) {
        text = strdup(database_text(statement, 0));
        *version = sqlite3_column_int(statement, 1);
        if (!text)
            error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    }
    sqlite3_finalize(statement);
    return text;
}

char *store_reference_text(struct store_reader *reader, const char *module_type, int *version,
                           struct error *error)
{
    const char *sql = "SELECT text, version FROM reference r"
                      " JOIN module_type t ON t.id = r.module_type_id"
                      " WHERE t.name = ? ORDER BY version DESC LIMIT 1";
    return first_text(reader, database_query(&reader->database, error, sql, "t", module_type),
                      version, error);
}

char *store_reference_text_for(struct store_reader *reader, const char *module_type,
                               const char *revision, const char *set_up, int *version,
                               struct error *error)
{
    const char *sql =
        "SELECT text, version FROM reference r JOIN module_type t ON t.id = r.module_type_id"
        " WHERE t.name = ?1 ORDER BY"
        " coalesce(trim(r.revision) = trim(?2) COLLATE NOCASE, 1) DESC,"
        " coalesce(trim(r.set_up) = trim(?3) COLLATE NOCASE, 1) DESC, version DESC LIMIT 1";
    return first_text(
        reader, database_query(&reader->database, error, sql, "ttt", module_type, revision, set_up),
        version, error);
}

char *store_reference_text_by_id(struct store_reader *reader, int64_t id, struct error *error)
{
    int ignored = 0;
    const char *sql = "SELECT text, version FROM reference WHERE id = ?";
    return first_text(reader, database_query(&reader->database, error, sql, "i", id), &ignored,
                      error);
}
