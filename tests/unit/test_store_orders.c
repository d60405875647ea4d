/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The repair in the store: settings, intake, work orders, slips, moves, heat.
 */
#include "store/orders.h"

#include "base/clock.h"
#include "store/database.h"

#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char directory[256];
static struct store *store;
static struct store_reader *reader;
static struct error error;

static int set_up(void **state)
{
    (void)state;
    scratch_make(directory, sizeof directory);
    error = (struct error){0};
    store = store_open(directory, &error);
    assert_non_null(store);
    reader = store_reader_open(directory, &error);
    assert_non_null(reader);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    store_reader_close(reader);
    store_close(store);
    scratch_remove(directory);
    return 0;
}

static json_t *json(const char *text)
{
    json_error_t why;
    json_t *value = json_loads(text, JSON_DECODE_ANY, &why);
    if (!value)
        fail_msg("%s: %s", text, why.text);
    return value;
}

/* A value inside an item, by keys and places: "notes/0/text". */
static void assert_at(const json_t *item, const char *path, const char *expected)
{
    char copy[200];
    snprintf(copy, sizeof copy, "%s", path);
    char *rest = NULL;
    for (char *key = strtok_r(copy, "/", &rest); key; key = strtok_r(NULL, "/", &rest))
        item = json_is_array(item) ? json_array_get(item, strtoul(key, NULL, 10))
                                   : json_object_get(item, key);
    json_t *wanted = json(expected);
    if (!item || !json_equal(item, wanted)) {
        char *found = item ? json_dumps(item, JSON_ENCODE_ANY) : NULL;
        fail_msg("%s is %s, expected %s", path, found ? found : "missing", expected);
    }
    json_decref(wanted);
}

static json_t *get(enum store_kind kind, int64_t id)
{
    json_t *item = store_get(reader, kind, id, false, &error);
    if (!item)
        fail_msg("%s", error.found);
    return item;
}

static int64_t number(const char *sql)
{
    struct database database;
    int64_t found = -1;
    assert_int_equal(database_open_reader(&database, directory, &error), 0);
    assert_true(database_run(&database, &error, &found, sql, "") >= 0);
    database_close(&database);
    return found;
}

/* The whole file as a number of rows: nothing half-written was left. */
static int64_t rows(void)
{
    return number("SELECT (SELECT count(*) FROM unit) + (SELECT count(*) FROM module_type)"
                  " + (SELECT count(*) FROM work_order) + (SELECT count(*) FROM on_bench)"
                  " + (SELECT count(*) FROM note) + (SELECT count(*) FROM meter_reading)"
                  " + (SELECT count(*) FROM photo) + (SELECT count(*) FROM power_up_move)"
                  " + (SELECT count(*) FROM setting)");
}

static void refused(int status, enum exit_status why, const char *field)
{
    assert_int_equal(status, -1);
    assert_int_equal(error.status, why);
    if (field)
        assert_string_equal(error.file, field);
    error = (struct error){0};
}

static struct intake take_in(const char *text)
{
    struct intake intake = {0};
    json_t *what = json(text);
    if (store_take_in(store, "left", what, &intake, &error) != 0)
        fail_msg("%s: %s", error.file, error.found);
    json_decref(what);
    return intake;
}

static int try_in(const char *text)
{
    struct intake intake = {0};
    json_t *what = json(text);
    int status = store_take_in(store, "left", what, &intake, &error);
    json_decref(what);
    assert_true(status == 0 || (intake.unit == 0 && intake.work_order == 0));
    return status;
}

static int on_order(int (*function)(struct store *, int64_t, const json_t *, struct error *),
                    int64_t id, const char *text)
{
    json_t *value = json(text);
    int status = function(store, id, value, &error);
    json_decref(value);
    return status;
}

static int tag(int64_t id, const char *text)
{
    return on_order(store_tag_power_up, id, text);
}

static int put(enum slip kind, int64_t order, const char *text, int64_t *id)
{
    json_t *slip = json(text);
    int status = store_put_slip(store, kind, order, slip, id, &error);
    json_decref(slip);
    return status;
}

static int strike(enum slip kind, int64_t id, const char *text)
{
    json_t *asked = json(text);
    int status = store_strike(store, kind, id, asked, &error);
    json_decref(asked);
    return status;
}

