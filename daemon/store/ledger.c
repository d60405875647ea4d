/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/ledger.h"

#include "store/shapes.h"

#include <gsl/gsl_statistics_double.h>
#include <stdio.h>
#include <stdlib.h>

#define DAY_US "86400000000"
#define MOST_ORDERS "5000"

static const struct shape verdicts_shape[] = {
    {"day", text_column},     {"good", whole_column}, {"bad", whole_column},
    {"unsure", whole_column}, {NULL, NULL},
};

static const struct shape reason_shape[] = {
    {"module_type", text_column},
    {"verdict", text_column},
    {"code", text_column},
    {"count", whole_column},
    {NULL, NULL},
};

static const struct shape return_shape[] = {
    {"work_order", id_column},
    {"unit", text_column},
    {"returned_from", id_column},
    {"days_after", whole_column},
    {"outcome", text_column},
    {"at", time_column},
    {NULL, NULL},
};

static const struct shape stage_shape[] = {
    {"stage", text_column},
    {"passed", json_column},
    {"failed", json_column},
    {"undecided", json_column},
    {NULL, NULL},
};

static const struct shape outcome_shape[] = {
    {"outcome", text_column},
    {"count", whole_column},
    {"work_orders", json_column},
    {NULL, NULL},
};

static const struct shape turnaround_shape[] = {
    {"id", id_column},
    {"unit", text_column},
    {"days", number_column},
    {NULL, NULL},
};

static const struct shape order_shape[] = {
    {"id", id_column},
    {"unit", text_column},
    {"module_type", text_column},
    {"created_at", time_column},
    {"closed_at", time_column},
    {"outcome", text_column},
    {NULL, NULL},
};

#define IDS(word)                                                                                  \
    "json_object('count', count(*) FILTER (WHERE verdict_word = '" word                            \
    "'), 'work_orders', json_group_array(CAST(work_order_id AS TEXT))"                             \
    " FILTER (WHERE verdict_word = '" word "'))"

/* ?1 from, ?2 to before. */
static const struct {
    const char *key;
    const struct shape *shape;
    const char *sql;
} parts[] = {
    {"verdicts_by_day", verdicts_shape,
     "SELECT date(started_us / 1000000, 'unixepoch', 'localtime') AS day,"
     " count(*) FILTER (WHERE verdict_word = 'good'),"
     " count(*) FILTER (WHERE verdict_word = 'bad'),"
     " count(*) FILTER (WHERE verdict_word = 'unsure')"
     " FROM power_up WHERE started_us >= ?1 AND started_us < ?2 AND verdict_word IS NOT NULL"
     " GROUP BY day ORDER BY day"},
    {"reasons_by_type", reason_shape,
     "SELECT t.name, p.verdict_word, json_extract(p.verdict, '$.reasons[0].code') AS code,"
     " count(*) AS times FROM power_up p LEFT JOIN module_type t ON t.id = p.module_type_id"
     " WHERE p.started_us >= ?1 AND p.started_us < ?2 AND p.verdict_word IN ('bad', 'unsure')"
     " AND code IS NOT NULL GROUP BY t.name, p.verdict_word, code"
     " ORDER BY t.name, times DESC, code LIMIT 500"},
    {"returns", return_shape,
     "SELECT w.id, u.serial, e.id, (w.created_us - max(e.closed_us)) / " DAY_US ", w.outcome,"
     " w.created_us FROM work_order w JOIN unit u ON u.id = w.unit_id"
     " JOIN work_order e ON e.unit_id = w.unit_id AND e.id < w.id"
     " WHERE w.created_us >= ?1 AND w.created_us < ?2 AND e.closed_us <= w.created_us"
     " AND w.created_us < e.closed_us + e.warranty_days * " DAY_US " GROUP BY w.id ORDER BY w.id"},
    {"stages", stage_shape,
     "WITH last AS (SELECT work_order_id, stage, verdict_word, row_number() OVER"
     "  (PARTITION BY work_order_id, stage ORDER BY id DESC) AS behind FROM power_up"
     "  WHERE started_us >= ?1 AND started_us < ?2 AND verdict_word IS NOT NULL"
     "  AND work_order_id IS NOT NULL AND stage IS NOT NULL AND tag IS NULL)"
     " SELECT stage, " IDS("good") ", " IDS("bad") ", " IDS(
         "unsure") " FROM last WHERE behind = 1 GROUP BY stage"
                   " ORDER BY (SELECT min(key) FROM work_order w, json_each(w.stages)"
                   "  WHERE value = last.stage), stage"},
    {"outcomes", outcome_shape,
     "SELECT outcome, count(*) AS times, json_group_array(CAST(id AS TEXT)) FROM work_order"
     " WHERE closed_us >= ?1 AND closed_us < ?2 GROUP BY outcome ORDER BY times DESC, outcome"},
    {"turnaround_days", turnaround_shape,
     "SELECT w.id, u.serial, (w.closed_us - w.created_us) * 1.0 / " DAY_US " AS days"
     " FROM work_order w JOIN unit u ON u.id = w.unit_id"
     " WHERE w.closed_us >= ?1 AND w.closed_us < ?2 ORDER BY days, w.id LIMIT " MOST_ORDERS},
    {"work_orders", order_shape,
     "SELECT w.id, u.serial, t.name, w.created_us, w.closed_us, w.outcome FROM work_order w"
     " JOIN unit u ON u.id = w.unit_id LEFT JOIN module_type t ON t.id = u.module_type_id"
     " WHERE (w.created_us >= ?1 AND w.created_us < ?2)"
     " OR (w.closed_us >= ?1 AND w.closed_us < ?2)"
     " OR w.id IN (SELECT work_order_id FROM power_up WHERE started_us >= ?1 AND started_us < ?2)"
     " ORDER BY w.id DESC LIMIT " MOST_ORDERS},
};

