/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs in the store: which power-ups belong to one, how it stands, how it ends.
 */
#include "store/runs.h"

#include "store/orders.h"

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
static int64_t clock_us;

static void open_both(void)
{
    store = store_open(directory, &error);
    assert_non_null(store);
    reader = store_reader_open(directory, &error);
    assert_non_null(reader);
}

static void close_both(void)
{
    store_reader_close(reader);
    store_close(store);
}

static int set_up(void **state)
{
    (void)state;
    scratch_make(directory, sizeof directory);
    error = (struct error){0};
    clock_us = 1000000;
    open_both();
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    close_both();
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

static void assert_is(const json_t *item, const char *key, const char *expected)
{
    json_t *wanted = json(expected);
    const json_t *value = json_object_get(item, key);
    if (!value || !json_equal(value, wanted)) {
        char *found = value ? json_dumps(value, JSON_ENCODE_ANY) : NULL;
        fail_msg("%s is %s, expected %s", key, found ? found : "missing", expected);
    }
    json_decref(wanted);
}

static int put(const char *supply, const char *text, int64_t *id)
{
    json_t *wish = json(text);
    int status = store_put_run(store, supply, wish, id, &error);
    json_decref(wish);
    return status;
}

#define THREE                                                                                      \
    "{\"wanted\": 3, \"off_s\": 3, \"on_s\": null, \"stop_on\": \"bad\","                          \
    " \"switched\": \"wakedraw\"}"

static int64_t begin(const char *supply)
{
    int64_t id = 0;
    if (put(supply, THREE, &id) != 0)
        fail_msg("%s: %s", error.file, error.found);
    return id;
}

static void put_on(const char *supply, const char *unit, const char *tag)
{
    struct on_bench on_bench = {.module_type = "bilge pump", .stage = "final"};
    snprintf(on_bench.unit, sizeof on_bench.unit, "%s", unit);
    snprintf(on_bench.tag, sizeof on_bench.tag, "%s", tag);
    assert_int_equal(store_put_on_bench(store, supply, &on_bench, &error), 0);
}

/* One that begins with a unit on the supply. */
static int64_t wake(const char *supply, const char *unit)
{
    struct on_bench on_bench = {.module_type = "bilge pump", .stage = "final"};
    snprintf(on_bench.unit, sizeof on_bench.unit, "%s", unit);
    struct reading readings[] = {
        {.time_s = 0, .voltage_V = 12, .current_A = 0, .valid = true},
        {.time_s = 2.5, .voltage_V = 12, .current_A = 0.1, .valid = true},
    };
    int64_t id = 0;
    clock_us += 1000000;
    assert_int_equal(
        store_begin_power_up(store, supply, clock_us, &on_bench, "scpi", readings, 2, &id, &error),
        0);
    return id;
}

static void judged(int64_t id, const char *word)
{
    json_t *verdict = json_pack("{s:s, s:b, s:f, s:f, s:[]}", "verdict", word, "final", 1,
                                "decided_at_s", 1.5, "onset_s", 0.5, "reasons");
    assert_int_equal(
        store_finish_power_up(store, id, STATE_COMPLETE, verdict, 1, NULL, NULL, 0, &error), 0);
    json_decref(verdict);
    assert_int_equal(store_end_on_time(store, id, 2.5, "output off", &error), 0);
}

static json_t *run(int64_t id)
{
    json_t *item = store_run(reader, id, true, &error);
    assert_true(json_is_object(item));
    return item;
}

static void test_what_was_asked_for_is_kept(void **state)
{
    (void)state;
    put_on("left", "HL-0001", "cold");
    int64_t id = begin("left");
    json_t *item = run(id);
    assert_is(item, "supply", "\"left\"");
    assert_is(item, "unit", "\"HL-0001\"");
    assert_is(item, "work_order", "null");
    assert_is(item, "stage", "\"final\"");
    assert_is(item, "tag", "\"cold\"");
    assert_is(item, "wanted", "3");
    assert_is(item, "done", "0");
    assert_is(item, "off_s", "3.0");
    assert_is(item, "on_s", "null");
    assert_is(item, "stop_on", "\"bad\"");
    assert_is(item, "switched", "\"wakedraw\"");
    assert_is(item, "ended_at", "null");
    assert_is(item, "ended_why", "null");
    assert_is(item, "power_ups", "[]");
    json_decref(item);
    json_t *none = store_run(reader, 99, true, &error);
    assert_true(json_is_null(none));
}

static void test_power_ups_of_its_unit_belong_to_it(void **state)
{
    (void)state;
    put_on("left", "HL-0001", "");
    int64_t before = wake("left", "HL-0001");
    int64_t id = begin("left");
    int64_t first = wake("left", "HL-0001");
    judged(first, "good");
    int64_t elsewhere = wake("right", "HL-0001");
    int64_t another = wake("left", "HL-0002");
    int64_t second = wake("left", "HL-0001");
    judged(second, "bad");
    int64_t third = wake("left", "HL-0001");
    struct run_standing standing;
    assert_int_equal(store_run_standing(reader, id, &standing, &error), 0);
    assert_int_equal(standing.begun, 3);
    assert_int_equal(standing.done, 2);
    assert_int_equal(standing.bad, 1);
    assert_false(standing.newest_watched);
    assert_true(standing.newest_on);
    assert_true(standing.newest_started_us == clock_us);
    json_t *item = run(id);
    assert_is(item, "done", "2");
    assert_is(item, "good", "1");
    assert_is(item, "bad", "1");
    assert_is(item, "unsure", "0");
    json_t *ids =
        json_pack("[o, o, o]", json_sprintf("%lld", (long long)first),
                  json_sprintf("%lld", (long long)second), json_sprintf("%lld", (long long)third));
    assert_true(json_equal(json_object_get(item, "power_ups"), ids));
    json_decref(ids);
    json_decref(item);
    int64_t of = -1;
    for (int i = 0; i < 3; i++) {
        int64_t other = (const int64_t[]){before, elsewhere, another}[i];
        assert_int_equal(store_run_of_power_up(store, other, &of, &error), 0);
        assert_true(of == 0);
    }
    assert_int_equal(store_run_of_power_up(store, third, &of, &error), 0);
    assert_true(of == id);
}

static void test_after_its_end_none_belongs_to_it(void **state)
{
    (void)state;
    put_on("left", "HL-0001", "");
    int64_t id = begin("left");
    judged(wake("left", "HL-0001"), "good");
    assert_int_equal(store_end_run(store, id, "complete", &error), 0);
    int64_t after = wake("left", "HL-0001");
    int64_t of = -1;
    assert_int_equal(store_run_of_power_up(store, after, &of, &error), 0);
    assert_true(of == 0);
    json_t *item = run(id);
    assert_is(item, "ended_why", "\"complete\"");
    assert_true(json_is_string(json_object_get(item, "ended_at")));
    json_decref(item);
    assert_int_equal(store_end_run(store, id, "again", &error), -1);
    assert_int_equal(error.status, EXIT_USAGE);
    assert_int_equal(store_end_run(store, 99, "no such", &error), -1);
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_true(begin("left") > id);
}

static void test_one_at_a_time_on_a_supply(void **state)
{
    (void)state;
    int64_t first = begin("left");
    int64_t second = 0;
    assert_int_equal(put("left", THREE, &second), -1);
    assert_int_equal(error.status, EXIT_USAGE);
    assert_true(second == 0);
    assert_true(begin("right") > first);
}

/* The tag goes on the bench, and to its power-ups: nothing is good under heat. */
static void test_its_tag_is_that_of_its_power_ups(void **state)
{
    (void)state;
    put_on("left", "HL-0001", "cold");
    int64_t id = 0;
    assert_int_equal(put("left",
                         "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"never\", \"tag\": \"heat\","
                         " \"switched\": \"hand\"}",
                         &id),
                     0);
    struct on_bench on_bench;
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.tag, "heat");
    assert_string_equal(on_bench.unit, "HL-0001");
    int64_t power_up = wake("left", "HL-0001");
    judged(power_up, "good");
    json_t *item = store_get(reader, STORE_POWER_UPS, power_up, false, &error);
    assert_is(item, "tag", "\"heat\"");
    assert_is(json_object_get(item, "verdict"), "verdict", "\"unsure\"");
    json_decref(item);
    item = run(id);
    assert_is(item, "tag", "\"heat\"");
    assert_is(item, "unsure", "1");
    json_decref(item);
    assert_int_equal(store_end_run(store, id, "complete", &error), 0);
    assert_int_equal(put("left",
                         "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"never\", \"tag\": null,"
                         " \"switched\": \"hand\"}",
                         &id),
                     0);
    assert_int_equal(store_read_on_bench(reader, "left", &on_bench, &error), 0);
    assert_string_equal(on_bench.tag, "");
}

