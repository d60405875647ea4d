/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One-way random effects against published data:
 *   CMH-17-1G 8.3.11.2.2, ETW2 (data and results as in the open tests of an R
 *   package that implements the handbook)
 *   Krishnamoorthy and Mathew (2009), example 4.1 (the data; the limits were
 *   recomputed with SciPy, the book's own could not be read)
 * Mee and Owen's formula is from memory, checked against an independent
 * simulation of the generalized pivotal quantity (4e6 draws) within 0.1.
 */
#include "reference/random_effects.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

static void close_to(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.10g, expected %.10g within %.1g", value, expected, within);
}

static const double etw2[] = {99.0239966, 103.341238, 100.30213,  98.4634133, 92.264728,
                              103.487693, 113.734763, 108.172659, 108.426732, 116.260375,
                              121.04961,  111.223082, 104.574843, 103.222552, 99.3918538,
                              87.3421658, 102.730741, 96.3694916, 99.5946088, 97.0712407};
static const size_t etw2_sizes[] = {7, 7, 6};

static const double km41[] = {379, 357, 390, 376, 376, 363, 367, 382, 381, 359, 401, 402, 407,
                              402, 396, 402, 387, 392, 395, 394, 415, 405, 396, 390, 395};
static const size_t km41_sizes[] = {5, 5, 5, 5, 5};

static void test_cmh_17_etw2(void **state)
{
    (void)state;
    struct random_effects effects;
    assert_true(random_effects_split(etw2, etw2_sizes, 3, &effects));
    close_to(effects.between_squares, 608.853934, 1e-5);
    close_to(effects.within_squares, 640.770449, 1e-5);
    close_to(effects.between_mean_square, 304.426967, 1e-5);
    close_to(effects.within_mean_square, 37.692379, 1e-5);
    close_to(effects.effective_size, 6.65, 1e-12);
    close_to(effects.between2, 40.110464, 1e-5);
    /* The handbook prints 63.2 and 34.6. */
    close_to(basis_lower(&effects, 0.90, 0.95), 63.2, 0.05);
    close_to(basis_lower(&effects, 0.99, 0.95), 34.6, 0.05);
    close_to(basis_lower(&effects, 0.90, 0.95), 63.2028, 2e-3);
    close_to(basis_lower(&effects, 0.99, 0.95), 34.5776, 2e-3);
    close_to(basis_upper(&effects, 0.90, 0.95), 2 * effects.mean - 63.2028, 2e-3);
}

static void test_krishnamoorthy_mathew_41(void **state)
{
    (void)state;
    struct random_effects effects;
    assert_true(random_effects_split(km41, km41_sizes, 5, &effects));
    close_to(effects.mean, 388.36, 1e-10);
    close_to(effects.between_squares, 4163.36, 1e-8);
    close_to(effects.within_squares, 1578.4, 1e-8);
    close_to(effects.between_mean_square, 1040.84, 1e-8);
    close_to(effects.within_mean_square, 78.92, 1e-9);
    close_to(effects.between2, 192.384, 1e-8);
    close_to(effects.f, 13.188545, 1e-6);
    close_to(effects.harmonic_size, 5, 1e-12);
    close_to(mee_owen_lower(&effects, 0.90, 0.95), 337.757, 1e-3);
    close_to(mee_owen_upper(&effects, 0.90, 0.95), 438.963, 1e-3);
    close_to(mee_owen_lower(&effects, 0.90, 0.95), 337.78, 0.1);
    close_to(basis_lower(&effects, 0.90, 0.95), 338.0461, 1e-3);
}

/* Batches that differ less than their own values do: the component between
 * them is 0, never negative, and the limits are those of one sample's spread
 * and wider. */
static void test_no_spread_between(void **state)
{
    (void)state;
    static const double values[] = {10, 12, 8, 11, 9, 10, 9, 11, 12, 8};
    static const size_t sizes[] = {5, 5};
    struct random_effects effects;
    assert_true(random_effects_split(values, sizes, 2, &effects));
    assert_true(effects.between_mean_square < effects.within_mean_square);
    assert_true(effects.between2 == 0);
    assert_true(basis_lower(&effects, 0.90, 0.95) < 8);
    assert_true(mee_owen_lower(&effects, 0.90, 0.95) < 8);
}

static void test_what_cannot_be_split(void **state)
{
    (void)state;
    static const double values[] = {1, 2, 4};
    static const size_t singles[] = {1, 1, 1};
    static const size_t whole[] = {3};
    static const size_t hole[] = {3, 0};
    struct random_effects effects;
    assert_false(random_effects_split(values, whole, 0, &effects));
    assert_false(random_effects_split(values, hole, 2, &effects));
    assert_true(random_effects_split(values, singles, 3, &effects));
    assert_true(isnan(effects.within2) && effects.between2 > 0);
    assert_true(isnan(basis_lower(&effects, 0.9, 0.95)));
    assert_true(random_effects_split(values, whole, 1, &effects));
    assert_true(isnan(effects.between2) && effects.within2 > 0);
    assert_true(isnan(mee_owen_upper(&effects, 0.9, 0.95)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cmh_17_etw2),
        cmocka_unit_test(test_krishnamoorthy_mathew_41),
        cmocka_unit_test(test_no_spread_between),
        cmocka_unit_test(test_what_cannot_be_split),
    };
    return cmocka_run_group_tests_name("outside random effects", tests, NULL, NULL);
}