static const char good[] = "{\"verdict\":\"good\",\"final\":true,\"decided_at_s\":2.5,"
                           "\"onset_s\":0.5,\"final_draw_A\":0.4,\"reasons\":[]}";

/* A power-up of what is on the bench, judged as the text says; ended. */
static int64_t power_up(const char *verdict_text, int64_t started_us)
{
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    struct reading readings[4];
    for (int i = 0; i < 4; i++) {
        readings[i] =
            (struct reading){.time_s = 0.5 * i, .voltage_V = 24, .current_A = 0.4, .valid = true};
        reading_quantise(&readings[i]);
    }
    int64_t id = 0;
    json_t *verdict = json(verdict_text);
    assert_int_equal(store_begin_power_up(store, "left", started_us, &on_bench, "scpi", readings, 4,
                                          &id, &error),
                     0);
    assert_int_equal(
        store_finish_power_up(store, id, STATE_COMPLETE, verdict, 1, NULL, NULL, 0, &error), 0);
    assert_int_equal(store_end_on_time(store, id, 10.5, "output off", &error), 0);
    json_decref(verdict);
    return id;
}

static void test_settings(void **state)
{
    (void)state;
    json_t *settings = store_settings(reader, &error);
    assert_at(settings, "warranty_days", "365");
    assert_at(settings, "ask_after_min", "20");
    assert_at(settings, "page_gone_s", "60");
    assert_at(settings, "stages/1", "\"heat check\"");
    assert_at(settings, "check_standard", "null");
    json_decref(settings);
    json_t *change = json("{\"warranty_days\": 180, \"shop\": {\"name\": \"Harbour Lane\","
                          " \"lines\": [\"Quay 4\"]}, \"check_standard\": {\"serial\": \"CS-1\"}}");
    assert_int_equal(store_put_settings(store, change, &error), 0);
    json_decref(change);
    settings = store_settings(reader, &error);
    assert_at(settings, "warranty_days", "180");
    assert_at(settings, "shop/lines/0", "\"Quay 4\"");
    assert_at(settings, "ask_after_min", "20");
    json_decref(settings);
    static const char *const wrong[][2] = {
        {"stages", "{\"warranty_days\": 1, \"stages\": []}"},
        {"stages", "{\"stages\": [\"a\", \"a\"]}"},
        {"stages", "{\"stages\": [\"a\", 7]}"},
        {"warranty_days", "{\"warranty_days\": -1}"},
        {"warranty_days", "{\"warranty_days\": 1.5}"},
        {"check_every_h", "{\"check_every_h\": 0}"},
        {"ask_after_min", "{\"ask_after_min\": \"20\"}"},
        {"page_gone_s", "{\"page_gone_s\": 3601}"},
        {"page_gone_s", "{\"page_gone_s\": -1}"},
        {"resistors", "{\"resistors\": [{\"ohm\": 0, \"tolerance_percent\": 1}]}"},
        {"resistors", "{\"resistors\": [{\"ohm\": 47}]}"},
        {"check_standard", "{\"check_standard\": {\"serial\": \"\"}}"},
        {"shop", "{\"shop\": {\"name\": \"x\", \"colour\": \"red\"}}"},
        {"colour", "{\"colour\": \"red\"}"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        change = json(wrong[i][1]);
        refused(store_put_settings(store, change, &error), EXIT_BAD_DATA, wrong[i][0]);
        json_decref(change);
    }
    settings = store_settings(reader, &error);
    assert_at(settings, "warranty_days", "180");
    json_decref(settings);
    change = json("{\"warranty_days\": null}");
    assert_int_equal(store_put_settings(store, change, &error), 0);
    json_decref(change);
    settings = store_settings(reader, &error);
    assert_at(settings, "warranty_days", "365");
    json_decref(settings);
}

static void test_intake(void **state)
{
    (void)state;
    refused(try_in("{\"serial\": \"HL-1\"}"), EXIT_BAD_DATA, "module_type");
    refused(try_in("{\"serial\": \" \\t\", \"module_type\": \"pump\"}"), EXIT_BAD_DATA, "serial");
    assert_int_equal(rows(), 0);
    struct intake first = take_in("{\"serial\": \"  HL-1\\t\", \"module_type\": \"pump\","
                                  " \"revision\": \"C\", \"complaint\": \"dead\\nafter rain\"}");
    assert_true(first.made_unit && first.made_work_order);
    json_t *order = get(STORE_WORK_ORDERS, first.work_order);
    assert_at(order, "unit", "\"HL-1\"");
    assert_at(order, "stage", "\"intake\"");
    assert_at(order, "complaint", "\"dead\\nafter rain\"");
    assert_at(order, "verdicts", "{}");
    json_decref(order);
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.unit, "HL-1");
    assert_string_equal(on_bench.module_type, "pump");
    assert_string_equal(on_bench.revision, "C");
    assert_string_equal(on_bench.set_up, "");
    assert_string_equal(on_bench.stage, "intake");
    assert_true(on_bench.confirmed_us > 0);
    /* Scanned again: the same, with what is new of it, at the stage it is at. */
    snprintf(on_bench.stage, sizeof on_bench.stage, "after rework");
    assert_int_equal(store_put_on_bench(store, "left", &on_bench, &error), 0);
    struct intake again = take_in("{\"serial\": \"HL-1\", \"set_up\": \"loom 2\","
                                  " \"complaint\": \"\", \"cells\": \"CR2032\"}");
    assert_false(again.made_unit || again.made_work_order);
    assert_int_equal(again.work_order, first.work_order);
    order = get(STORE_WORK_ORDERS, first.work_order);
    assert_at(order, "complaint", "\"dead\\nafter rain\"");
    assert_at(order, "cells", "\"CR2032\"");
    assert_at(order, "stage", "\"after rework\"");
    json_decref(order);
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.stage, "after rework");
    assert_string_equal(on_bench.set_up, "loom 2");
    /* A stage of another's list is refused, and so is a work order that is closed. */
    snprintf(on_bench.stage, sizeof on_bench.stage, "painting");
    refused(store_put_on_bench(store, "left", &on_bench, &error), EXIT_BAD_DATA, "stage");
    /* A unit's new type and set-up are those on the bench, too. */
    assert_int_equal(
        on_order(store_change_unit, first.unit, "{\"module_type\": \"winch\", \"set_up\": null}"),
        0);
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.module_type, "winch");
    assert_string_equal(on_bench.revision, "C");
    assert_string_equal(on_bench.set_up, "");
    refused(on_order(store_change_unit, 99, "{}"), EXIT_NO_INPUT, NULL);
}

