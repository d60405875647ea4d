/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Notes, meter readings and photos of a work order: put, and struck.
 */
#include "record/record_chain.h"
#include "store/order_private.h"
#include "store/orders.h"

#include "base/clock.h"

#include <gnutls/crypto.h>
#include <gnutls/gnutls.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const tables[] = {"note", "meter_reading", "photo"};
static const char *const names[] = {"note", "meter reading", "photo"};

/* The order may be added to, and has this stage; it goes on to it. */
static int enter(struct store *store, int64_t order, const json_t *asked, const char *stage,
                 struct error *error)
{
    if (order_allow_change(store, order, asked, error) != 0 ||
        order_check_stage(store, order, stage, error) != 0)
        return -1;
    return order_move_on(store, order, stage, error);
}

static int insert_note(struct store *store, int64_t order, const json_t *note, struct error *error)
{
    const char *text = NULL;
    if (json_text_field(note, "text", true, LONGEST_TEXT, &text, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO note (work_order_id, stage, text, hand, at_us)"
                        " VALUES (?, ?, ?, ?, ?)",
                        "ietei", order, json_text(note, "stage"), text, json_text(note, "hand"),
                        clock_wall_us());
}

static int insert_meter_reading(struct store *store, int64_t order, const json_t *reading,
                                struct error *error)
{
    const char *what = NULL;
    const char *unit = NULL;
    const json_t *value = json_object_get(reading, "value");
    if (json_text_field(reading, "what", true, LONGEST_NAME, &what, error) != 0 ||
        json_text_field(reading, "unit", false, LONGEST_STAGE, &unit, error) != 0)
        return -1;
    if (!json_is_number(value))
        return error_set(error, EXIT_BAD_DATA, "value", 0, "a number", "found something else");
    return database_run(&store->database, error, NULL,
                        "INSERT INTO meter_reading (work_order_id, stage, before_power, what,"
                        " value, unit, hand, at_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                        "ieitdtei", order, json_text(reading, "stage"),
                        (int64_t)json_is_true(json_object_get(reading, "before_power")), what,
                        json_number_value(value), unit, json_text(reading, "hand"),
                        clock_wall_us());
}

static int put_slip(struct store *store, enum slip kind, int64_t order, const json_t *slip,
                    int64_t *id, struct error *error)
{
    const char *stage = NULL;
    if (json_text_field(slip, "stage", false, LONGEST_STAGE, &stage, error) != 0 ||
        enter(store, order, slip, stage, error) != 0)
        return -1;
    int status = kind == SLIP_NOTE ? insert_note(store, order, slip, error)
                                   : insert_meter_reading(store, order, slip, error);
    if (status < 0)
        return -1;
    *id = sqlite3_last_insert_rowid(store->database.connection);
    return 0;
}

int store_put_slip(struct store *store, enum slip kind, int64_t order, const json_t *slip,
                   int64_t *id, struct error *error)
{
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int64_t made = 0;
    int status =
        store_end_transaction(store, put_slip(store, kind, order, slip, &made, error), error);
    if (status == 0)
        *id = made;
    return status;
}

/* --- photos --- */

/* By how it begins: ISO/IEC 10918-1 annex B (SOI, then a marker), ISO/IEC 15948
 * 5.2, RFC 9649 2. NULL: none of the three. */
static const char *media_type_of(const unsigned char *bytes, size_t size)
{
    static const unsigned char jpeg[] = {0xFF, 0xD8, 0xFF};
    static const unsigned char png[] = {0x89, 'P', 'N', 'G', 0x0D, 0x0A, 0x1A, 0x0A};
    if (size > sizeof jpeg && memcmp(bytes, jpeg, sizeof jpeg) == 0)
        return "image/jpeg";
    if (size > sizeof png && memcmp(bytes, png, sizeof png) == 0)
        return "image/png";
    if (size > 12 && memcmp(bytes, "RIFF", 4) == 0 && memcmp(bytes + 8, "WEBP", 4) == 0)
        return "image/webp";
    return NULL;
}

static int hash_of(const void *bytes, size_t size, char hash[RECORD_HASH_ROOM], struct error *error)
{
    unsigned char sum[32];
    if (gnutls_hash_fast(GNUTLS_DIG_SHA256, bytes, size, sum) < 0)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "a photo cannot be hashed");
    for (size_t i = 0; i < sizeof sum; i++)
        snprintf(hash + 2 * i, 3, "%02x", sum[i]);
    return 0;
}

