/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/runs.h"

#include "base/clock.h"
#include "store/json_fields.h"
#include "store/shapes.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double shortest_off_s = 0.5, longest_off_s = 600, longest_on_s = 86400;

/* --- writing --- */

struct wish {
    int64_t wanted;
    double off_s, on_s;
    const char *stop_on, *switched;
    const char *tag; /* NULL: as it is on the bench */
};

static int check_choice(const json_t *wish, const char *key, const char *one, const char *other,
                        const char **chosen, struct error *error)
{
    const char *text = json_text(wish, key);
    *chosen = text;
    if (strcmp(text, one) == 0 || strcmp(text, other) == 0)
        return 0;
    char expected[60];
    snprintf(expected, sizeof expected, "%s or %s", one, other);
    return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found \"%.40s\"", text);
}

static int check_times(const json_t *wish, struct wish *read, struct error *error)
{
    if (json_number_field(wish, "off_s", longest_off_s, &read->off_s, error) != 0 ||
        json_number_field(wish, "on_s", longest_on_s, &read->on_s, error) != 0)
        return -1;
    if (!(read->off_s >= shortest_off_s))
        return error_set(error, EXIT_BAD_DATA, "off_s", 0, "a number of seconds from 0.5 to 600",
                         "found less, or none");
    return 0;
}

static int read_wish(const json_t *wish, struct wish *read, struct error *error)
{
    static const char *const known[] = {"wanted",   "off_s", "on_s", "stop_on",
                                        "switched", "tag",   NULL};
    const json_t *wanted = json_object_get(wish, "wanted");
    read->wanted = json_integer_value(wanted);
    if (json_check_keys(wish, "a run", known, error) != 0)
        return -1;
    if (!json_is_integer(wanted) || read->wanted < 1 || read->wanted > RUN_MOST_POWER_UPS)
        return error_set(error, EXIT_BAD_DATA, "wanted", 0, "a whole number from 1 to 10000",
                         "found something else");
    if (check_times(wish, read, error) != 0 ||
        check_choice(wish, "stop_on", "bad", "never", &read->stop_on, error) != 0 ||
        check_choice(wish, "switched", "wakedraw", "hand", &read->switched, error) != 0)
        return -1;
    read->tag = json_object_get(wish, "tag") ? json_text(wish, "tag") : NULL;
    if (read->tag && read->tag[0] && strcmp(read->tag, "heat") != 0 &&
        strcmp(read->tag, "cold") != 0)
        return error_set(error, EXIT_BAD_DATA, "tag", 0, "heat or cold", "found \"%.40s\"",
                         read->tag);
    return 0;
}

static int put_tag(struct store *store, const char *supply, const char *tag, struct error *error)
{
    if (!tag)
        return 0;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO on_bench (supply, tag, changed_us) VALUES (?1, ?2, ?3)"
                        " ON CONFLICT (supply) DO UPDATE SET tag = ?2",
                        "tei", supply, tag, clock_wall_us()) < 0
               ? -1
               : 0;
}

static int put_run(struct store *store, const char *supply, const struct wish *wish, int64_t *id,
                   struct error *error)
{
    int64_t open = 0;
    int found =
        database_run(&store->database, error, &open,
                     "SELECT id FROM run WHERE supply = ? AND ended_us IS NULL", "t", supply);
    if (found != 0)
        return found < 0
                   ? -1
                   : error_set(error, EXIT_USAGE, NULL, 0, NULL,
                               "run %lld goes on at %.60s: end it first", (long long)open, supply);
    if (put_tag(store, supply, wish->tag, error) != 0)
        return -1;
    /* The left side is one row, whether anything is on the bench or not. */
    if (database_run(&store->database, error, NULL,
                     "INSERT INTO run (supply, unit_id, work_order_id, stage, tag, wanted, off_s,"
                     " on_s, stop_on, switched, started_us)"
                     " SELECT s.supply, b.unit_id, b.work_order_id, b.stage, b.tag, ?2, ?3, ?4,"
                     " ?5, ?6, ?7 FROM (SELECT ?1 AS supply) s"
                     " LEFT JOIN on_bench b ON b.supply = s.supply",
                     "tiddtti", supply, wish->wanted, wish->off_s, wish->on_s, wish->stop_on,
                     wish->switched, clock_wall_us()) < 0)
        return -1;
    *id = sqlite3_last_insert_rowid(store->database.connection);
    return 0;
}

int store_put_run(struct store *store, const char *supply, const json_t *wish, int64_t *id,
                  struct error *error)
{
    struct wish read = {.off_s = (double)NAN, .on_s = (double)NAN};
    if (read_wish(wish, &read, error) != 0 || database_begin(&store->database, error) != 0)
        return -1;
    int64_t made = 0;
    int status = put_run(store, supply, &read, &made, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}

static int end_run(struct store *store, int64_t id, const char *why, struct error *error)
{
    int64_t is_over = 0;
    int found = database_run(&store->database, error, &is_over,
                             "SELECT ended_us IS NOT NULL FROM run WHERE id = ?", "i", id);
    if (found == 0)
        return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no run %lld",
                         (long long)id);
    if (found < 0)
        return -1;
    if (is_over)
        return error_set(error, EXIT_USAGE, NULL, 0, NULL, "run %lld is over", (long long)id);
    return database_run(&store->database, error, NULL,
                        "UPDATE run SET ended_us = ?, ended_why = ? WHERE id = ?", "iti",
                        clock_wall_us(), why, id) < 0
               ? -1
               : 0;
}

