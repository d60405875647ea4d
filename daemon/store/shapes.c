/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/shapes.h"

#include "base/clock.h"

static bool is_null(sqlite3_stmt *row, int column)
{
    return sqlite3_column_type(row, column) == SQLITE_NULL;
}

json_t *id_column(sqlite3_stmt *row, int column)
{
    if (is_null(row, column))
        return json_null();
    return json_sprintf("%lld", (long long)sqlite3_column_int64(row, column));
}

json_t *text_column(sqlite3_stmt *row, int column)
{
    return is_null(row, column) ? json_null() : json_string(database_text(row, column));
}

json_t *number_column(sqlite3_stmt *row, int column)
{
    return is_null(row, column) ? json_null() : json_real(sqlite3_column_double(row, column));
}

json_t *whole_column(sqlite3_stmt *row, int column)
{
    return is_null(row, column) ? json_null() : json_integer(sqlite3_column_int64(row, column));
}

json_t *switch_column(sqlite3_stmt *row, int column)
{
    return json_boolean(sqlite3_column_int(row, column));
}

static json_t *time_of(int64_t wall_us)
{
    char text[25];
    return json_string(clock_rfc3339(wall_us, text));
}

json_t *time_column(sqlite3_stmt *row, int column)
{
    return is_null(row, column) ? json_null() : time_of(sqlite3_column_int64(row, column));
}

json_t *json_column(sqlite3_stmt *row, int column)
{
    if (is_null(row, column))
        return json_null();
    return json_loads(database_text(row, column), JSON_DECODE_ANY, NULL);
}

