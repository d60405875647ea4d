/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The text of a reading event, read back by the JSON library: every number is the
 * double that was handed in.
 */
#include "bench/reading_event.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static json_t *parsed(const char *supply, int64_t power_up, const struct reading *readings,
                      size_t count)
{
    char *text = reading_event_text(supply, power_up, readings, count);
    assert_non_null(text);
    json_error_t problem;
    json_t *event = json_loads(text, 0, &problem);
    if (!event)
        fail_msg("%s in %s", problem.text, text);
    free(text);
    return event;
}

static void same(const json_t *event, const char *name, size_t index, double wanted)
{
    const json_t *item = json_array_get(json_object_get(event, name), index);
    if (isnan(wanted))
        assert_true(json_is_null(item));
    else if (json_number_value(item) != wanted)
        fail_msg("%s: %.17g, expected %.17g", name, json_number_value(item), wanted);
}

static void test_numbers_come_back_as_they_were(void **state)
{
    (void)state;
    enum { COUNT = 256, ROUNDS = 200 };
    const char *seed_text = getenv("WAKEDRAW_TEST_SEED");
    unsigned seed = seed_text ? (unsigned)strtoul(seed_text, NULL, 10) : 4711;
    printf("seed %u\n", seed);
    srand(seed);
    for (int k = 0; k < ROUNDS; k++) {
        struct reading readings[COUNT];
        double scale = pow(10, rand() % 6 - 3);
        for (int i = 0; i < COUNT; i++) {
            readings[i] = (struct reading){.time_s = rand() / 1e3 + rand() / 1e9,
                                           .voltage_V = scale * (rand() / 1e8 - 5),
                                           .current_A = scale * (rand() / 1e9 - 0.5),
                                           .valid = rand() % 10 > 0};
            if (rand() % 20 == 0)
                readings[i].voltage_V = rand() % 40 - 20;
            if (rand() % 50 == 0)
                readings[i].voltage_V = NAN;
            reading_quantise(&readings[i]);
        }
        json_t *event = parsed("\"left\"", k, readings, COUNT);
        for (size_t i = 0; i < COUNT; i++) {
            same(event, "time_s", i, readings[i].time_s);
            same(event, "voltage_V", i, readings[i].voltage_V);
            same(event, "current_A", i, readings[i].valid ? readings[i].current_A : (double)NAN);
        }
        assert_int_equal(json_array_size(json_object_get(event, "time_s")), COUNT);
        json_decref(event);
    }
}

static void test_the_form(void **state)
{
    (void)state;
    const struct reading readings[] = {
        {.time_s = 12, .voltage_V = -0.5, .current_A = 0.0000001, .valid = true},
        {.time_s = 12.25, .voltage_V = 0, .current_A = 3, .valid = false},
        {.time_s = 1e12, .voltage_V = 24.000001, .current_A = -0.01, .valid = true},
    };
    char *text = reading_event_text("\"a \\\"b\\\"\"", 0, readings, 3);
    assert_string_equal(text, "{\"supply\":\"a \\\"b\\\"\",\"power_up\":null,"
                              "\"time_s\":[12.0,12.25,1e+12],"
                              "\"voltage_V\":[-0.5,0.0,24.000001],"
                              "\"current_A\":[0.0000001,null,-0.01]}");
    free(text);
    text = reading_event_text("\"left\"", 17, readings, 0);
    assert_string_equal(text, "{\"supply\":\"left\",\"power_up\":\"17\",\"time_s\":[],"
                              "\"voltage_V\":[],\"current_A\":[]}");
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_numbers_come_back_as_they_were),
        cmocka_unit_test(test_the_form),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
