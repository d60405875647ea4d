/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The daily check: against what the supply states, and on charts. The charts'
 * own arithmetic is checked against the handbook in tests/outside.
 */
#include "trend/bench_check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const struct accuracy supply = {.current_resolution_A = 0.001,
                                       .current_gain = 0.002,
                                       .current_offset_A = 0.005,
                                       .voltage_gain = 0.0005,
                                       .voltage_offset_V = 0.01};

static void assert_close(double value, double expected, double slack)
{
    if (!(fabs(value - expected) <= slack))
        fail_msg("found %.9g, expected %.9g +- %g", value, expected, slack);
}

/* 47 ohm at 12 V is 0.255 A (Ohm's law; common practice for a check resistor). */
static void test_a_resistor_by_ohms_law(void **state)
{
    (void)state;
    struct checked checked = {
        .kind = CHECKED_RESISTOR, .voltage_V = 12, .ohm = 47, .tolerance = 0.01};
    struct checked_limits limits = checked_limits(&checked, &supply);
    assert_close(limits.expected_A, 0.2553, 1e-4);
    /* 0.2 % + 5 mA + half a step, 1 % of the resistor, 16 mV of the voltage. */
    assert_close(limits.allowed_A, 0.000511 + 0.005 + 0.0005 + 0.002553 + 0.00034, 1e-5);
    checked.current_A = 0.2630;
    assert_true(checked_passes(&checked, &supply));
    checked.current_A = 0.2645;
    assert_false(checked_passes(&checked, &supply));
    checked.current_A = 0.2460;
    assert_false(checked_passes(&checked, &supply));
    checked.current_A = 0.25532;
    assert_close(checked_charted(&checked), 0, 1e-4);
    checked.leads_ohm = 0.1;
    assert_close(checked_charted(&checked), 0.1 / 47, 1e-4);
}

static void test_zero_and_standard(void **state)
{
    (void)state;
    struct checked zero = {.kind = CHECKED_ZERO, .current_A = 0.005};
    assert_true(checked_passes(&zero, &supply));
    zero.current_A = -0.006;
    assert_false(checked_passes(&zero, &supply));
    struct checked standard = {.kind = CHECKED_STANDARD, .current_A = 0.3, .expected_A = NAN};
    assert_true(checked_passes(&standard, &supply));
    standard.expected_A = 0.31;
    assert_false(checked_passes(&standard, &supply));
    standard.expected_A = 0.305;
    assert_true(checked_passes(&standard, &supply));
}

static void test_no_chart_before_its_baseline(void **state)
{
    (void)state;
    double values[] = {1, 1.01, 0.99, 1.0, 1.02, 1.0, 1.0};
    struct check_point points[7];
    struct check_chart chart = check_chart_lay(values, 6, 0.001, points);
    assert_false(chart.settled);
    assert_true(isnan(points[5].ewma));
    chart = check_chart_lay(values, 7, 0.001, points);
    assert_true(chart.settled);
    assert_close(chart.centre, 7.02 / 7, 1e-9);
    assert_int_equal(points[6].state, CHART_IN_CONTROL);
    double still[9] = {2, 2, 2, 2, 2, 2, 2, 2, 2};
    struct check_point more[9];
    assert_false(check_chart_lay(still, 9, 0, more).settled);
    assert_true(check_chart_lay(still, 9, 0.0003, more).settled);
    assert_int_equal(more[8].state, CHART_IN_CONTROL);
}

/* A drift of one sigma a week is called within three weeks of days, and a steady
 * row of a quarter is mostly left in peace: its centre and
 * sigma rest on a week of values, so that one row in twenty is allowed. */
static void test_a_drift_is_found(void **state)
{
    (void)state;
    enum { ROWS = 400, DAYS = 60 };
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    unsigned long seed = given ? strtoul(given, NULL, 10) : 20260201;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(random);
    gsl_rng_set(random, seed);
    int found = 0;
    int alarmed = 0;
    for (int r = 0; r < ROWS; r++) {
        double steady[DAYS];
        double drifting[DAYS];
        struct check_point points[DAYS];
        for (int d = 0; d < DAYS; d++) {
            steady[d] = gsl_ran_gaussian(random, 0.001);
            drifting[d] = steady[d] + (d > 10 ? 0.001 * (d - 10) / 7 : 0);
        }
        check_chart_lay(drifting, DAYS, 0.001, points);
        bool in_time = false;
        for (int d = 10; d < 10 + 21; d++)
            in_time |= points[d].state == CHART_HIGH;
        found += in_time;
        check_chart_lay(steady, 20, 0.001, points);
        for (int d = 0; d < 20; d++)
            if (points[d].state != CHART_IN_CONTROL) {
                alarmed++;
                break;
            }
    }
    gsl_rng_free(random);
    print_message("drifts found %d, steady rows alarmed %d of %d\n", found, alarmed, ROWS);
    assert_true(found > ROWS * 0.9);
    assert_true(alarmed < ROWS / 20);
}

static void test_what_moved(void **state)
{
    (void)state;
    assert_int_equal(check_finding_of(false, false, false), CHECK_STEADY);
    assert_int_equal(check_finding_of(true, true, true), CHECK_OFFSET_MOVED);
    assert_int_equal(check_finding_of(false, true, true), CHECK_GAIN_MOVED);
    assert_int_equal(check_finding_of(true, false, true), CHECK_ZERO_MOVED);
    assert_int_equal(check_finding_of(false, false, true), CHECK_STANDARD_MOVED);
    assert_non_null(strstr(check_finding_text(CHECK_STANDARD_MOVED), "not the supply"));
}

static void test_states(void **state)
{
    (void)state;
    assert_int_equal(check_state_of(true, NAN, 86400), CHECK_NEVER);
    assert_int_equal(check_state_of(true, 86400, 86400), CHECK_VERIFIED);
    assert_int_equal(check_state_of(true, 86401, 86400), CHECK_OVERDUE);
    assert_int_equal(check_state_of(false, 1, 86400), CHECK_FAILED);
    assert_string_equal(check_state_name(CHECK_OVERDUE), "overdue");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_resistor_by_ohms_law),
        cmocka_unit_test(test_zero_and_standard),
        cmocka_unit_test(test_no_chart_before_its_baseline),
        cmocka_unit_test(test_a_drift_is_found),
        cmocka_unit_test(test_what_moved),
        cmocka_unit_test(test_states),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