static void test_what_was_open_is_over_after_a_kill(void **state)
{
    (void)state;
    put_on("left", "HL-0001", "");
    int64_t id = begin("left");
    wake("left", "HL-0001");
    /* Closed with it open, which is how a killed process leaves it. */
    close_both();
    open_both();
    json_t *item = run(id);
    assert_is(item, "ended_why", "\"wakedraw stopped\"");
    assert_is(item, "done", "1");
    assert_is(item, "unsure", "1");
    json_decref(item);
    assert_true(begin("left") > id);
}

static void refused(const char *field, const char *text)
{
    int64_t id = 0;
    error = (struct error){0};
    assert_int_equal(put("left", text, &id), -1);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_string_equal(error.file, field);
}

static void test_what_cannot_be_is_named(void **state)
{
    (void)state;
    refused("wanted",
            "{\"wanted\": 0, \"off_s\": 3, \"stop_on\": \"bad\", \"switched\": \"hand\"}");
    refused("wanted",
            "{\"wanted\": 10001, \"off_s\": 3, \"stop_on\": \"bad\", \"switched\": \"hand\"}");
    refused("off_s",
            "{\"wanted\": 1, \"off_s\": 0.4, \"stop_on\": \"bad\", \"switched\": \"hand\"}");
    refused("off_s", "{\"wanted\": 1, \"stop_on\": \"bad\", \"switched\": \"hand\"}");
    refused("on_s", "{\"wanted\": 1, \"off_s\": 3, \"on_s\": -1, \"stop_on\": \"bad\","
                    " \"switched\": \"hand\"}");
    refused("stop_on", "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"x\", \"switched\": \"hand\"}");
    refused("switched", "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"bad\"}");
    refused("tag", "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"bad\", \"switched\": \"hand\","
                   " \"tag\": \"wet\"}");
    refused("colour", "{\"wanted\": 1, \"off_s\": 3, \"stop_on\": \"bad\", \"switched\": \"hand\","
                      " \"colour\": 1}");
    assert_true(begin("left") > 0);
}

static void test_a_work_order_lists_its_runs(void **state)
{
    (void)state;
    struct intake intake = {0};
    json_t *what = json("{\"serial\": \"HL-0007\", \"module_type\": \"bilge pump\"}");
    assert_int_equal(store_take_in(store, "left", what, &intake, &error), 0);
    json_decref(what);
    int64_t id = begin("left");
    json_t *order = store_get(reader, STORE_WORK_ORDERS, intake.work_order, false, &error);
    json_t *listed = json_array_get(json_object_get(order, "runs"), 0);
    json_t *alone = store_run(reader, id, false, &error);
    assert_true(json_is_object(listed));
    assert_true(json_equal(listed, alone));
    assert_is(listed, "unit", "\"HL-0007\"");
    json_decref(alone);
    json_decref(order);
}

int main(void)
{
#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(test_what_was_asked_for_is_kept),       TEST(test_power_ups_of_its_unit_belong_to_it),
        TEST(test_after_its_end_none_belongs_to_it), TEST(test_one_at_a_time_on_a_supply),
        TEST(test_its_tag_is_that_of_its_power_ups), TEST(test_what_was_open_is_over_after_a_kill),
        TEST(test_what_cannot_be_is_named),          TEST(test_a_work_order_lists_its_runs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
