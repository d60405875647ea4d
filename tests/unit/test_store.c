/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is put into the store comes out in the API's shapes.
 */
#include "store/store.h"

#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

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

static void reopen(void)
{
    store_reader_close(reader);
    store_close(store);
    store = store_open(directory, &error);
    assert_non_null(store);
    reader = store_reader_open(directory, &error);
    assert_non_null(reader);
}

static void make_readings(struct reading *readings, size_t count, double from_s)
{
    for (size_t i = 0; i < count; i++) {
        readings[i] = (struct reading){.time_s = from_s + 0.05 * (double)i,
                                       .voltage_V = 12.01,
                                       .current_A = 0.001 * (double)(i % 7),
                                       .valid = i % 5 != 4,
                                       .output_on = FLAG_YES,
                                       .limited = FLAG_UNKNOWN};
        if (i % 5 == 4)
            readings[i].current_A = NAN;
        reading_quantise(&readings[i]);
    }
}

static const struct on_bench nothing_said;
static const struct on_bench tank_gauge = {
    .module_type = "tank gauge", .unit = "TG-0042", .stage = "intake"};

static int64_t begin_one(const struct on_bench *on_bench)
{
    struct reading readings[10];
    make_readings(readings, 10, 0);
    int64_t id = 0;
    assert_int_equal(store_begin_power_up(store, "left", 1769846709123456, on_bench, "scpi",
                                          readings, 10, &id, &error),
                     0);
    assert_true(id > 0);
    return id;
}

static json_t *json(const char *text)
{
    json_t *value = json_loads(text, JSON_DECODE_ANY, NULL);
    assert_non_null(value);
    return value;
}

/* Equal as JSON, keys in any order. */
static void assert_json(const json_t *value, const char *expected)
{
    json_t *wanted = json(expected);
    if (!json_equal(value, wanted)) {
        char *found = json_dumps(value, JSON_SORT_KEYS | JSON_ENCODE_ANY);
        fail_msg("found %s\nexpected %s", found, expected);
    }
    json_decref(wanted);
}

static json_t *get(enum store_kind kind, int64_t id, bool with_trace)
{
    json_t *item = store_get(reader, kind, id, with_trace, &error);
    assert_non_null(item);
    return item;
}

static json_t *list(enum store_kind kind, const struct store_filter *filter)
{
    json_t *found = store_list(reader, kind, filter, &error);
    assert_non_null(found);
    return found;
}

static const char verdict_text[] =
    "{\"verdict\": \"bad\", \"final\": true, \"decided_at_s\": 1.23, \"onset_s\": 0.5,"
    " \"final_draw_A\": 0.31, \"reasons\": [{\"code\": \"low_final\", \"text\": \"settles at 0.31 A"
    " where this type settles at 0.38 to 0.41 A\", \"phase\": 2, \"measured_A\": 0.31,"
    " \"low_A\": 0.38, \"high_A\": 0.41}]}";

static void set_verdict(int64_t id, const char *text, int version, double from_s)
{
    struct reading readings[5];
    make_readings(readings, 5, from_s);
    json_t *verdict = json(text);
    assert_int_equal(store_set_verdict(store, id, verdict, version, readings, 5, &error), 0);
    json_decref(verdict);
}

