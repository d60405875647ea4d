/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The log of outputs in the store, and what must be known of outputs after a restart.
 */
#include "store/outputs.h"

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

/* Made at the microsecond given, by the page for "ab". */
static struct output_line line(const char *supply, const char *what, int64_t at_us)
{
    return (struct output_line){.at_us = at_us,
                                .supply = supply,
                                .what = what,
                                .who = "page",
                                .hand = "ab",
                                .why = "",
                                .problem = "",
                                .voltage_V = (double)NAN,
                                .limit_A = (double)NAN};
}

static void put(const char *supply, const char *what, int64_t at_us)
{
    struct output_line one = line(supply, what, at_us);
    assert_int_equal(store_put_output_lines(store, &one, 1, &error), 0);
}

static json_t *list(const char *supply, int64_t before, int limit)
{
    json_t *found = store_output_log(
        reader, &(struct store_filter){.supply = supply, .before = before, .limit = limit}, &error);
    if (!found)
        fail_msg("%s", error.found);
    return found;
}

static void assert_log(const char *supply, int64_t before, int limit, const char *expected)
{
    json_t *found = list(supply, before, limit);
    char text[400] = "";
    size_t index;
    json_t *item;
    json_array_foreach(json_object_get(found, "items"), index, item)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%s%s %s", index ? ", " : "",
                 json_string_value(json_object_get(item, "supply")),
                 json_string_value(json_object_get(item, "what")));
    const char *next = json_string_value(json_object_get(found, "next"));
    snprintf(text + strlen(text), sizeof text - strlen(text), "; %s", next ? next : "-");
    json_decref(found);
    assert_string_equal(text, expected);
}

static struct output_mark mark_of(const char *supply, enum output_mark_kind kind)
{
    struct output_mark mark;
    assert_int_equal(store_read_output_mark(reader, supply, kind, &mark, &error), 0);
    return mark;
}

static void test_a_line_says_all_of_it(void **state)
{
    (void)state;
    struct output_line said = line("left", "on", 1000000);
    said.why = "a trial";
    said.voltage_V = 12.5;
    said.limit_A = 0.25;
    assert_int_equal(store_put_output_lines(store, &said, 1, &error), 0);
    struct output_line bare = line("left", "refused", 2000000);
    bare.who = bare.hand = "";
    bare.problem = "the lid is off";
    assert_int_equal(store_put_output_lines(store, &bare, 1, &error), 0);
    json_t *found = list(NULL, 0, 10);
    json_t *expected = json_loads(
        "{\"items\": [{\"id\": \"2\", \"supply\": \"left\", \"at\": \"1970-01-01T00:00:02.000Z\","
        " \"what\": \"refused\", \"who\": null, \"hand\": null, \"why\": null,"
        " \"voltage_V\": null, \"limit_A\": null, \"problem\": \"the lid is off\"},"
        " {\"id\": \"1\", \"supply\": \"left\", \"at\": \"1970-01-01T00:00:01.000Z\","
        " \"what\": \"on\", \"who\": \"page\", \"hand\": \"ab\", \"why\": \"a trial\","
        " \"voltage_V\": 12.5, \"limit_A\": 0.25, \"problem\": null}], \"next\": null}",
        0, NULL);
    assert_non_null(expected);
    assert_true(json_equal(found, expected));
    json_decref(expected);
    json_decref(found);
}

static void test_the_log_comes_in_pages_newest_first(void **state)
{
    (void)state;
    put("left", "on", 1);
    put("right", "on", 2);
    put("left", "off", 3);
    put("left", "on", 4);
    assert_log(NULL, 0, 10, "left on, left off, right on, left on; -");
    assert_log("left", 0, 10, "left on, left off, left on; -");
    assert_log("left", 0, 2, "left on, left off; 3");
    assert_log("left", 3, 2, "left on; -");
    assert_log("mid", 0, 2, "; -");
    assert_log(NULL, 0, 4, "left on, left off, right on, left on; -");
}

