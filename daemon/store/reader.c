/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Reading: lists and items in the API's shapes. A list is read to its end
 * before it is handed on, so that no statement stays open and pins the log.
 */
#include "store/store_private.h"

#include "base/clock.h"
#include "store/schema.h"
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
    if (database_open_reader(&reader->database, directory, error) == 0 &&
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
    free(reader);
}

/* --- columns as JSON --- */

static json_t *id_column(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_sprintf("%lld", (long long)sqlite3_column_int64(row, column));
}

static json_t *text_column(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_string(database_text(row, column));
}

static json_t *number_column(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_real(sqlite3_column_double(row, column));
}

static json_t *whole_column(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_integer(sqlite3_column_int64(row, column));
}

static json_t *switch_column(sqlite3_stmt *row, int column)
{
    return json_boolean(sqlite3_column_int(row, column));
}

static json_t *time_column(sqlite3_stmt *row, int column)
{
    char text[25];
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_string(clock_rfc3339(sqlite3_column_int64(row, column), text));
}

static json_t *json_column(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_loads(database_text(row, column), JSON_DECODE_ANY, NULL);
}

struct shape {
    const char *key;
    json_t *(*value)(sqlite3_stmt *row, int column);
};

static const struct shape module_type_shape[] = {
    {"id", id_column},
    {"name", text_column},
    {"nominal_voltage_V", number_column},
    {"current_limit_A", number_column},
    {"watch_s", number_column},
    {"feeds", json_column},
    {"cautions", json_column},
    {"reference_version", whole_column},
    {NULL, NULL},
};

static const struct shape reference_shape[] = {
    {"id", id_column},
    {"module_type", text_column},
    {"version", whole_column},
    {"created_at", time_column},
    {"units", whole_column},
    {"power_ups", whole_column},
    {"range_only", switch_column},
    {NULL, NULL},
};

static const struct shape unit_shape[] = {
    {"id", id_column},
    {"serial", text_column},
    {"module_type", text_column},
    {"revision", text_column},
    {"set_up", text_column},
    {"created_at", time_column},
    {NULL, NULL},
};

static const struct shape work_order_shape[] = {
    {"id", id_column},
    {"unit", text_column},
    {"module_type", text_column},
    {"complaint", text_column},
    {"created_at", time_column},
    {"closed_at", time_column},
    {NULL, NULL},
};

static const struct shape power_up_shape[] = {
    {"id", id_column},
    {"supply", text_column},
    {"started_at", time_column},
    {"state", text_column},
    {"module_type", text_column},
    {"unit", text_column},
    {"work_order", id_column},
    {"stage", text_column},
    {"verdict", json_column},
    {"reference_version", whole_column},
    {"onset_s", number_column},
    {"ended_why", text_column},
    {"on_time_s", number_column},
    {"readings", whole_column},
    {NULL, NULL},
};

/* A kind's SELECT in its shape's order, "p" the table it lists; what narrows
 * it: ?1 type, ?2 unit, ?3 work order, ?4 supply, each NULL for any; what
 * follows the shape's columns is for one item alone. */
struct listing {
    const struct shape *shape;
    const char *select;
    bool by_type, by_unit, by_work_order, by_supply;
};

static const struct listing listings[] = {
    [STORE_MODULE_TYPES] =
        {module_type_shape,
         "SELECT p.id, p.name, p.nominal_voltage_V, p.current_limit_A, p.watch_s, p.feeds,"
         " p.cautions, (SELECT max(version) FROM reference WHERE module_type_id = p.id)"
         " FROM module_type p LEFT JOIN module_type t ON t.id = p.id",
         true, false, false, false},
    [STORE_REFERENCES] =
        {reference_shape,
         "SELECT p.id, t.name, p.version, p.created_us, p.units, p.power_ups, p.range_only, p.text"
         " FROM reference p JOIN module_type t ON t.id = p.module_type_id",
         true, false, false, false},
    [STORE_UNITS] = {unit_shape,
                     "SELECT p.id, p.serial, t.name, p.revision, p.set_up, p.created_us"
                     " FROM unit p LEFT JOIN module_type t ON t.id = p.module_type_id"
                     " LEFT JOIN unit u ON u.id = p.id",
                     true, true, false, false},
    [STORE_WORK_ORDERS] = {work_order_shape,
                           "SELECT p.id, u.serial, t.name, p.complaint, p.created_us, p.closed_us"
                           " FROM work_order p JOIN unit u ON u.id = p.unit_id"
                           " LEFT JOIN module_type t ON t.id = u.module_type_id"
                           " LEFT JOIN work_order w ON w.id = p.id",
                           true, true, true, false},
    [STORE_POWER_UPS] =
        {power_up_shape,
         "SELECT p.id, p.supply, p.started_us, p.state, t.name, u.serial, p.work_order_id, p.stage,"
         " p.verdict, p.reference_version, p.onset_s, p.ended_why,"
         " p.ended_s - coalesce(p.onset_s, 0), p.readings, p.signature"
         " FROM power_up p LEFT JOIN module_type t ON t.id = p.module_type_id"
         " LEFT JOIN unit u ON u.id = p.unit_id"
         " LEFT JOIN work_order w ON w.id = p.work_order_id",
         true, true, true, true},
};

static int item_of(struct store_reader *reader, sqlite3_stmt *row, const struct shape *shape,
                   json_t **item, struct error *error)
{
    json_t *object = json_object();
    for (int column = 0; shape[column].key; column++) {
        json_t *value = shape[column].value(row, column);
        if (!object || !value || json_object_set_new(object, shape[column].key, value) != 0) {
            json_decref(object);
            return error_set(error, EXIT_BAD_DATA, reader->database.path, 0, NULL,
                             "row %lld: %s cannot be read", (long long)sqlite3_column_int64(row, 0),
                             shape[column].key);
        }
    }
    *item = object;
    return 0;
}

