/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/records.h"

#include "base/clock.h"
#include "record/record_chain.h"
#include "store/store_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int read_last(struct store *store, int64_t *number, char hash[RECORD_HASH_ROOM],
                     struct error *error)
{
    *number = 0;
    hash[0] = '\0';
    sqlite3_stmt *statement =
        database_query(&store->database, error,
                       "SELECT number, sha256 FROM record ORDER BY number DESC LIMIT 1", "");
    if (!statement)
        return -1;
    int status = database_step(&store->database, statement, error);
    if (status == 1) {
        *number = sqlite3_column_int64(statement, 0);
        snprintf(hash, RECORD_HASH_ROOM, "%s", database_text(statement, 1));
    }
    sqlite3_finalize(statement);
    return status < 0 ? -1 : 0;
}

/* It was composed from what was kept before; what another hand wrote meanwhile
 * would be left out of it. */
static int check_newest(struct store *store, int64_t work_order, int64_t corrects,
                        struct error *error)
{
    int64_t newest = 0;
    if (database_run(&store->database, error, &newest,
                     "SELECT coalesce(max(id), 0) FROM record WHERE work_order_id = ?", "i",
                     work_order) < 0)
        return -1;
    if (newest == corrects)
        return 0;
    return error_set(error, EXIT_USAGE, NULL, 0, "it to be asked for again",
                     "another record of work order %lld was written meanwhile",
                     (long long)work_order);
}

int store_add_record(struct store *store, int64_t work_order, int64_t corrects, json_t *content,
                     int64_t *id, struct error *error)
{
    int64_t number = 0;
    char previous[RECORD_HASH_ROOM];
    char hash[RECORD_HASH_ROOM];
    if (check_newest(store, work_order, corrects, error) != 0 ||
        read_last(store, &number, previous, error) != 0)
        return -1;
    number++;
    char *text = json_object_set_new(content, "number", json_integer(number)) == 0
                     ? record_canonical(content)
                     : NULL;
    if (!text || record_hash(previous, text, hash) != 0) {
        free(text);
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "a record cannot be hashed");
    }
    int status = database_run(&store->database, error, NULL,
                              "INSERT INTO record (work_order_id, corrects_id, number, content,"
                              " sha256, previous_sha256, at_us)"
                              " VALUES (?, nullif(?, 0), ?, ?, ?, ?, ?)",
                              "iiittti", work_order, corrects, number, text, hash, previous,
                              clock_wall_us());
    free(text);
    if (status < 0)
        return -1;
    *id = sqlite3_last_insert_rowid(store->database.connection);
    return 0;
}

int store_put_record(struct store *store, int64_t work_order, int64_t corrects, json_t *content,
                     int64_t *id, struct error *error)
{
    int64_t made = 0;
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = store_add_record(store, work_order, corrects, content, &made, error);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}

/* --- reading --- */

#define RECORD_SELECT                                                                              \
    "SELECT r.id, r.number, r.work_order_id, u.serial, r.sha256, r.previous_sha256, r.at_us,"      \
    " r.corrects_id, (SELECT max(c.id) FROM record c WHERE c.corrects_id = r.id), r.content"       \
    " FROM record r JOIN work_order w ON w.id = r.work_order_id JOIN unit u ON u.id = w.unit_id "

static json_t *id_json(sqlite3_stmt *row, int column)
{
    if (sqlite3_column_type(row, column) == SQLITE_NULL)
        return json_null();
    return json_sprintf("%lld", (long long)sqlite3_column_int64(row, column));
}

static json_t *item_json(sqlite3_stmt *row)
{
    char at[25];
    return json_pack("{s:o, s:I, s:o, s:s, s:s, s:s, s:s, s:o, s:o}", "id", id_json(row, 0),
                     "number", (json_int_t)sqlite3_column_int64(row, 1), "work_order",
                     id_json(row, 2), "unit", database_text(row, 3), "sha256",
                     database_text(row, 4), "previous_sha256", database_text(row, 5), "at",
                     clock_rfc3339(sqlite3_column_int64(row, 6), at), "corrects", id_json(row, 7),
                     "corrected_by", id_json(row, 8));
}

static int add_content(json_t *item, sqlite3_stmt *row)
{
    const char *text = database_text(row, 9);
    json_t *content = json_loads(text, 0, NULL);
    if (!content)
        content = json_null();
    int status = json_object_set_new(item, "content", content);
    return status == 0 ? json_object_set_new(item, "content_text", json_string(text)) : status;
}

json_t *store_record(struct store_reader *reader, int64_t id, bool whole, struct error *error)
{
    sqlite3_stmt *row =
        database_query(&reader->database, error, RECORD_SELECT "WHERE r.id = ?", "i", id);
    if (!row)
        return NULL;
    json_t *item = NULL;
    int status = database_step(&reader->database, row, error);
    if (status == 0)
        item = json_null();
    if (status == 1) {
        item = item_json(row);
        if (!item || (whole && add_content(item, row) != 0)) {
            json_decref(item);
            item = NULL;
            error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        }
    }
    sqlite3_finalize(row);
    return item;
}

json_t *store_list_records(struct store_reader *reader, const struct store_filter *filter,
                           struct error *error)
{
    const char *order = filter->work_order ? filter->work_order : "";
    const char *unit = filter->unit ? filter->unit : "";
    sqlite3_stmt *row =
        database_query(&reader->database, error,
                       RECORD_SELECT "WHERE r.id < ? AND (?2 = '' OR CAST(w.id AS TEXT) = ?2)"
                                     " AND (?3 = '' OR u.serial = ?3) ORDER BY r.id DESC LIMIT ?4",
                       "itti", filter->before ? filter->before : INT64_MAX, order, unit,
                       (int64_t)filter->limit + 1);
    if (!row)
        return NULL;
    json_t *items = json_array();
    json_t *next = json_null();
    int status = 0;
    while ((status = database_step(&reader->database, row, error)) == 1) {
        size_t count = json_array_size(items);
        if (count == (size_t)filter->limit) {
            next = json_incref(json_object_get(json_array_get(items, count - 1), "id"));
            break;
        }
        if (json_array_append_new(items, item_json(row)) != 0) {
            status = error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
            break;
        }
    }
    sqlite3_finalize(row);
    if (status >= 0)
        return json_pack("{s:o, s:o}", "items", items, "next", next);
    json_decref(items);
    json_decref(next);
    return NULL;
}

int store_check_records(struct store_reader *reader, int64_t *count, struct error *error)
{
    struct record_chain chain = {0};
    *count = 0;
    sqlite3_stmt *row = database_query(
        &reader->database, error,
        "SELECT number, content, previous_sha256, sha256 FROM record ORDER BY number", "");
    if (!row)
        return -1;
    int status = 0;
    while ((status = database_step(&reader->database, row, error)) == 1) {
        struct record_link link = {sqlite3_column_int64(row, 0), database_text(row, 1),
                                   database_text(row, 2), database_text(row, 3)};
        if (*count == 0 && link.number != 1)
            status = error_set(error, EXIT_BAD_DATA, "record 1", 0, "record 1",
                               "is missing: the first is record %lld", (long long)link.number);
        else
            status = record_chain_take(&chain, &link, error);
        if (status != 0)
            break;
        ++*count;
    }
    sqlite3_finalize(row);
    return status < 0 ? -1 : 0;
}
