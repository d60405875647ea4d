/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a record says, from what is kept.
 */
#include "record/record_content.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static json_t *parsed(const char *text)
{
    json_error_t error;
    json_t *value = json_loads(text, 0, &error);
    if (!value)
        fail_msg("%s at %d: %s", error.text, error.position, text);
    return value;
}

static struct record_source make_source(void)
{
    struct record_source source = {.bench = "Harbour Lane",
                                   .written_at = "2026-01-31T10:00:00Z",
                                   .hand = "TM",
                                   .method = "as stated"};
    source.unit = parsed("{\"id\":\"4\",\"serial\":\"HL-0007\",\"module_type\":\"tank gauge\","
                         "\"revision\":\"B\",\"set_up\":null}");
    source.work_order = parsed(
        "{\"id\":\"9\",\"complaint\":\"does not wake\",\"closed_at\":\"2026-01-31T09:00:00Z\","
        "\"outcome\":\"repaired\",\"stages\":[\"intake\",\"after rework\",\"after coating\","
        "\"final\"],"
        "\"notes\":[{\"text\":\"kept\",\"struck_at\":null},"
        "{\"text\":\"wrong unit\",\"struck_at\":\"2026-01-30T09:00:00Z\",\"struck_why\":\"x\"}],"
        "\"meter_readings\":[{\"stage\":\"intake\",\"what\":\"supply to ground, \\\"cold\\\"\","
        "\"value\":1234.5,\"unit\":\"ohm\",\"hand\":\"TM\",\"struck_at\":null,"
        "\"at\":\"2026-01-29T09:00:00Z\"}],\"photos\":[]}");
    source.power_ups = parsed(
        "[{\"id\":\"20\",\"stage\":\"intake\",\"supply\":\"left\",\"verdict\":{\"verdict\":"
        "\"unsure\",\"reasons\":[{\"code\":\"incomplete\",\"text\":\"ended early\"}]}},"
        "{\"id\":\"21\",\"stage\":\"intake\",\"supply\":\"left\",\"verdict\":{\"verdict\":\"bad\","
        "\"final_draw_A\":0.2,\"reasons\":[{\"code\":\"low_final\",\"text\":\"=low, and stays\"}]},"
        "\"signature\":{\"phases\":[]}},"
        "{\"id\":\"22\",\"stage\":\"final\",\"supply\":\"left\",\"verdict\":{\"verdict\":\"good\","
        "\"final_draw_A\":0.25,\"reasons\":[]},\"signature\":{\"phases\":[1]}},"
        "{\"id\":\"23\",\"stage\":\"after rework\",\"supply\":\"left\",\"verdict\":{\"verdict\":"
        "\"good\",\"final_draw_A\":0.251,\"reasons\":[]}}]");
    source.rows = parsed("[]");
    source.together = parsed("{\"final\":{\"verdict\":\"good\",\"failure_rate\":{\"text\":"
                             "\"below 95 %\"}}}");
    return source;
}

static void clear_source(struct record_source *source)
{
    enum { PARTS = 6 };
    const json_t *values[PARTS] = {source->unit, source->work_order, source->power_ups,
                                   source->rows, source->together,   source->reference};
    for (size_t i = 0; i < PARTS; i++) {
        json_t *ours = NULL;
        memcpy(&ours, &values[i], sizeof(json_t *));
        json_decref(ours);
    }
}

static const char *text_at(const json_t *content, const char *part, const char *key)
{
    return json_string_value(json_object_get(json_object_get(content, part), key));
}

static void test_before_and_after(void **state)
{
    (void)state;
    struct record_source source = make_source();
    json_t *content = record_content(&source);
    /* The first that was decided; the last of the last stage, though a power-up of an
     * earlier stage came after it. */
    assert_string_equal(text_at(content, "before", "id"), "21");
    assert_string_equal(text_at(content, "before", "code"), "low_final");
    assert_string_equal(text_at(content, "after", "id"), "22");
    assert_int_equal(
        json_array_size(json_object_get(
            json_object_get(json_object_get(content, "after"), "signature"), "phases")),
        1);
    assert_string_equal(json_string_value(json_object_get(content, "supports")), "below 95 %");
    assert_int_equal(json_array_size(json_object_get(content, "power_ups")), 4);
    json_decref(content);
    clear_source(&source);
}

static void test_what_was_struck_is_left_out(void **state)
{
    (void)state;
    struct record_source source = make_source();
    json_t *content = record_content(&source);
    const json_t *notes = json_object_get(content, "notes");
    assert_int_equal(json_array_size(notes), 1);
    assert_string_equal(json_string_value(json_object_get(json_array_get(notes, 0), "text")),
                        "kept");
    assert_null(json_object_get(json_array_get(notes, 0), "struck_at"));
    json_decref(content);
    clear_source(&source);
}

static bool says(const json_t *list, const char *part)
{
    for (size_t i = 0; i < json_array_size(list); i++)
        if (strstr(json_string_value(json_array_get(list, i)), part))
            return true;
    return false;
}

static void test_what_was_not_tested(void **state)
{
    (void)state;
    struct record_source source = make_source();
    json_t *content = record_content(&source);
    const json_t *list = json_object_get(content, "not_tested");
    assert_true(says(list, "communication"));
    assert_true(says(list, "\"after coating\": no power-up"));
    assert_false(says(list, "\"final\""));
    assert_true(says(list, "there was none"));
    assert_true(says(json_object_get(content, "cautions"), "no proof"));
    json_decref(content);
    source.reference = parsed("{\"version\":3}");
    content = record_content(&source);
    assert_false(says(json_object_get(content, "not_tested"), "there was none"));
    json_decref(content);
    clear_source(&source);
}

static void test_when_it_may_be_written(void **state)
{
    (void)state;
    struct record_source source = make_source();
    const char *why_not = NULL;
    assert_true(record_may_be_written(&source, &why_not));
    const json_t *power_ups = source.power_ups;
    source.power_ups = NULL;
    assert_false(record_may_be_written(&source, &why_not));
    assert_non_null(strstr(why_not, "no power-up"));
    source.power_ups = power_ups;
    json_t *open = parsed("{\"closed_at\":null}");
    const json_t *order = source.work_order;
    source.work_order = open;
    assert_false(record_may_be_written(&source, &why_not));
    assert_non_null(strstr(why_not, "close"));
    json_decref(open);
    source.work_order = order;
    clear_source(&source);
}

static void test_the_table(void **state)
{
    (void)state;
    struct record_source source = make_source();
    json_t *content = record_content(&source);
    size_t length = 0;
    char *text = record_to_csv(content, &length);
    assert_non_null(text);
    assert_int_equal(strlen(text), length);
    assert_non_null(strstr(text, "power-up,intake,,21,left,bad,0.2,low_final,\"'=low, and stays\","
                                 ",,,\r\n"));
    assert_non_null(strstr(text, "meter reading,intake,2026-01-29T09:00:00Z,,,,,,,\"supply to "
                                 "ground, \"\"cold\"\"\",1234.5,ohm,TM\r\n"));
    size_t lines = 0;
    for (const char *at = text; (at = strstr(at, "\r\n")) != NULL; at += 2)
        lines++;
    assert_int_equal(lines, 6);
    free(text);
    json_decref(content);
    clear_source(&source);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_before_and_after),
        cmocka_unit_test(test_what_was_struck_is_left_out),
        cmocka_unit_test(test_what_was_not_tested),
        cmocka_unit_test(test_when_it_may_be_written),
        cmocka_unit_test(test_the_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