static void test_a_power_up_from_begin_to_off(void **state)
{
    (void)state;
    int64_t id = begin_one(&tank_gauge);
    json_t *item = get(STORE_POWER_UPS, id, false);
    assert_json(item, "{\"id\": \"1\", \"supply\": \"left\","
                      " \"started_at\": \"2026-01-31T08:05:09.123Z\", \"state\": \"open\","
                      " \"module_type\": \"tank gauge\", \"unit\": \"TG-0042\","
                      " \"work_order\": null, \"stage\": \"intake\", \"verdict\": null,"
                      " \"revision\": null, \"set_up\": null, \"tag\": null, \"run\": null,"
                      " \"known_good\": null, \"bench\": {\"state\": \"never\","
                      " \"checked_at\": null, \"due_at\": null}, \"moves\": [],"
                      " \"reference_version\": null, \"onset_s\": null, \"ended_why\": null,"
                      " \"on_time_s\": null, \"readings\": 10, \"signature\": null}");
    json_decref(item);
    set_verdict(id, verdict_text, 3, 1);
    struct reading readings[100];
    make_readings(readings, 100, 2);
    assert_int_equal(store_append_readings(store, id, false, readings, 100, &error), 0);
    json_t *verdict = json(verdict_text);
    json_t *signature = json("{\"onset_s\": 0.5, \"baseline_A\": 0.0,"
                             " \"phases\": [{\"from_s\": 0.0, \"to_s\": 6.5, \"level_A\": 0.31,"
                             " \"kind\": \"level\"}]}");
    make_readings(readings, 3, 8);
    assert_int_equal(store_finish_power_up(store, id, STATE_COMPLETE, verdict, 3, signature,
                                           readings, 3, &error),
                     0);
    make_readings(readings, 4, 10);
    assert_int_equal(store_append_readings(store, id, true, readings, 4, &error), 0);
    assert_int_equal(store_end_on_time(store, id, 12.75, "output off", &error), 0);
    item = get(STORE_POWER_UPS, id, true);
    assert_json(json_object_get(item, "verdict"), verdict_text);
    assert_true(json_equal(json_object_get(item, "signature"), signature));
    assert_json(json_object_get(item, "state"), "\"complete\"");
    assert_json(json_object_get(item, "reference_version"), "3");
    assert_json(json_object_get(item, "on_time_s"), "12.25");
    assert_json(json_object_get(item, "onset_s"), "0.5");
    assert_json(json_object_get(item, "ended_why"), "\"output off\"");
    assert_json(json_object_get(item, "readings"), "122");
    const json_t *trace = json_object_get(item, "trace");
    assert_int_equal(json_array_size(json_object_get(trace, "time_s")), 122);
    assert_int_equal(json_array_size(json_object_get(trace, "voltage_V")), 122);
    assert_int_equal(json_array_size(json_object_get(trace, "current_A")), 122);
    assert_json(json_array_get(json_object_get(trace, "current_A"), 3), "0.003");
    assert_json(json_array_get(json_object_get(trace, "current_A"), 4), "null");
    json_decref(item);
    json_decref(verdict);
    json_decref(signature);
}

/* Begun, appended, joined, read: always the readings that went in. */
static void test_the_trace_comes_back_as_it_was_received(void **state)
{
    (void)state;
    enum { COUNT = 400 };
    struct reading readings[COUNT];
    make_readings(readings, COUNT, 0);
    int64_t id = 0;
    assert_int_equal(
        store_begin_power_up(store, "left", 0, &nothing_said, "scpi", readings, 7, &id, &error), 0);
    for (size_t i = 7; i < 200; i++)
        assert_int_equal(store_append_readings(store, id, false, &readings[i], 1, &error), 0);
    for (int stage = 0; stage < 4; stage++) {
        if (stage == 1)
            assert_int_equal(
                store_finish_power_up(store, id, STATE_COMPLETE, NULL, 0, NULL, NULL, 0, &error),
                0);
        /* A log long enough to be joined on the way. */
        for (size_t i = 200; stage == 2 && i < COUNT; i++)
            assert_int_equal(store_append_readings(store, id, true, &readings[i], 1, &error), 0);
        if (stage == 3)
            assert_int_equal(store_end_on_time(store, id, 30, "draw off", &error), 0);
        struct trace trace = {0};
        assert_int_equal(store_read_trace(reader, id, &trace, &error), 0);
        assert_int_equal(trace.count, stage < 2 ? 200 : COUNT);
        for (size_t i = 0; i < trace.count; i++) {
            assert_memory_equal(&trace.readings[i].time_s, &readings[i].time_s, sizeof(double));
            assert_memory_equal(&trace.readings[i].voltage_V, &readings[i].voltage_V,
                                sizeof(double));
            assert_int_equal(trace.readings[i].valid, readings[i].valid);
            assert_int_equal(trace.readings[i].output_on, readings[i].output_on);
            if (readings[i].valid)
                assert_memory_equal(&trace.readings[i].current_A, &readings[i].current_A,
                                    sizeof(double));
        }
        trace_clear(&trace);
    }
    json_t *health = store_health(store);
    assert_json(json_object_get(health, "packed_readings"), "400");
    assert_in_range((int)json_number_value(json_object_get(health, "bytes_per_reading")), 0, 5);
    assert_json(json_object_get(health, "schema_version"), "3");
    json_decref(health);
}

