/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bench check from readings, and the charts of a row of them.
 */
#include "record/check_content.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const struct accuracy supply = {
    .current_resolution_A = 0.001, .current_gain = 0.002, .current_offset_A = 0.005};

static json_t *row_of(double value)
{
    json_t *list = json_array();
    for (int i = 0; i < 5; i++)
        json_array_append_new(list, json_real(value));
    return list;
}

static json_t *make_body(double zero_A, double current_A)
{
    return json_pack("{s:{s:o}, s:[{s:f, s:o, s:o}]}", "zero", "current_A", row_of(zero_A),
                     "resistors", "ohm", 47.0, "voltage_V", row_of(12), "current_A",
                     row_of(current_A));
}

static double number_at(const json_t *object, const char *key)
{
    return json_number_value(json_object_get(object, key));
}

static void test_a_check_that_passes_and_two_that_do_not(void **state)
{
    (void)state;
    static const struct {
        double zero_A, current_A;
        bool passed;
    } cases[] = {{0.001, 0.256, true}, {0.02, 0.256, false}, {0.001, 0.28, false}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct error error = {0};
        bool passed = false;
        json_t *body = make_body(cases[i].zero_A, cases[i].current_A);
        json_t *content = check_content(body, NULL, &supply, &passed, &error);
        assert_non_null(content);
        assert_int_equal(passed, cases[i].passed);
        const json_t *resistor = json_array_get(json_object_get(content, "resistors"), 0);
        assert_true(fabs(number_at(resistor, "expected_A") - 12.0 / 47) < 1e-9);
        assert_true(json_is_null(json_object_get(content, "check_standard")));
        json_decref(content);
        json_decref(body);
    }
}

static void assert_refused(json_t *body, const char *field)
{
    struct error error = {0};
    bool passed = false;
    assert_null(check_content(body, NULL, &supply, &passed, &error));
    assert_string_equal(error.file, field);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    json_decref(body);
}

static void test_what_is_no_check(void **state)
{
    (void)state;
    assert_refused(json_object(), "zero");
    assert_refused(json_pack("{s:{s:[f]}}", "zero", "current_A", 0.1), "zero");
    json_t *body = make_body(0, 0.255);
    json_object_set_new(json_array_get(json_object_get(body, "resistors"), 0), "ohm",
                        json_integer(0));
    assert_refused(body, "resistors");
    body = make_body(0, 0.255);
    json_object_set_new(json_array_get(json_object_get(body, "resistors"), 0), "voltage_V",
                        row_of(0));
    assert_refused(body, "resistors");
    body = make_body(0, 0.255);
    json_object_set_new(body, "resistors", json_string("47"));
    assert_refused(body, "resistors");
    body = make_body(0, 0.255);
    json_array_set_new(json_object_get(json_object_get(body, "zero"), "current_A"), 2, json_true());
    assert_refused(body, "zero");
}

/* Twelve days; from the eighth on what moves is given in amperes at 0.255 A. */
static json_t *make_days(double zero_A, double resistor_A, double standard_A)
{
    static const double noise_A[] = {0.0002, -0.0003, 0.0001, 0, -0.0001, 0.0003, -0.0002, 0.0001};
    json_t *days = json_array();
    for (int d = 0; d < 16; d++) {
        bool passed = false;
        struct error error = {0};
        double after = d >= 8 ? 1 : 0;
        json_t *standard =
            json_pack("{s:f}", "final_draw_A", 0.31 + noise_A[(d + 3) % 8] + after * standard_A);
        json_t *body = make_body(noise_A[d % 8] + after * zero_A,
                                 0.2553 + noise_A[(d + 5) % 8] + after * resistor_A);
        json_t *check = check_content(body, standard, &supply, &passed, &error);
        assert_non_null(check);
        json_object_set_new(check, "at", json_sprintf("2026-02-%02dT08:00:00Z", d + 1));
        json_array_append_new(days, check);
        json_decref(body);
        json_decref(standard);
    }
    return days;
}

static void test_what_moved_is_said(void **state)
{
    (void)state;
    static const struct {
        double zero_A, resistor_A, standard_A;
        const char *finding; /* NULL: none */
    } cases[] = {
        {0, 0, 0, NULL},
        {0.002, 0.002, 0.002, "offset"},
        {0, 0.003, 0.003, "gain"},
        {0.002, 0, 0, "zero moved alone"},
        {0, 0, 0.004, "only the check standard"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        json_t *days = make_days(cases[i].zero_A, cases[i].resistor_A, cases[i].standard_A);
        json_t *all = check_charts(days, &supply);
        const json_t *findings = json_object_get(all, "findings");
        assert_int_equal(json_array_size(json_object_get(all, "charts")), 3);
        assert_int_equal(json_array_size(findings), cases[i].finding ? 1 : 0);
        if (cases[i].finding)
            assert_non_null(
                strstr(json_string_value(json_array_get(findings, 0)), cases[i].finding));
        json_decref(all);
        json_decref(days);
    }
}

static void test_points_carry_their_day(void **state)
{
    (void)state;
    json_t *days = make_days(0, 0, 0.004);
    json_t *all = check_charts(days, &supply);
    const json_t *chart = json_array_get(json_object_get(all, "charts"), 2);
    assert_string_equal(json_string_value(json_object_get(chart, "of")), "check standard");
    const json_t *points = json_object_get(chart, "points");
    assert_int_equal(json_array_size(points), 16);
    const json_t *last = json_array_get(points, 15);
    assert_string_equal(json_string_value(json_object_get(last, "at")), "2026-02-16T08:00:00Z");
    assert_true(json_is_true(json_object_get(last, "signal")));
    assert_true(fabs(number_at(last, "value") - 0.004 / 0.31) < 0.003);
    assert_true(json_is_null(json_object_get(json_array_get(points, 2), "ewma")));
    json_decref(all);
    json_decref(days);
    days = json_array();
    all = check_charts(days, &supply);
    assert_int_equal(json_array_size(json_object_get(all, "charts")), 0);
    json_decref(all);
    json_decref(days);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_check_that_passes_and_two_that_do_not),
        cmocka_unit_test(test_what_is_no_check),
        cmocka_unit_test(test_what_moved_is_said),
        cmocka_unit_test(test_points_carry_their_day),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