json_t *stamped_column(sqlite3_stmt *row, int column)
{
    json_t *object = json_column(row, column);
    const json_t *at_us = json_object_get(object, "at_us");
    if (!json_is_integer(at_us))
        return object;
    json_t *at = time_of(json_integer_value(at_us));
    if (json_object_set_new(object, "at", at) != 0 || json_object_del(object, "at_us") != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

json_t *warranty_column(sqlite3_stmt *row, int column)
{
    static const int64_t day_us = (int64_t)86400 * 1000000;
    json_t *pair = json_column(row, column);
    if (!json_is_array(pair))
        return pair;
    json_int_t order = json_integer_value(json_array_get(pair, 0));
    int64_t until_us = json_integer_value(json_array_get(pair, 1));
    int64_t left_us = until_us - clock_wall_us();
    json_decref(pair);
    if (left_us <= 0)
        return json_null();
    return json_pack("{s:o, s:o, s:I}", "work_order", json_sprintf("%lld", (long long)order),
                     "until", time_of(until_us), "days_left",
                     (json_int_t)((left_us + day_us - 1) / day_us));
}

/* --- the shapes --- */

static const struct shape module_type_shape[] = {
    {"id", id_column},
    {"name", text_column},
    {"nominal_voltage_V", number_column},
    {"current_limit_A", number_column},
    {"watch_s", number_column},
    {"look_voltage_V", number_column},
    {"look_limit_A", number_column},
    {"limit_longest_s", number_column},
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
    {"open_work_order", id_column},
    {"warranty", warranty_column},
    {NULL, NULL},
};

static const struct shape work_order_shape[] = {
    {"id", id_column},
    {"unit", text_column},
    {"module_type", text_column},
    {"complaint", text_column},
    {"customer_reference", text_column},
    {"condition", text_column},
    {"cells", text_column},
    {"stages", json_column},
    {"stage", text_column},
    {"created_at", time_column},
    {"closed_at", time_column},
    {"found_cause", text_column},
    {"parts", text_column},
    {"hand", text_column},
    {"outcome", text_column},
    {"warranty_days", whole_column},
    {"power_ups", whole_column},
    {"verdicts", json_column},
    {"record", id_column},
    {NULL, NULL},
};

static const struct shape power_up_shape[] = {
    {"id", id_column},
    {"supply", text_column},
    {"started_at", time_column},
    {"state", text_column},
    {"module_type", text_column},
    {"unit", text_column},
    {"revision", text_column},
    {"set_up", text_column},
    {"work_order", id_column},
    {"stage", text_column},
    {"tag", text_column},
    {"run", id_column},
    {"verdict", json_column},
    {"reference_version", whole_column},
    {"known_good", stamped_column},
    {"bench", json_column},
    {"onset_s", number_column},
    {"ended_why", text_column},
    {"on_time_s", number_column},
    {"readings", whole_column},
    {NULL, NULL},
};

const struct listing listings[] = {
    [STORE_MODULE_TYPES] =
        {module_type_shape,
         "SELECT p.id, p.name, p.nominal_voltage_V, p.current_limit_A, p.watch_s,"
         " p.look_voltage_V, p.look_limit_A, p.limit_longest_s, p.feeds, p.cautions, (SELECT "
         "max(version) FROM reference WHERE module_type_id = p.id)"
         " FROM module_type p LEFT JOIN module_type t ON t.id = p.id"},
    [STORE_REFERENCES] =
        {reference_shape,
         "SELECT p.id, t.name, p.version, p.created_us, p.units, p.power_ups, p.range_only, p.text"
         " FROM reference p JOIN module_type t ON t.id = p.module_type_id"},
    [STORE_UNITS] =
        {unit_shape,
         "SELECT p.id, p.serial, t.name, p.revision, p.set_up, p.created_us,"
         " (SELECT max(id) FROM work_order WHERE unit_id = p.id AND closed_us IS NULL),"
         " (SELECT json_array(id, closed_us + warranty_days * 86400000000) FROM work_order"
         "  WHERE unit_id = p.id AND closed_us IS NOT NULL AND warranty_days > 0"
         "  ORDER BY closed_us + warranty_days * 86400000000 DESC LIMIT 1)"
         " FROM unit p LEFT JOIN module_type t ON t.id = p.module_type_id"
         " LEFT JOIN unit u ON u.id = p.id"},
    [STORE_WORK_ORDERS] =
        {work_order_shape,
         "SELECT p.id, u.serial, t.name, p.complaint, p.customer_reference, p.condition, p.cells,"
         " p.stages, coalesce(p.stage, json_extract(p.stages, '$[0]')), p.created_us, p.closed_us,"
         " p.found_cause, p.parts, p.hand, p.outcome, p.warranty_days,"
         " (SELECT count(*) FROM power_up WHERE work_order_id = p.id),"
         " (SELECT json_group_object(stage, json(counts)) FROM"
         "  (SELECT coalesce(stage, '') AS stage, json_object("
         "   'good', count(*) FILTER (WHERE verdict_word = 'good'),"
         "   'bad', count(*) FILTER (WHERE verdict_word = 'bad'),"
         "   'unsure', count(*) FILTER (WHERE verdict_word = 'unsure')) AS counts"
         "   FROM power_up WHERE work_order_id = p.id GROUP BY 1)),"
         " (SELECT max(id) FROM record WHERE work_order_id = p.id)"
         " FROM work_order p JOIN unit u ON u.id = p.unit_id"
         " LEFT JOIN module_type t ON t.id = u.module_type_id"
         " LEFT JOIN work_order w ON w.id = p.id"},
    [STORE_POWER_UPS] =
        {power_up_shape,
         "SELECT p.id, p.supply, p.started_us, p.state, t.name, u.serial, p.revision, p.set_up,"
         " p.work_order_id, p.stage, p.tag, p.run_id, p.verdict, p.reference_version,"
         " (SELECT json_object('why', why, 'hand', hand, 'at_us', at_us) FROM known_good"
         "  WHERE power_up_id = p.id AND withdrawn_us IS NULL),"
         " p.bench_state, p.onset_s, p.ended_why, p.ended_s - coalesce(p.onset_s, 0), p.readings,"
         " p.signature"
         " FROM power_up p LEFT JOIN module_type t ON t.id = p.module_type_id"
         " LEFT JOIN unit u ON u.id = p.unit_id"
         " LEFT JOIN work_order w ON w.id = p.work_order_id"},
};

int shape_item(struct database *database, sqlite3_stmt *row, const struct shape *shape,
               json_t **item, struct error *error)
{
    json_t *object = json_object();
    for (int column = 0; shape[column].key; column++) {
        json_t *value = shape[column].value(row, column);
        if (!object || !value || json_object_set_new(object, shape[column].key, value) != 0) {
            json_decref(object);
            return error_set(error, EXIT_BAD_DATA, database->path, 0, NULL,
                             "row %lld: %s cannot be read", (long long)sqlite3_column_int64(row, 0),
                             shape[column].key);
        }
    }
    *item = object;
    return 0;
}

json_t *shape_rows(struct database *database, sqlite3_stmt *statement, const struct shape *shape,
                   struct error *error)
{
    if (!statement)
        return NULL;
    json_t *rows = json_array();
    int status = rows ? 0 : error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    while (status == 0 && (status = database_step(database, statement, error)) == 1) {
        json_t *item = NULL;
        status = shape_item(database, statement, shape, &item, error);
        if (status == 0 && json_array_append_new(rows, item) != 0)
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    }
    sqlite3_finalize(statement);
    if (status == 0)
        return rows;
    json_decref(rows);
    return NULL;
}