static void test_readings_that_do_not_go_on_are_refused(void **state)
{
    (void)state;
    int64_t id = begin_one(&nothing_said);
    struct reading readings[3];
    make_readings(readings, 3, 0.45);
    assert_int_equal(store_append_readings(store, id, false, readings, 3, &error), -1);
    assert_non_null(strstr(error.found, "found time_s 0.45"));
    make_readings(readings, 3, 1);
    assert_int_equal(store_append_readings(store, id + 1, false, readings, 3, &error), -1);
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_int_equal(store_append_readings(store, id, false, readings, 3, &error), 0);
}

static void test_lists_are_newest_first_in_pages(void **state)
{
    (void)state;
    for (int i = 0; i < 7; i++)
        begin_one(i % 2 ? &tank_gauge : &nothing_said);
    json_t *page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 3});
    assert_json(json_object_get(page, "next"), "\"5\"");
    assert_int_equal(json_array_size(json_object_get(page, "items")), 3);
    assert_json(json_object_get(json_array_get(json_object_get(page, "items"), 0), "id"), "\"7\"");
    json_decref(page);
    page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 3, .before = 3});
    assert_json(json_object_get(page, "next"), "null");
    assert_int_equal(json_array_size(json_object_get(page, "items")), 2);
    json_decref(page);
    page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 500, .module_type = "tank gauge"});
    assert_int_equal(json_array_size(json_object_get(page, "items")), 3);
    json_decref(page);
    page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 3, .unit = "TG-0042"});
    assert_int_equal(json_array_size(json_object_get(page, "items")), 3);
    assert_json(json_object_get(page, "next"), "null");
    json_decref(page);
    page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 3, .supply = "right"});
    assert_json(page, "{\"items\": [], \"next\": null}");
    json_decref(page);
    assert_null(store_list(reader, STORE_POWER_UPS, &(struct store_filter){.limit = 501}, &error));
    assert_string_equal(error.file, "limit");
    json_t *none = get(STORE_POWER_UPS, 8, true);
    assert_true(json_is_null(none));
    json_decref(none);
}

static void put_order(const char *text, int expected, int64_t *id)
{
    json_t *order = json(text);
    assert_int_equal(store_put_work_order(store, order, id, &error), expected);
    json_decref(order);
}

static void test_work_orders(void **state)
{
    (void)state;
    int64_t id = 0;
    put_order("{\"unit\": \"TG-0042\", \"complaint\": \"does not wake after a wash\"}", 0, &id);
    struct on_bench bench = {.work_order = "1"};
    assert_int_equal(store_put_on_bench(store, "left", &bench, &error), 0);
    struct on_bench read_back;
    assert_int_equal(store_read_on_bench(reader, "left", &read_back, &error), 0);
    assert_string_equal(read_back.work_order, "1");
    assert_string_equal(read_back.unit, "TG-0042"); /* the order's */
    int64_t power_up = begin_one(&bench);
    json_t *page = list(STORE_POWER_UPS, &(struct store_filter){.limit = 5, .work_order = "1"});
    json_t *items = json_object_get(page, "items");
    assert_int_equal(json_array_size(items), 1);
    assert_json(json_object_get(json_array_get(items, 0), "work_order"), "\"1\"");
    json_decref(page);
    (void)power_up;
    static const char *const unknown[] = {"2", "x", "1x", "0", "-1", "99999999999999999999"};
    for (size_t i = 0; i < sizeof unknown / sizeof *unknown; i++) {
        snprintf(bench.work_order, sizeof bench.work_order, "%s", unknown[i]);
        assert_int_equal(store_put_on_bench(store, "left", &bench, &error), -1);
        assert_string_equal(error.file, "work_order");
        assert_non_null(strstr(error.found, unknown[i]));
        page = list(STORE_POWER_UPS,
                    &(struct store_filter){.limit = 5, .work_order = bench.work_order});
        assert_json(page, "{\"items\": [], \"next\": null}");
        json_decref(page);
    }
    bench = (struct on_bench){.work_order = "1", .unit = "TG-0043"};
    assert_int_equal(store_put_on_bench(store, "left", &bench, &error), -1);
    assert_non_null(strstr(error.found, "another unit"));
    /* Nothing of what was refused was made. */
    page = list(STORE_UNITS, &(struct store_filter){.limit = 5});
    assert_int_equal(json_array_size(json_object_get(page, "items")), 1);
    json_decref(page);
    put_order("{\"complaint\": \"none\"}", -1, &id);
    assert_string_equal(error.file, "unit");
    put_order("{\"unit\": \"TG-1\", \"colour\": 1}", -1, &id);
    assert_string_equal(error.file, "colour");
}