static void test_a_work_order_to_its_warranty(void **state)
{
    (void)state;
    struct intake in = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    /* Only the keys given change; null takes away. */
    assert_int_equal(on_order(store_change_work_order, in.work_order,
                              "{\"complaint\": \"dead\", \"condition\": \"wet\"}"),
                     0);
    assert_int_equal(on_order(store_change_work_order, in.work_order,
                              "{\"customer_reference\": \"order 77/a\", \"condition\": null}"),
                     0);
    json_t *order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "complaint", "\"dead\"");
    assert_at(order, "condition", "null");
    json_decref(order);
    /* A refused key leaves the others of the same request, too. */
    refused(on_order(store_change_work_order, in.work_order,
                     "{\"stages\": [\"only\"], \"complaint\": \"changed\"}"),
            EXIT_BAD_DATA, "stages");
    refused(on_order(store_change_work_order, 99, "{}"), EXIT_NO_INPUT, NULL);
    order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "complaint", "\"dead\"");
    json_decref(order);
    assert_int_equal(on_order(store_change_work_order, in.work_order,
                              "{\"stages\": [\"intake\", \"drying\", \"final\"]}"),
                     0);
    refused(on_order(store_close_work_order, in.work_order, "{\"outcome\": \"repaired\"}"),
            EXIT_BAD_DATA, "hand");
    refused(on_order(store_close_work_order, in.work_order,
                     "{\"outcome\": \"mended\", \"hand\": \"ab\"}"),
            EXIT_BAD_DATA, "outcome");
    refused(on_order(store_close_work_order, in.work_order, "{\"hand\": \"ab\"}"), EXIT_BAD_DATA,
            "outcome");
    refused(on_order(store_close_work_order, in.work_order,
                     "{\"outcome\": \"nothing found\", \"hand\": \"ab\"}"),
            EXIT_BAD_DATA, "outcome");
    /* Nothing of what was refused was kept. */
    order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "hand", "null");
    assert_at(order, "closed_at", "null");
    json_decref(order);
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    snprintf(on_bench.stage, sizeof on_bench.stage, "final");
    assert_int_equal(store_put_on_bench(store, "left", &on_bench, &error), 0);
    int64_t shipped = power_up(good, clock_wall_us());
    assert_int_equal(on_order(store_close_work_order, in.work_order,
                              "{\"outcome\": \"repaired\", \"hand\": \"ab\","
                              " \"found_cause\": \"cracked joint at the crystal\"}"),
                     0);
    refused(on_order(store_close_work_order, in.work_order,
                     "{\"outcome\": \"repaired\", \"hand\": \"ab\"}"),
            EXIT_USAGE, NULL);
    order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "outcome", "\"repaired\"");
    assert_at(order, "warranty_days", "365");
    assert_at(order, "found_cause", "\"cracked joint at the crystal\"");
    assert_at(order, "verdicts", "{\"final\": {\"good\": 1, \"bad\": 0, \"unsure\": 0}}");
    assert_at(order, "power_ups", "1");
    json_decref(order);
    json_t *unit = get(STORE_UNITS, in.unit);
    assert_at(unit, "open_work_order", "null");
    assert_at(unit, "warranty/work_order", "\"1\"");
    assert_at(unit, "warranty/days_left", "365");
    char wanted[80];
    snprintf(wanted, sizeof wanted, "{\"work_order\": \"1\", \"power_ups\": [\"%lld\"]}",
             (long long)shipped);
    assert_at(unit, "shipped", wanted);
    assert_at(unit, "work_orders/0/id", "\"1\"");
    json_decref(unit);
    /* It is off the bench, and cannot be put on closed. */
    snprintf(on_bench.work_order, sizeof on_bench.work_order, "1");
    refused(store_put_on_bench(store, "left", &on_bench, &error), EXIT_BAD_DATA, "work_order");
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.work_order, "");
    assert_string_equal(on_bench.unit, "");
    /* It comes back: a new work order, under warranty. */
    struct intake back = take_in("{\"serial\": \"HL-1\"}");
    assert_true(back.made_work_order && !back.made_unit);
    assert_int_equal(store_reopen_work_order(store, in.work_order, "typed wrongly", &error), 0);
    refused(store_reopen_work_order(store, in.work_order, "again", &error), EXIT_USAGE, NULL);
    refused(store_reopen_work_order(store, in.work_order, "", &error), EXIT_BAD_DATA, "why");
    order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "closed_at", "null");
    assert_at(order, "outcome", "null");
    assert_at(order, "notes/0/text", "\"Opened again: typed wrongly\"");
    json_decref(order);
}