/* --- lists --- */

static sqlite3_stmt *list_query(struct store_reader *reader, const struct listing *listing,
                                const struct store_filter *filter, struct error *error)
{
    const char *type = listing->by_type ? filter->module_type : NULL;
    const char *unit = listing->by_unit ? filter->unit : NULL;
    const char *order = listing->by_work_order ? filter->work_order : NULL;
    const char *supply = listing->by_supply ? filter->supply : NULL;
    char sql[1600];
    snprintf(sql, sizeof sql, "%s WHERE p.id < ?1%s%s%s%s ORDER BY p.id DESC LIMIT ?2",
             listing->select, type ? " AND t.name = ?3" : "", unit ? " AND u.serial = ?4" : "",
             order ? " AND w.id = CAST(?5 AS INTEGER) AND CAST(w.id AS TEXT) = ?5" : "",
             supply ? " AND p.supply = ?6" : "");
    sqlite3_stmt *statement = database_query(&reader->database, error, sql, "");
    if (!statement)
        return NULL;
    const char *texts[] = {type, unit, order, supply};
    int code = sqlite3_bind_int64(statement, 1, filter->before ? filter->before : INT64_MAX);
    if (code == SQLITE_OK)
        code = sqlite3_bind_int64(statement, 2, (int64_t)filter->limit + 1);
    for (int i = 0; code == SQLITE_OK && i < 4; i++)
        if (texts[i])
            code = sqlite3_bind_text(statement, 3 + i, texts[i], -1, SQLITE_STATIC);
    if (code == SQLITE_OK)
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
    sqlite3_stmt *statement = list_query(reader, &listings[kind], filter, error);
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
        status = item_of(reader, statement, listings[kind].shape, &item, error);
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

static int read_pieces(struct store_reader *reader, int64_t id, bool on_time_too,
                       struct trace *trace, struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&reader->database, error,
                       "SELECT packed FROM piece WHERE power_up_id = ? AND after_watch <= ?"
                       " ORDER BY after_watch, id",
                       "ii", id, (int64_t)on_time_too);
    if (!statement)
        return -1;
    int status = 0;
    while ((status = database_step(&reader->database, statement, error)) == 1) {
        const uint8_t *packed = sqlite3_column_blob(statement, 0);
        size_t bytes = (size_t)sqlite3_column_bytes(statement, 0);
        if (!packed || trace_unpack(packed, bytes, trace) != 0) {
            status = error_set(error, EXIT_BAD_DATA, reader->database.path, 0, NULL,
                               "power-up %lld: its readings are damaged", (long long)id);
            break;
        }
    }
    sqlite3_finalize(statement);
    return status;
}

static int read_trace(struct store_reader *reader, int64_t id, bool on_time_too,
                      struct trace *trace, struct error *error)
{
    int found = database_run(&reader->database, error, NULL, "SELECT id FROM power_up WHERE id = ?",
                             "i", id);
    if (found < 0)
        return -1;
    if (found == 0)
        return error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no power-up %lld",
                         (long long)id);
    if (read_pieces(reader, id, on_time_too, trace, error) == 0)
        return 0;
    trace_clear(trace);
    return -1;
}

int store_read_trace(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error)
{
    return read_trace(reader, id, true, trace, error);
}

int store_read_watch(struct store_reader *reader, int64_t id, struct trace *trace,
                     struct error *error)
{
    return read_trace(reader, id, false, trace, error);
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
    if (read_pieces(reader, id, true, &trace, error) != 0) {
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
    if (!key)
        return 0;
    int column = sqlite3_column_count(row) - 1;
    if (json_object_set_new(item, key, json_column(row, column)) != 0)
        return error_set(error, EXIT_BAD_DATA, reader->database.path, 0, NULL,
                         "row %lld: %s cannot be read", (long long)id, key);
    if (kind == STORE_POWER_UPS && with_trace)
        return add_trace(reader, id, item, error);
    return 0;
}

static json_t *get_one(struct store_reader *reader, enum store_kind kind, const char *where,
                       const char *types, int64_t id, const char *name, bool with_trace,
                       struct error *error)
{
    char sql[1400];
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
    else if (status == 1 && item_of(reader, statement, listings[kind].shape, &item, error) == 0 &&
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

int store_read_on_bench(struct store_reader *reader, const char *supply, struct on_bench *on_bench,
                        struct error *error)
{
    *on_bench = (struct on_bench){0};
    sqlite3_stmt *statement = database_query(
        &reader->database, error,
        "SELECT t.name, u.serial, b.work_order_id, b.stage FROM on_bench b"
        " LEFT JOIN module_type t ON t.id = b.module_type_id LEFT JOIN unit u ON u.id = b.unit_id"
        " WHERE b.supply = ?",
        "t", supply);
    if (!statement)
        return -1;
    int status = database_step(&reader->database, statement, error);
    if (status == 1) {
        snprintf(on_bench->module_type, sizeof on_bench->module_type, "%s",
                 database_text(statement, 0));
        snprintf(on_bench->unit, sizeof on_bench->unit, "%s", database_text(statement, 1));
        snprintf(on_bench->work_order, sizeof on_bench->work_order, "%s",
                 database_text(statement, 2));
        snprintf(on_bench->stage, sizeof on_bench->stage, "%s", database_text(statement, 3));
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}