int store_end_run(struct store *store, int64_t id, const char *why, struct error *error)
{
    if (database_begin(&store->database, error) != 0)
        return -1;
    return store_end_transaction(store, end_run(store, id, why, error), error);
}

int store_run_of_power_up(struct store *store, int64_t power_up, int64_t *run, struct error *error)
{
    *run = 0;
    return database_run(&store->database, error, run,
                        "SELECT coalesce(run_id, 0) FROM power_up WHERE id = ?", "i", power_up) < 0
               ? -1
               : 0;
}

int run_take_in(struct store *store, int64_t power_up, struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "UPDATE power_up SET run_id = r.id, tag = r.tag FROM run r"
                        " WHERE power_up.id = ? AND r.supply = power_up.supply"
                        " AND r.ended_us IS NULL AND r.unit_id IS power_up.unit_id",
                        "i", power_up) < 0
               ? -1
               : 0;
}

/* When its last power-up was last seen. */
int runs_recover(struct store *store, struct error *error)
{
    return database_run(&store->database, error, NULL,
                        "UPDATE run SET ended_why = ?, ended_us = max(started_us, coalesce("
                        " (SELECT max(p.started_us + CAST((coalesce(p.ended_s, p.last_s, 0)"
                        "   - coalesce(p.onset_s, 0)) * 1e6 AS INTEGER))"
                        "  FROM power_up p WHERE p.run_id = run.id), 0))"
                        " WHERE ended_us IS NULL",
                        "t", RUN_STOPPED) < 0
               ? -1
               : 0;
}

/* --- reading --- */

const struct shape run_shape[] = {
    {"id", id_column},         {"supply", text_column},
    {"unit", text_column},     {"work_order", id_column},
    {"stage", text_column},    {"tag", text_column},
    {"wanted", whole_column},  {"done", whole_column},
    {"good", whole_column},    {"bad", whole_column},
    {"unsure", whole_column},  {"off_s", number_column},
    {"on_s", number_column},   {"stop_on", text_column},
    {"switched", text_column}, {"started_at", time_column},
    {"ended_at", time_column}, {"ended_why", text_column},
    {"left_s", number_column}, {NULL, NULL},
};

#define OF_RUN "FROM power_up p WHERE p.run_id = r.id AND p.unit_id IS r.unit_id"
#define COUNT_OF_RUN "(SELECT count(*) " OF_RUN " AND p.state <> 'open'"

const char run_select[] =
    "SELECT r.id, r.supply, u.serial, r.work_order_id, r.stage, r.tag, r.wanted, " COUNT_OF_RUN
    "), " COUNT_OF_RUN " AND p.verdict_word = 'good'), " COUNT_OF_RUN
    " AND p.verdict_word = 'bad'), " COUNT_OF_RUN " AND p.verdict_word = 'unsure'),"
    " r.off_s, r.on_s, r.stop_on, r.switched, r.started_us, r.ended_us, r.ended_why, NULL"
    " FROM run r LEFT JOIN unit u ON u.id = r.unit_id";

static int add_power_ups(struct store_reader *reader, int64_t id, json_t *item, struct error *error)
{
    sqlite3_stmt *statement =
        database_query(&reader->database, error,
                       "SELECT p.id FROM run r, power_up p WHERE r.id = ? AND p.run_id = r.id"
                       " AND p.unit_id IS r.unit_id ORDER BY p.id",
                       "i", id);
    json_t *ids = json_array();
    int status = statement && ids ? 0 : -1;
    while (status >= 0 && (status = database_step(&reader->database, statement, error)) == 1)
        if (json_array_append_new(ids, id_column(statement, 0)) != 0)
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    sqlite3_finalize(statement);
    if (status == 0 && json_object_set(item, "power_ups", ids) != 0)
        status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    json_decref(ids);
    return status;
}

json_t *store_run(struct store_reader *reader, int64_t id, bool with_power_ups, struct error *error)
{
    char sql[2000];
    snprintf(sql, sizeof sql, "%s WHERE r.id = ?", run_select);
    json_t *rows =
        shape_rows(&reader->database, database_query(&reader->database, error, sql, "i", id),
                   run_shape, error);
    if (!rows)
        return NULL;
    json_t *first = json_array_get(rows, 0);
    json_t *item = first ? json_incref(first) : json_null();
    json_decref(rows);
    if (first && with_power_ups && add_power_ups(reader, id, item, error) != 0) {
        json_decref(item);
        return NULL;
    }
    return item;
}

int store_run_standing(struct store_reader *reader, int64_t id, struct run_standing *standing,
                       struct error *error)
{
    *standing = (struct run_standing){0};
    /* The other columns are of the row with the greatest id. */
    sqlite3_stmt *statement = database_query(
        &reader->database, error,
        "SELECT count(*), count(*) FILTER (WHERE state <> 'open'),"
        " count(*) FILTER (WHERE verdict_word = 'bad'), state <> 'open', ended_s IS NULL,"
        " started_us, max(id) FROM power_up WHERE run_id = ?",
        "i", id);
    if (!statement)
        return -1;
    int status = database_step(&reader->database, statement, error);
    if (status == 1) {
        standing->begun = sqlite3_column_int(statement, 0);
        standing->done = sqlite3_column_int(statement, 1);
        standing->bad = sqlite3_column_int(statement, 2);
        if (standing->begun > 0) {
            standing->newest_watched = sqlite3_column_int(statement, 3) != 0;
            standing->newest_on = sqlite3_column_int(statement, 4) != 0;
            standing->newest_started_us = sqlite3_column_int64(statement, 5);
        }
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}