/* Once its days are over there is no warranty. */
static void test_a_warranty_runs_out(void **state)
{
    (void)state;
    struct intake in = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    assert_int_equal(on_order(store_close_work_order, in.work_order,
                              "{\"outcome\": \"repaired\", \"hand\": \"ab\","
                              " \"warranty_days\": 10}"),
                     0);
    static const int64_t day_us = (int64_t)86400 * 1000000;
    static const struct {
        int64_t ago_us;
        const char *left;
    } rows_of[] = {{0, "10"}, {86400000000 / 2, "10"}, {9 * 86400000000, "1"}};
    for (int i = 0; i < 4; i++) {
        char sql[120];
        struct database database;
        assert_int_equal(database_open_writer(&database, directory, &error), 0);
        int64_t ago_us = i < 3 ? rows_of[i].ago_us : 10 * day_us;
        snprintf(sql, sizeof sql, "UPDATE work_order SET closed_us = %lld",
                 (long long)(clock_wall_us() - ago_us));
        assert_int_equal(database_run(&database, &error, NULL, sql, ""), 0);
        database_close(&database);
        json_t *unit = get(STORE_UNITS, in.unit);
        if (i < 3)
            assert_at(unit, "warranty/days_left", rows_of[i].left);
        else
            assert_at(unit, "warranty", "null");
        json_decref(unit);
    }
}