static void test_what_is_on_the_bench_survives(void **state)
{
    (void)state;
    assert_int_equal(store_put_on_bench(store, "left", &tank_gauge, &error), 0);
    reopen();
    struct on_bench found;
    assert_int_equal(store_read_on_bench(reader, "left", &found, &error), 0);
    assert_string_equal(found.module_type, "tank gauge");
    assert_string_equal(found.unit, "TG-0042");
    assert_string_equal(found.stage, "intake");
    assert_string_equal(found.work_order, "");
    assert_int_equal(store_put_on_bench(store, "left", &nothing_said, &error), 0);
    assert_int_equal(store_read_on_bench(reader, "left", &found, &error), 0);
    assert_string_equal(found.module_type, "");
    assert_int_equal(store_read_on_bench(reader, "right", &found, &error), 0);
    assert_string_equal(found.unit, "");
    json_t *page = list(STORE_UNITS, &(struct store_filter){.limit = 5});
    json_t *unit = json_array_get(json_object_get(page, "items"), 0);
    assert_json(json_object_get(unit, "serial"), "\"TG-0042\"");
    assert_json(json_object_get(unit, "module_type"), "\"tank gauge\"");
    json_decref(page);
}

static void put_type(const char *text, int expected)
{
    json_t *type = json(text);
    assert_int_equal(store_put_module_type(store, type, &error), expected);
    json_decref(type);
}

