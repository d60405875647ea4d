/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What known-goods tell of the supply that read them: how often it renews what
 * it reads back, with a voltage column and without one.
 */
#include "reference/readback.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <gsl/gsl_rng.h>

#include <cmocka.h>

enum { COURSES = 2, READINGS = 360 };

static const double interval_s = 0.01;
static const unsigned long seed = 20261125;

/* A load that switches at will between two levels, read by a supply that counts
 * 10 mA and converts once in so many polls. */
static void switch_about(gsl_rng *random, size_t polls, double voltage_V, struct reading *readings)
{
    double current_A = 0.3;
    for (size_t i = 0; i < READINGS; i++) {
        if (i % polls == 0 && gsl_rng_uniform(random) < 0.6)
            current_A = current_A > 0.4 ? 0.3 : 0.5;
        readings[i] = (struct reading){.time_s = interval_s * (double)i,
                                       .voltage_V = voltage_V,
                                       .current_A = current_A,
                                       .valid = true,
                                       .output_on = FLAG_UNKNOWN,
                                       .limited = FLAG_UNKNOWN};
    }
}

static double refresh_learnt(size_t polls, double voltage_V)
{
    static struct reading readings[COURSES][READINGS];
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    assert_non_null(random);
    gsl_rng_set(random, seed);
    struct course courses[COURSES] = {{0}};
    for (size_t c = 0; c < COURSES; c++) {
        switch_about(random, polls, voltage_V, readings[c]);
        courses[c] = (struct course){.readings = readings[c],
                                     .count = READINGS,
                                     .interval_s = interval_s,
                                     .voltage_V = voltage_V};
    }
    gsl_rng_free(random);
    struct reference reference = {.reading_interval_s = interval_s};
    reference.accuracy.current_resolution_A = 0.01;
    assert_int_equal(readback_learn(&reference, courses, COURSES), 0);
    readback_drop_repeats(&reference, courses, COURSES);
    for (size_t c = 0; c < COURSES; c++)
        assert_in_range(courses[c].count, READINGS / polls, READINGS / polls + 1);
    return reference.refresh_s;
}

static void repeats_are_seen_with_and_without_a_voltage(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    for (size_t polls = 2; polls <= 5; polls++) {
        double with = refresh_learnt(polls, 12.0);
        double without = refresh_learnt(polls, NAN);
        print_message("%zu polls a conversion: renewed after %g s, without a voltage %g s\n", polls,
                      with, without);
        assert_true(fabs(with - ((double)polls - 0.5) * interval_s) < 1e-12);
        assert_true(without == with);
    }
}

static void fresh_readings_stay(void **state)
{
    (void)state;
    assert_true(refresh_learnt(1, 12.0) == 0);
    assert_true(refresh_learnt(1, NAN) == 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(repeats_are_seen_with_and_without_a_voltage),
        cmocka_unit_test(fresh_readings_stay),
    };
    return cmocka_run_group_tests_name("readback", tests, NULL, NULL);
}