static void test_slips(void **state)
{
    (void)state;
    struct intake in = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    int64_t before = rows();
    int64_t id = 0;
    refused(put(SLIP_NOTE, in.work_order, "{\"stage\": \"painting\", \"text\": \"x\"}", &id),
            EXIT_BAD_DATA, "stage");
    refused(put(SLIP_NOTE, in.work_order, "{\"stage\": \"intake\", \"text\": \"\"}", &id),
            EXIT_BAD_DATA, "text");
    refused(put(SLIP_NOTE, 99, "{\"text\": \"x\"}", &id), EXIT_NO_INPUT, NULL);
    refused(put(SLIP_METER_READING, in.work_order, "{\"what\": \"feed\", \"unit\": \"V\"}", &id),
            EXIT_BAD_DATA, "value");
    assert_int_equal(rows(), before);
    assert_int_equal(put(SLIP_METER_READING, in.work_order,
                         "{\"stage\": \"intake\", \"before_power\": true, \"what\": \"feed to"
                         " ground\", \"value\": 312, \"unit\": \"ohm\", \"hand\": \"ab\"}",
                         &id),
                     0);
    json_t *slip = store_slip(reader, SLIP_METER_READING, id, &error);
    assert_at(slip, "before_power", "true");
    assert_at(slip, "value", "312.0");
    assert_at(slip, "work_order", "\"1\"");
    json_decref(slip);
    /* A note at a later stage takes the order there; one at an earlier does not. */
    assert_int_equal(
        put(SLIP_NOTE, in.work_order, "{\"stage\": \"after cleaning\", \"text\": \"a\"}", &id), 0);
    assert_int_equal(
        put(SLIP_NOTE, in.work_order, "{\"stage\": \"after rework\", \"text\": \"b\"}", &id), 0);
    json_t *order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "stage", "\"after cleaning\"");
    assert_at(order, "notes/1/text", "\"b\"");
    assert_at(order, "meter_readings/0/unit", "\"ohm\"");
    json_decref(order);
    refused(strike(SLIP_NOTE, id, "{\"why\": \"\"}"), EXIT_BAD_DATA, "why");
    refused(strike(SLIP_NOTE, 99, "{\"why\": \"x\"}"), EXIT_NO_INPUT, NULL);
    assert_int_equal(strike(SLIP_NOTE, id, "{\"why\": \"the other unit's\"}"), 0);
    refused(strike(SLIP_NOTE, id, "{\"why\": \"again\"}"), EXIT_USAGE, NULL);
    order = get(STORE_WORK_ORDERS, in.work_order);
    assert_at(order, "notes/1/struck_why", "\"the other unit's\"");
    assert_at(order, "notes/1/text", "\"b\"");
    assert_at(order, "notes/0/struck_at", "null");
    json_decref(order);
}

static void test_photos(void **state)
{
    (void)state;
    struct intake in = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    static const unsigned char jpeg[] = {0xFF, 0xD8, 0xFF, 0xE0, 'a', 'b', 'c'};
    int64_t id = 0;
    refused(store_put_photo(store, in.work_order, "intake", "GIF89a", 6, &id, &error),
            EXIT_BAD_DATA, "photo");
    refused(store_put_photo(store, in.work_order, "intake", jpeg, 3, &id, &error), EXIT_BAD_DATA,
            "photo");
    char *large = calloc(1, PHOTO_MOST_BYTES + 1);
    memcpy(large, jpeg, sizeof jpeg);
    refused(
        store_put_photo(store, in.work_order, "intake", large, PHOTO_MOST_BYTES + 1, &id, &error),
        EXIT_BAD_DATA, "photo");
    refused(store_put_photo(store, in.work_order, "painting", jpeg, sizeof jpeg, &id, &error),
            EXIT_BAD_DATA, "stage");
    assert_int_equal(number("SELECT count(*) FROM photo"), 0);
    assert_int_equal(
        store_put_photo(store, in.work_order, "intake", large, PHOTO_MOST_BYTES, &id, &error), 0);
    free(large);
    assert_int_equal(store_put_photo(store, in.work_order, "final", jpeg, sizeof jpeg, &id, &error),
                     0);
    struct photo photo;
    assert_int_equal(store_photo(reader, id, &photo, &error), 0);
    assert_string_equal(photo.media_type, "image/jpeg");
    assert_int_equal(photo.size, sizeof jpeg);
    assert_memory_equal(photo.bytes, jpeg, sizeof jpeg);
    /* By coreutils' sha256sum of the same seven bytes. */
    assert_string_equal(photo.sha256,
                        "964dbefaad551579b528d6dcd6d448aecba5f9017e9bf4c291c257aa10389b78");
    free(photo.bytes);
    refused(store_photo(reader, 99, &photo, &error), EXIT_NO_INPUT, NULL);
    for (int i = 2; i < PHOTOS_MOST; i++)
        assert_int_equal(store_put_photo(store, in.work_order, "", jpeg, sizeof jpeg, &id, &error),
                         0);
    refused(store_put_photo(store, in.work_order, "", jpeg, sizeof jpeg, &id, &error), EXIT_USAGE,
            NULL);
    json_t *order = get(STORE_WORK_ORDERS, in.work_order);
    assert_int_equal(json_array_size(json_object_get(order, "photos")), PHOTOS_MOST);
    assert_at(order, "photos/0/size_bytes", "2097152");
    assert_at(order, "stage", "\"final\"");
    json_decref(order);
}