static int check_room(struct store *store, int64_t order, struct error *error)
{
    int64_t count = 0;
    if (database_run(&store->database, error, &count,
                     "SELECT count(*) FROM photo WHERE work_order_id = ?", "i", order) < 0)
        return -1;
    return count < PHOTOS_MOST ? 0
                               : error_set(error, EXIT_USAGE, NULL, 0, NULL,
                                           "work order %lld has %d photos, and takes no more",
                                           (long long)order, PHOTOS_MOST);
}

static int put_photo(struct store *store, int64_t order, const char *stage, const char *media_type,
                     const void *bytes, size_t size, struct error *error)
{
    char hash[RECORD_HASH_ROOM];
    if (enter(store, order, NULL, stage, error) != 0 || check_room(store, order, error) != 0 ||
        hash_of(bytes, size, hash, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "INSERT INTO photo (work_order_id, stage, media_type, sha256, bytes, at_us)"
                        " VALUES (?, ?, ?, ?, ?, ?)",
                        "iettbi", order, stage, media_type, hash, bytes, size, clock_wall_us()) < 0
               ? -1
               : 0;
}

int store_put_photo(struct store *store, int64_t order, const char *stage, const void *bytes,
                    size_t size, int64_t *id, struct error *error)
{
    const char *media_type = media_type_of(bytes, size);
    if (size > PHOTO_MOST_BYTES)
        return error_set(error, EXIT_BAD_DATA, "photo", 0, "at most 2 MiB", "found %zu bytes",
                         size);
    if (!media_type)
        return error_set(error, EXIT_BAD_DATA, "photo", 0, "a JPEG, PNG or WebP image",
                         "found something else");
    if (store_begin_transaction(store, error) != 0)
        return -1;
    int status = put_photo(store, order, stage, media_type, bytes, size, error);
    int64_t made = sqlite3_last_insert_rowid(store->database.connection);
    status = store_end_transaction(store, status, error);
    if (status == 0)
        *id = made;
    return status;
}

/* --- striking --- */

static int strike(struct store *store, enum slip kind, int64_t id, const json_t *asked,
                  struct error *error)
{
    char sql[160];
    int64_t order = 0;
    snprintf(sql, sizeof sql, "SELECT work_order_id FROM %s WHERE id = ?", tables[kind]);
    int found = database_run(&store->database, error, &order, sql, "i", id);
    if (found < 0)
        return -1;
    if (found == 0)
        return error_set(error, EXIT_NO_INPUT, "id", 0, NULL, "there is no %s %lld", names[kind],
                         (long long)id);
    if (order_allow_change(store, order, asked, error) != 0)
        return -1;
    snprintf(sql, sizeof sql, "SELECT 1 FROM %s WHERE id = ? AND struck_us IS NOT NULL",
             tables[kind]);
    found = database_run(&store->database, error, NULL, sql, "i", id);
    if (found < 0)
        return -1;
    if (found > 0)
        return error_set(error, EXIT_USAGE, NULL, 0, NULL, "%s %lld is struck already", names[kind],
                         (long long)id);
    snprintf(sql, sizeof sql, "UPDATE %s SET struck_us = ?, struck_why = ? WHERE id = ?",
             tables[kind]);
    return database_run(&store->database, error, NULL, sql, "iti", clock_wall_us(),
                        json_text(asked, "why"), id) < 0
               ? -1
               : 0;
}

int store_strike(struct store *store, enum slip kind, int64_t id, const json_t *asked,
                 struct error *error)
{
    const char *why = NULL;
    if (json_text_field(asked, "why", true, LONGEST_TEXT, &why, error) != 0 ||
        store_begin_transaction(store, error) != 0)
        return -1;
    return store_end_transaction(store, strike(store, kind, id, asked, error), error);
}