static int out_of_memory(struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

/* The list is in its order. */
static json_t *with_median(json_t *orders)
{
    size_t count = json_array_size(orders);
    double *days = malloc((count + 1) * sizeof *days);
    if (!days) {
        json_decref(orders);
        return NULL;
    }
    for (size_t i = 0; i < count; i++)
        days[i] = json_real_value(json_object_get(json_array_get(orders, i), "days"));
    json_t *told =
        count == 0 ? json_pack("{s:i, s:n, s:n, s:n, s:o}", "count", 0, "median", "shortest",
                               "longest", "work_orders", orders)
                   : json_pack("{s:I, s:f, s:f, s:f, s:o}", "count", (json_int_t)count, "median",
                               gsl_stats_median_from_sorted_data(days, 1, count), "shortest",
                               days[0], "longest", days[count - 1], "work_orders", orders);
    free(days);
    return told;
}

static int add_under_warranty(struct store_reader *reader, int64_t from_us, int64_t to_us,
                              json_t *ledger, struct error *error)
{
    int64_t count = 0;
    if (database_run(&reader->database, error, &count,
                     "SELECT count(*) FROM work_order WHERE warranty_days > 0 AND closed_us < ?2"
                     " AND closed_us + warranty_days * " DAY_US " >= ?1",
                     "ii", from_us, to_us) < 0)
        return -1;
    return json_object_set_new(ledger, "under_warranty", json_integer(count)) == 0
               ? 0
               : out_of_memory(error);
}

static int add_parts(struct store_reader *reader, int64_t from_us, int64_t to_us, json_t *ledger,
                     struct error *error)
{
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        json_t *rows =
            shape_rows(&reader->database,
                       database_query(&reader->database, error, parts[i].sql, "ii", from_us, to_us),
                       parts[i].shape, error);
        if (!rows)
            return -1;
        if (parts[i].shape == turnaround_shape)
            rows = with_median(rows);
        if (json_object_set_new(ledger, parts[i].key, rows) != 0)
            return out_of_memory(error);
    }
    return add_under_warranty(reader, from_us, to_us, ledger, error);
}

json_t *store_ledger(struct store_reader *reader, int64_t from_us, int64_t to_us,
                     struct error *error)
{
    json_t *ledger = json_object();
    if (!ledger) {
        out_of_memory(error);
        return NULL;
    }
    /* All parts of one moment, though the writer goes on meanwhile. */
    int status = database_run(&reader->database, error, NULL, "BEGIN", "");
    if (status >= 0) {
        status = add_parts(reader, from_us, to_us, ledger, error);
        database_rollback(&reader->database);
    }
    if (status >= 0)
        return ledger;
    json_decref(ledger);
    return NULL;
}