static void test_what_is_ours_survives_a_restart(void **state)
{
    (void)state;
    struct output_line about = line("left", "", 5);
    about.ours = OURS_BEGINS;
    about.why = "a trial";
    assert_int_equal(store_put_output_lines(store, &about, 1, &error), 0);
    assert_log(NULL, 0, 10, "; -");
    /* It is on now: the mark stays as it began. */
    struct output_line on = line("left", "on", 6);
    on.ours = OURS_BEGINS;
    on.hand = "cd";
    assert_int_equal(store_put_output_lines(store, &on, 1, &error), 0);
    close_both();
    open_both();
    struct output_mark mark = mark_of("left", MARK_OURS);
    assert_int_equal(mark.since_us, 5);
    assert_string_equal(mark.who, "page");
    assert_string_equal(mark.hand, "ab");
    assert_string_equal(mark.why, "a trial");
    assert_int_equal(mark_of("right", MARK_OURS).since_us, 0);
    assert_int_equal(mark_of("left", MARK_HOLD).since_us, 0);
    struct output_line off = line("left", "off", 7);
    off.ours = OURS_OVER;
    assert_int_equal(store_put_output_lines(store, &off, 1, &error), 0);
    assert_int_equal(mark_of("left", MARK_OURS).since_us, 0);
}

static void test_a_hold_survives_a_restart(void **state)
{
    (void)state;
    struct output_line held = line("left", "held", 5);
    struct output_mark mark = {
        .since_us = 5, .hand = "ab", .why = "writing the map", .unit = "TG-0042"};
    assert_int_equal(store_put_hold(store, &held, &mark, &error), 0);
    close_both();
    open_both();
    struct output_mark kept = mark_of("left", MARK_HOLD);
    assert_int_equal(kept.since_us, 5);
    assert_string_equal(kept.hand, "ab");
    assert_string_equal(kept.why, "writing the map");
    assert_string_equal(kept.unit, "TG-0042");
    assert_int_equal(mark_of("right", MARK_HOLD).since_us, 0);
    struct output_line over = line("left", "hold over", 6);
    assert_int_equal(store_put_hold(store, &over, NULL, &error), 0);
    assert_int_equal(mark_of("left", MARK_HOLD).since_us, 0);
    assert_log("left", 0, 10, "left hold over, left held; -");
}

static void test_what_happened_last(void **state)
{
    (void)state;
    char what[OUTPUT_LINE_WHAT];
    struct output_mark last;
    assert_int_equal(store_read_last_output(reader, "left", what, &last, &error), 0);
    assert_int_equal(last.since_us, 0);
    assert_string_equal(what, "");
    put("left", "on", 1);
    put("left", "off at the supply", 2);
    put("left", "refused", 3);
    put("right", "on", 4);
    assert_int_equal(store_read_last_output(reader, "left", what, &last, &error), 0);
    assert_string_equal(what, "off at the supply");
    assert_int_equal(last.since_us, 2);
    assert_string_equal(last.hand, "ab");
}

/* All lines of one call, or none; and as part of a group of the writer's. */
static void test_lines_stand_or_fall_together(void **state)
{
    (void)state;
    struct output_line lines[] = {line("left", "set", 1), line(NULL, "on", 2)};
    lines[0].ours = OURS_BEGINS;
    assert_int_equal(store_put_output_lines(store, lines, 2, &error), -1);
    assert_int_not_equal(error.status, EXIT_OK);
    assert_log(NULL, 0, 10, "; -");
    assert_int_equal(mark_of("left", MARK_OURS).since_us, 0);
    assert_int_equal(store_group_begin(store, &error), 0);
    put("left", "on", 3);
    assert_int_equal(store_group_end(store, false, &error), -1);
    assert_log(NULL, 0, 10, "; -");
    assert_int_equal(store_group_begin(store, &error), 0);
    put("left", "on", 4);
    assert_int_equal(store_group_end(store, true, &error), 0);
    assert_log(NULL, 0, 10, "left on; -");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_line_says_all_of_it, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_the_log_comes_in_pages_newest_first, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_what_is_ours_survives_a_restart, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_a_hold_survives_a_restart, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_happened_last, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_lines_stand_or_fall_together, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