static void test_module_types(void **state)
{
    (void)state;
    put_type("{\"name\": \"tank gauge\", \"nominal_voltage_V\": 12, \"current_limit_A\": 1.5,"
             " \"watch_s\": 8, \"look_voltage_V\": 3, \"look_limit_A\": 0.2,"
             " \"limit_longest_s\": 1.5, \"feeds\": [\"battery\", \"ignition\"],"
             " \"cautions\": [\"has a lithium cell\"]}",
             0);
    put_type("{\"name\": \"tank gauge\", \"watch_s\": null, \"current_limit_A\": 2,"
             " \"look_limit_A\": null}",
             0);
    json_t *type = store_module_type(reader, "tank gauge", &error);
    assert_json(type, "{\"id\": \"1\", \"name\": \"tank gauge\", \"nominal_voltage_V\": 12.0,"
                      " \"current_limit_A\": 2.0, \"watch_s\": null, \"look_voltage_V\": 3.0,"
                      " \"look_limit_A\": null, \"limit_longest_s\": 1.5,"
                      " \"feeds\": [\"battery\", \"ignition\"],"
                      " \"cautions\": [\"has a lithium cell\"], \"reference_version\": null}");
    json_decref(type);
    type = store_module_type(reader, "tank", &error);
    assert_true(json_is_null(type));
    static const struct {
        const char *text, *field;
    } wrong[] = {
        {"{\"watch_s\": 8}", "name"},
        {"{\"name\": \"\"}", "name"},
        {"{\"name\": 7}", "name"},
        {"{\"name\": \"a\", \"watch_s\": -1}", "watch_s"},
        {"{\"name\": \"a\", \"watch_s\": \"8\"}", "watch_s"},
        {"{\"name\": \"a\", \"nominal_voltage_V\": 1e9}", "nominal_voltage_V"},
        {"{\"name\": \"a\", \"look_voltage_V\": 0}", "look_voltage_V"},
        {"{\"name\": \"a\", \"look_limit_A\": true}", "look_limit_A"},
        {"{\"name\": \"a\", \"limit_longest_s\": 3601}", "limit_longest_s"},
        {"{\"name\": \"a\", \"feeds\": \"battery\"}", "feeds"},
        {"{\"name\": \"a\", \"cautions\": [{}]}", "cautions"},
        {"{\"name\": \"a\", \"wach_s\": 8}", "wach_s"},
        {"[]", "a module type"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        put_type(wrong[i].text, -1);
        assert_string_equal(error.file, wrong[i].field);
        assert_int_equal(error.status, EXIT_BAD_DATA);
    }
    json_t *page = list(STORE_MODULE_TYPES, &(struct store_filter){.limit = 9});
    assert_int_equal(json_array_size(json_object_get(page, "items")), 1);
    json_decref(page);
}

static void put_reference(int wanted, const char *text, int expected_version)
{
    int version = 0;
    int64_t id = 0;
    assert_int_equal(store_put_reference(store, "tank gauge", wanted, text, &version, &id, &error),
                     0);
    assert_int_equal(version, expected_version);
}

static void test_references_get_the_next_version(void **state)
{
    (void)state;
    const char *text = "{\n  \"format\": {\"major\": 1, \"version\": \"no\"},\n"
                       "  \"text\": \"a \\\"version\\\": 9\", \"version\" : 1,\n"
                       "  \"watch_s\": 0.1, \"nominal_voltage_V\": 24,\n"
                       "  \"taught_by\": {\"units\": 4, \"power_ups\": 12}\n}\n";
    put_reference(1, text, 1);
    int version = 0;
    char *kept = store_reference_text(reader, "tank gauge", &version, &error);
    assert_string_equal(kept, text);
    free(kept);
    put_reference(1, text, 2);
    put_reference(7, text, 7);
    put_reference(3, text, 8);
    kept = store_reference_text(reader, "tank gauge", &version, &error);
    assert_int_equal(version, 8);
    assert_non_null(strstr(kept, "\"version\" : 8,\n"));
    assert_non_null(strstr(kept, "a \\\"version\\\": 9\""));
    assert_int_equal(strlen(kept), strlen(text));
    free(kept);
    error.status = EXIT_IO;
    assert_null(store_reference_text(reader, "pump", &version, &error));
    assert_int_equal(error.status, EXIT_OK);
    json_t *page =
        list(STORE_REFERENCES, &(struct store_filter){.limit = 1, .module_type = "tank gauge"});
    json_t *item = json_array_get(json_object_get(page, "items"), 0);
    assert_json(json_object_get(item, "version"), "8");
    assert_json(json_object_get(item, "units"), "4");
    assert_json(json_object_get(item, "power_ups"), "12");
    assert_json(json_object_get(item, "range_only"), "false");
    assert_json(json_object_get(page, "next"), "\"4\"");
    json_decref(page);
    item = get(STORE_REFERENCES, 4, false);
    assert_json(json_object_get(json_object_get(item, "reference"), "version"), "8");
    json_decref(item);
    json_t *type = store_module_type(reader, "tank gauge", &error);
    assert_json(json_object_get(type, "reference_version"), "8");
    assert_json(json_object_get(type, "nominal_voltage_V"), "24.0");
    json_decref(type);
    int64_t id = 0;
    static const char *const wrong[] = {"{", "{}", "[]", "{\"version\": \"1\"}",
                                        "{\"version\": 1, \"version\": 2}"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_int_equal(store_put_reference(store, "pump", 1, wrong[i], &version, &id, &error),
                         -1);
    type = store_module_type(reader, "pump", &error);
    assert_true(json_is_null(type));
}

static void test_a_kill_leaves_incomplete_ones(void **state)
{
    (void)state;
    int64_t silent = begin_one(&nothing_said);
    int64_t judged = begin_one(&tank_gauge);
    set_verdict(judged, verdict_text, 3, 1);
    int64_t leaning = begin_one(&nothing_said);
    set_verdict(leaning,
                "{\"verdict\": \"good\", \"final\": false, \"onset_s\": 0.5,"
                " \"decided_at_s\": null, \"reasons\": []}",
                2, 1);
    int64_t logging = begin_one(&nothing_said);
    assert_int_equal(
        store_finish_power_up(store, logging, STATE_COMPLETE, NULL, 0, NULL, NULL, 0, &error), 0);
    int64_t over = begin_one(&nothing_said);
    assert_int_equal(
        store_finish_power_up(store, over, STATE_COMPLETE, NULL, 0, NULL, NULL, 0, &error), 0);
    assert_int_equal(store_end_on_time(store, over, 2, "draw off", &error), 0);
    reopen();
    json_t *item = get(STORE_POWER_UPS, silent, false);
    assert_json(json_object_get(item, "state"), "\"incomplete\"");
    assert_json(json_object_get(json_object_get(item, "verdict"), "verdict"), "\"unsure\"");
    assert_json(json_object_get(item, "readings"), "10");
    json_decref(item);
    item = get(STORE_POWER_UPS, judged, true);
    assert_json(json_object_get(item, "state"), "\"incomplete\"");
    assert_json(json_object_get(item, "verdict"), verdict_text);
    assert_json(json_object_get(item, "reference_version"), "3");
    assert_int_equal(json_array_size(json_object_get(json_object_get(item, "trace"), "time_s")),
                     15);
    json_decref(item);
    item = get(STORE_POWER_UPS, leaning, false);
    const json_t *verdict = json_object_get(item, "verdict");
    assert_json(json_object_get(verdict, "verdict"), "\"unsure\"");
    assert_json(json_object_get(verdict, "onset_s"), "0.5");
    assert_json(json_object_get(json_array_get(json_object_get(verdict, "reasons"), 0), "code"),
                "\"incomplete\"");
    json_decref(item);
    item = get(STORE_POWER_UPS, logging, false);
    assert_json(json_object_get(item, "state"), "\"complete\"");
    assert_json(json_object_get(item, "ended_why"), "\"wakedraw stopped\"");
    json_decref(item);
    item = get(STORE_POWER_UPS, over, false);
    assert_json(json_object_get(item, "ended_why"), "\"draw off\"");
    json_decref(item);
}

static void hold_until_told(int told, int ready)
{
    struct store *held = store_open(directory, NULL);
    char byte = held ? 'y' : 'n';
    if (write(ready, &byte, 1) != 1 || read(told, &byte, 1) != 0)
        byte = 'n';
    store_close(held);
    _exit(byte == 'y' ? 0 : 1);
}

static void test_one_process_holds_the_directory(void **state)
{
    (void)state;
    store_reader_close(reader);
    store_close(store);
    reader = NULL;
    int told[2];
    int ready[2];
    assert_int_equal(pipe(told), 0);
    assert_int_equal(pipe(ready), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        close(told[1]);
        hold_until_told(told[0], ready[1]);
    }
    char byte = 0;
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_int_equal(byte, 'y');
    char expected[64];
    snprintf(expected, sizeof expected, "held by process %ld", (long)child);
    store = store_open(directory, &error);
    assert_null(store);
    assert_int_equal(error.status, EXIT_UNAVAILABLE);
    assert_string_equal(error.found, expected);
    /* Reading is not kept out. */
    reader = store_reader_open(directory, &error);
    assert_non_null(reader);
    close(told[0]);
    close(told[1]);
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    close(ready[0]);
    close(ready[1]);
    store = store_open(directory, &error);
    assert_non_null(store);
}

static void run_sql(const char *sql)
{
    char path[300];
    snprintf(path, sizeof path, "%s/wakedraw.db", directory);
    sqlite3 *connection = NULL;
    assert_int_equal(sqlite3_open(path, &connection), SQLITE_OK);
    assert_int_equal(sqlite3_exec(connection, sql, NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_close(connection), SQLITE_OK);
}

static void test_other_files_are_refused_by_name(void **state)
{
    (void)state;
    store_reader_close(reader);
    store_close(store);
    reader = NULL;
    run_sql("PRAGMA user_version = 1000");
    store = store_open(directory, &error);
    assert_null(store);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_string_equal(error.found, "found a wakedraw store of schema version 1000");
    assert_null(store_reader_open(directory, &error));
    run_sql("PRAGMA user_version = 0");
    assert_null(store_reader_open(directory, &error));
    assert_string_equal(error.found, "found a wakedraw store of schema version 0");
    run_sql("PRAGMA application_id = 7");
    store = store_open(directory, &error);
    assert_null(store);
    assert_non_null(strstr(error.found, "another program"));
    char path[300];
    scratch_write(directory, "wakedraw.db", "no database at all, only text", 29, path, sizeof path);
    store = store_open(directory, &error);
    assert_null(store);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_int_equal(remove(path), 0);
    assert_null(store_reader_open(directory, &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_power_up_from_begin_to_off, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_trace_comes_back_as_it_was_received, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_readings_that_do_not_go_on_are_refused, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_lists_are_newest_first_in_pages, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_work_orders, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_is_on_the_bench_survives, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_module_types, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_references_get_the_next_version, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_kill_leaves_incomplete_ones, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_one_process_holds_the_directory, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_other_files_are_refused_by_name, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
