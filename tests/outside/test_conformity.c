/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * JCGM 106:2012, Evaluation of measurement data: the role of measurement
 * uncertainty in conformity assessment. The examples' inputs are from memory,
 * the figures recomputed with SciPy; those the document prints stand beside.
 */
#include "verdict/conformity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void close_to(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.10g, expected %.10g within %.1g", value, expected, within);
}

static void test_conformance_probabilities(void **state)
{
    (void)state;
    /* A Zener diode's breakdown, at most -5.40 V: prints 0.92. */
    struct limits zener = {-INFINITY, -5.40};
    close_to(conformity_probability(&zener, -5.47, 0.05), 0.91924, 5e-6);
    /* A container's bursting pressure, at least 490 kPa: prints 0.99. */
    struct limits container = {490, INFINITY};
    close_to(conformity_probability(&container, 509.7, 8.6), 0.98901, 5e-6);
    /* A motor oil's viscosity, 12.5 to 16.3 mm2/s: prints 0.66. */
    struct limits oil = {12.5, 16.3};
    close_to(conformity_probability(&oil, 13.6, 1.8), 0.66263, 5e-6);
    /* Distances from one limit, in u, for a wanted probability (table 1). */
    static const struct {
        double probability, z;
    } table[] = {{0.80, 0.84}, {0.90, 1.28}, {0.95, 1.64}, {0.99, 2.33}, {0.999, 3.09}};
    struct limits above = {0, INFINITY};
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        assert_true(conformity_probability(&above, table[i].z - 0.005, 1) < table[i].probability);
        assert_true(conformity_probability(&above, table[i].z + 0.005, 1) > table[i].probability);
    }
    close_to(conformity_probability(&above, 2, 1), 0.97725, 5e-6);
}

/* Resistors of 1500 +- 0.2 ohm: process spread 0.12, measured with 0.04. */
static void test_risks_of_resistors(void **state)
{
    (void)state;
    struct limits limits = {1499.8, 1500.2};
    static const struct {
        double guard, consumer, producer;
    } rows[] = {{0, 0.018942, 0.037208}, {0.04, 0.004334, 0.114657}, {0.08, 0.000469, 0.247670}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct conformity_process process = {1500, 0.12, 0.04, rows[i].guard};
        close_to(conformity_share(&limits, &process), 0.904419, 6e-7);
        close_to(conformity_consumer_risk(&limits, &process), rows[i].consumer, 6e-7);
        close_to(conformity_producer_risk(&limits, &process), rows[i].producer, 6e-7);
    }
}

static void test_three_outcomes(void **state)
{
    (void)state;
    struct limits limits = {-1, 1};
    assert_int_equal(conformity_decide(&limits, 0.8, 0.2), VERDICT_GOOD);
    assert_int_equal(conformity_decide(&limits, 0.81, 0.2), VERDICT_UNSURE);
    assert_int_equal(conformity_decide(&limits, 1.2, 0.2), VERDICT_UNSURE);
    assert_int_equal(conformity_decide(&limits, 1.21, 0.2), VERDICT_BAD);
    assert_int_equal(conformity_decide(&limits, -1.21, 0.2), VERDICT_BAD);
    /* No acceptance zone is left; not a number is never good or bad. */
    assert_int_equal(conformity_decide(&limits, 0, 1.5), VERDICT_UNSURE);
    assert_int_equal(conformity_decide(&limits, NAN, 0.2), VERDICT_UNSURE);
    struct conformity_process process = {0, 0.5, 0.1, 1.5};
    close_to(conformity_consumer_risk(&limits, &process), 0, 0);
    close_to(conformity_producer_risk(&limits, &process), conformity_share(&limits, &process), 0);
    assert_true(isnan(conformity_probability(&limits, 0, 0)));
    process.u = 0;
    assert_true(isnan(conformity_consumer_risk(&limits, &process)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_conformance_probabilities),
        cmocka_unit_test(test_risks_of_resistors),
        cmocka_unit_test(test_three_outcomes),
    };
    return cmocka_run_group_tests_name("outside conformity", tests, NULL, NULL);
}