static void test_moves(void **state)
{
    (void)state;
    struct intake wrong = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    int64_t id = power_up(good, clock_wall_us());
    struct intake right = take_in("{\"serial\": \"HL-2\", \"module_type\": \"pump\"}");
    int64_t before = rows();
    static const char *const bad[][2] = {
        {"why", "{\"unit\": \"HL-2\"}"},
        {"unit", "{\"unit\": \"HL-3\", \"why\": \"x\"}"},
        {"work_order", "{\"unit\": \"HL-2\", \"work_order\": \"1\", \"why\": \"x\"}"},
        {"work_order", "{\"unit\": \"HL-2\", \"work_order\": \"99\", \"why\": \"x\"}"},
        {"stage", "{\"unit\": \"HL-2\", \"work_order\": \"2\", \"stage\": \"no\", \"why\": \"x\"}"},
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        refused(on_order(store_move_power_up, id, bad[i][1]), EXIT_BAD_DATA, bad[i][0]);
    assert_int_equal(rows(), before);
    refused(on_order(store_move_power_up, 99, "{\"why\": \"x\"}"), EXIT_NO_INPUT, NULL);
    refused(on_order(store_move_power_up, id,
                     "{\"unit\": \"HL-1\", \"work_order\": \"1\", \"stage\": \"intake\","
                     " \"why\": \"x\"}"),
            EXIT_USAGE, NULL);
    assert_int_equal(on_order(store_move_power_up, id,
                              "{\"unit\": \"HL-2\", \"work_order\": \"2\", \"stage\":"
                              " \"after rework\", \"why\": \"not scanned\", \"hand\": \"ab\"}"),
                     0);
    assert_int_equal(on_order(store_move_power_up, id, "{\"why\": \"neither\"}"), 0);
    json_t *item = get(STORE_POWER_UPS, id);
    assert_at(item, "unit", "null");
    assert_at(item, "work_order", "null");
    assert_at(item, "moves/0/why", "\"not scanned\"");
    assert_at(item, "moves/0/hand", "\"ab\"");
    assert_at(item, "moves/0/from",
              "{\"unit\": \"HL-1\", \"work_order\": \"1\", \"stage\": \"intake\"}");
    assert_at(item, "moves/0/to",
              "{\"unit\": \"HL-2\", \"work_order\": \"2\", \"stage\": \"after rework\"}");
    assert_at(item, "moves/1/to", "{\"unit\": null, \"work_order\": null, \"stage\": null}");
    assert_at(item, "verdict/verdict", "\"good\"");
    json_decref(item);
    (void)wrong;
    (void)right;
}

/* What a record says is not changed behind its back. */
static void test_a_record_holds_its_work_order(void **state)
{
    (void)state;
    struct intake in = take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    int64_t id = power_up(good, clock_wall_us());
    assert_int_equal(on_order(store_close_work_order, in.work_order,
                              "{\"outcome\": \"repaired\", \"hand\": \"ab\"}"),
                     0);
    struct database database;
    assert_int_equal(database_open_writer(&database, directory, &error), 0);
    assert_int_equal(database_run(&database, &error, NULL,
                                  "INSERT INTO record (work_order_id, number, content, sha256,"
                                  " previous_sha256, at_us) VALUES (1, 1, '{}', '0', '0', 1)",
                                  ""),
                     0);
    database_close(&database);
    int64_t slip = 0;
    int64_t before = rows();
    refused(on_order(store_change_work_order, in.work_order, "{\"parts\": \"none\"}"), EXIT_USAGE,
            NULL);
    refused(on_order(store_move_power_up, id, "{\"why\": \"x\"}"), EXIT_USAGE, NULL);
    refused(tag(id, "{\"tag\": \"heat\"}"), EXIT_USAGE, NULL);
    refused(put(SLIP_NOTE, in.work_order, "{\"text\": \"x\"}", &slip), EXIT_USAGE, NULL);
    refused(store_reopen_work_order(store, in.work_order, "x", &error), EXIT_USAGE, NULL);
    assert_int_equal(rows(), before);
    json_t *item = get(STORE_POWER_UPS, id);
    assert_at(item, "unit", "\"HL-1\"");
    assert_at(item, "verdict/verdict", "\"good\"");
    json_decref(item);
}

static void assert_never_good(int64_t id)
{
    json_t *item = get(STORE_POWER_UPS, id);
    assert_at(item, "verdict/verdict", "\"unsure\"");
    assert_at(item, "verdict/final", "true");
    assert_at(item, "verdict/reasons/0/code", "\"under_heat\"");
    assert_at(item, "verdict/settle/0/code", "\"cold\"");
    assert_at(item, "verdict/final_draw_A", "0.4");
    assert_at(item, "reference_version", "1");
    json_decref(item);
}

static void test_under_heat_nothing_is_good(void **state)
{
    (void)state;
    take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    int64_t cold = power_up(good, clock_wall_us());
    snprintf(on_bench.tag, sizeof on_bench.tag, "heat");
    assert_int_equal(store_put_on_bench(store, "left", &on_bench, &error), 0);
    assert_never_good(power_up(good, clock_wall_us()));
    int64_t bad = power_up("{\"verdict\":\"bad\",\"reasons\":[{\"code\":\"late\"}]}", 1);
    json_t *item = get(STORE_POWER_UPS, bad);
    assert_at(item, "verdict/reasons/0/code", "\"late\"");
    assert_at(item, "tag", "\"heat\"");
    json_decref(item);
    on_bench.tag[0] = '\0';
    snprintf(on_bench.stage, sizeof on_bench.stage, "heat check");
    assert_int_equal(store_put_on_bench(store, "left", &on_bench, &error), 0);
    assert_never_good(power_up(good, clock_wall_us()));
    /* Nor by being moved or tagged later, nor when the tag is taken away. */
    item = get(STORE_POWER_UPS, cold);
    assert_at(item, "verdict/verdict", "\"good\"");
    json_decref(item);
    refused(tag(cold, "{\"tag\": \"warm\"}"), EXIT_BAD_DATA, "tag");
    assert_int_equal(tag(cold, "{\"tag\": \"heat\"}"), 0);
    assert_never_good(cold);
    assert_int_equal(tag(cold, "{\"tag\": null}"), 0);
    assert_never_good(cold);
    snprintf(on_bench.stage, sizeof on_bench.stage, "final");
    assert_int_equal(store_put_on_bench(store, "left", &on_bench, &error), 0);
    int64_t moved = power_up(good, clock_wall_us());
    assert_int_equal(on_order(store_move_power_up, moved,
                              "{\"unit\": \"HL-1\", \"work_order\": \"1\", \"stage\":"
                              " \"heat check\", \"why\": \"the heater was on\"}"),
                     0);
    assert_never_good(moved);
    assert_int_equal(number("SELECT count(*) FROM power_up WHERE verdict_word = 'good'"), 0);
}

/* Whether an output was off for long enough for its unit to be another. */
static void test_absence(void **state)
{
    (void)state;
    static const int64_t minute_us = 60 * (int64_t)1000000;
    int64_t ended_us = -1;
    bool ask = true;
    assert_int_equal(store_read_absence(reader, "left", 20 * minute_us, &ended_us, &ask, &error),
                     0);
    assert_int_equal(ended_us, 0);
    assert_false(ask);
    take_in("{\"serial\": \"HL-1\", \"module_type\": \"pump\"}");
    int64_t now_us = clock_wall_us();
    power_up(good, now_us + 19 * minute_us);
    power_up(good, now_us + 38 * minute_us);
    assert_int_equal(store_read_absence(reader, "left", 20 * minute_us, &ended_us, &ask, &error),
                     0);
    assert_false(ask);
    /* Ten seconds on, from onset at 0.5 s of the record. */
    assert_int_equal(ended_us, now_us + 38 * minute_us + (int64_t)10 * 1000000);
    power_up(good, now_us + 59 * minute_us);
    power_up(good, now_us + 60 * minute_us);
    assert_int_equal(store_read_absence(reader, "left", 20 * minute_us, &ended_us, &ask, &error),
                     0);
    assert_true(ask);
    assert_int_equal(store_read_absence(reader, "right", 1, &ended_us, &ask, &error), 0);
    assert_false(ask);
    assert_int_equal(store_confirm_unit(store, "left", &error), 0);
    struct database database;
    assert_int_equal(database_open_writer(&database, directory, &error), 0);
    char sql[100];
    int64_t confirmed_us = now_us + 61 * minute_us;
    snprintf(sql, sizeof sql, "UPDATE on_bench SET confirmed_us = %lld", (long long)confirmed_us);
    assert_int_equal(database_run(&database, &error, NULL, sql, ""), 0);
    database_close(&database);
    assert_int_equal(store_read_absence(reader, "left", 20 * minute_us, &ended_us, &ask, &error),
                     0);
    assert_false(ask);
}

static size_t found(enum store_kind kind, const struct store_filter *filter)
{
    json_t *list = store_list(reader, kind, filter, &error);
    assert_non_null(list);
    size_t count = json_array_size(json_object_get(list, "items"));
    json_decref(list);
    return count;
}

static void test_filters(void **state)
{
    (void)state;
    take_in("{\"serial\": \"HL-0017\", \"module_type\": \"pump\","
            " \"customer_reference\": \"Lot 9 Quay\"}");
    power_up(good, (int64_t)1769817600 * 1000000); /* 2026-01-31T00:00:00Z */
    power_up("{\"verdict\":\"bad\",\"reasons\":[{\"code\":\"late\"},{\"code\":\"low_final\"}]}",
             (int64_t)1769904000 * 1000000 - 1);
    take_in("{\"serial\": \"HL-0018\", \"module_type\": \"pump\"}");
    power_up(good, (int64_t)1769904000 * 1000000);
    struct store_filter any = {.limit = 9};
    struct store_filter filter = any;
    filter.serial = " HL-0017 ";
    assert_int_equal(found(STORE_UNITS, &filter), 1);
    filter.serial = "HL-001";
    assert_int_equal(found(STORE_UNITS, &filter), 0);
    filter = any;
    filter.search = "hl-001";
    assert_int_equal(found(STORE_UNITS, &filter), 2);
    filter.search = "quay";
    assert_int_equal(found(STORE_UNITS, &filter), 1);
    filter.search = "%";
    assert_int_equal(found(STORE_UNITS, &filter), 0);
    filter = any;
    filter.verdict = "good";
    assert_int_equal(found(STORE_POWER_UPS, &filter), 2);
    filter = any;
    filter.reason = "late";
    assert_int_equal(found(STORE_POWER_UPS, &filter), 1);
    filter.reason = "low_final"; /* not the first of any */
    assert_int_equal(found(STORE_POWER_UPS, &filter), 0);
    filter = any;
    filter.stage = "intake";
    assert_int_equal(found(STORE_POWER_UPS, &filter), 3);
    filter.unit = "HL-0018";
    assert_int_equal(found(STORE_POWER_UPS, &filter), 1);
    filter = any;
    filter.from_us = (int64_t)1769817600 * 1000000;
    filter.to_us = (int64_t)1769904000 * 1000000;
    assert_int_equal(found(STORE_POWER_UPS, &filter), 2);
    filter = any;
    filter.run = "1";
    assert_int_equal(found(STORE_POWER_UPS, &filter), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_settings, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_intake, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_work_order_to_its_warranty, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_warranty_runs_out, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_slips, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_photos, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_moves, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_record_holds_its_work_order, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_under_heat_nothing_is_good, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_absence, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_filters, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
