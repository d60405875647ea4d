/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/outputs.h"

#include "store/shapes.h"

#include <stdio.h>

static const char *const kinds[] = {[MARK_OURS] = "ours", [MARK_HOLD] = "hold"};

/* --- writing --- */

static int put_mark(struct store *store, const char *supply, enum output_mark_kind kind,
                    const struct output_mark *mark, struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "INSERT INTO output_mark (supply, kind, since_us, who, hand, why, unit)"
                        " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (supply, kind) DO NOTHING",
                        "ttieeee", supply, kinds[kind], mark->since_us, mark->who, mark->hand,
                        mark->why, mark->unit) < 0
               ? -1
               : 0;
}

static int take_mark(struct store *store, const char *supply, enum output_mark_kind kind,
                     struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "DELETE FROM output_mark WHERE supply = ? AND kind = ?", "tt", supply,
                        kinds[kind]) < 0
               ? -1
               : 0;
}

static int put_line(struct store *store, const struct output_line *line, struct error *error)
{
    if (!line->what[0])
        return 0;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO output_line (supply, at_us, what, who, hand, why, voltage_V,"
                        " limit_A, problem) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                        "titeeedde", line->supply, line->at_us, line->what, line->who, line->hand,
                        line->why, line->voltage_V, line->limit_A, line->problem) < 0
               ? -1
               : 0;
}

static int change_ours(struct store *store, const struct output_line *line, struct error *error)
{
    if (line->ours == OURS_STAYS)
        return 0;
    if (line->ours == OURS_OVER)
        return take_mark(store, line->supply, MARK_OURS, error);
    struct output_mark mark = {.since_us = line->at_us};
    snprintf(mark.who, sizeof mark.who, "%s", line->who);
    snprintf(mark.hand, sizeof mark.hand, "%s", line->hand);
    snprintf(mark.why, sizeof mark.why, "%s", line->why);
    return put_mark(store, line->supply, MARK_OURS, &mark, error);
}

int store_put_output_lines(struct store *store, const struct output_line *lines, size_t count,
                           struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = 0;
    for (size_t i = 0; i < count && status == 0; i++) {
        status = put_line(store, &lines[i], error);
        if (status == 0)
            status = change_ours(store, &lines[i], error);
    }
    return store_end_transaction(store, status, error);
}

int store_put_hold(struct store *store, const struct output_line *line,
                   const struct output_mark *mark, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = put_line(store, line, error);
    if (status == 0)
        status = mark ? put_mark(store, line->supply, MARK_HOLD, mark, error)
                      : take_mark(store, line->supply, MARK_HOLD, error);
    return store_end_transaction(store, status, error);
}

/* --- reading --- */

/* Of a row of when, who, hand and why. */
static void take_mark_row(sqlite3_stmt *row, struct output_mark *mark)
{
    mark->since_us = sqlite3_column_int64(row, 0);
    snprintf(mark->who, sizeof mark->who, "%s", database_text(row, 1));
    snprintf(mark->hand, sizeof mark->hand, "%s", database_text(row, 2));
    snprintf(mark->why, sizeof mark->why, "%s", database_text(row, 3));
}

int store_read_output_mark(struct store_reader *reader, const char *supply,
                           enum output_mark_kind kind, struct output_mark *mark,
                           struct error *error)
{
    *mark = (struct output_mark){0};
    sqlite3_stmt *row = database_query(&reader->database, error,
                                       "SELECT since_us, who, hand, why, unit FROM output_mark"
                                       " WHERE supply = ? AND kind = ?",
                                       "tt", supply, kinds[kind]);
    if (!row)
        return -1;
    int status = database_step(&reader->database, row, error);
    if (status == 1) {
        take_mark_row(row, mark);
        snprintf(mark->unit, sizeof mark->unit, "%s", database_text(row, 4));
    }
    sqlite3_finalize(row);
    return status < 0 ? -1 : 0;
}

int store_read_last_output(struct store_reader *reader, const char *supply,
                           char what[OUTPUT_LINE_WHAT], struct output_mark *line,
                           struct error *error)
{
    *line = (struct output_mark){0};
    what[0] = '\0';
    sqlite3_stmt *row =
        database_query(&reader->database, error,
                       "SELECT at_us, who, hand, why, what FROM output_line WHERE supply = ?"
                       " AND what IN ('on', 'off', 'on at the supply', 'off at the supply',"
                       " 'found on') ORDER BY id DESC LIMIT 1",
                       "t", supply);
    if (!row)
        return -1;
    int status = database_step(&reader->database, row, error);
    if (status == 1) {
        take_mark_row(row, line);
        snprintf(what, OUTPUT_LINE_WHAT, "%s", database_text(row, 4));
    }
    sqlite3_finalize(row);
    return status < 0 ? -1 : 0;
}

static const struct shape line_shape[] = {
    {"id", id_column},
    {"supply", text_column},
    {"at", time_column},
    {"what", text_column},
    {"who", text_column},
    {"hand", text_column},
    {"why", text_column},
    {"voltage_V", number_column},
    {"limit_A", number_column},
    {"problem", text_column},
    {NULL, NULL},
};

json_t *store_output_log(struct store_reader *reader, const struct store_filter *filter,
                         struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&reader->database, error,
                       "SELECT id, supply, at_us, what, who, hand, why, voltage_V, limit_A, problem"
                       " FROM output_line WHERE id < ?1 AND (?3 IS NULL OR supply = ?3)"
                       " ORDER BY id DESC LIMIT ?2",
                       "iit", filter->before ? filter->before : INT64_MAX,
                       (int64_t)filter->limit + 1, filter->supply);
    json_t *items = shape_rows(&reader->database, statement, line_shape, error);
    if (!items)
        return NULL;
    json_t *next = json_null();
    if (json_array_size(items) > (size_t)filter->limit) {
        json_array_remove(items, (size_t)filter->limit);
        const json_t *last = json_array_get(items, (size_t)filter->limit - 1);
        next = json_incref(json_object_get(last, "id"));
    }
    json_t *list = json_pack("{s:o, s:o}", "items", items, "next", next);
    if (!list)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return list;
}
