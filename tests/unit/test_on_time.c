/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Drops in a soak's log: found where they were put, and nowhere else.
 */
#include "trend/on_time.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

enum { READINGS = 400 };

static struct reading readings[READINGS];

static double uniform(void)
{
    return (double)random() / ((double)RAND_MAX + 1);
}

/* A unit that warms up: its draw creeps down by a fifth over the log. */
static void soak(double scatter_A)
{
    for (int i = 0; i < READINGS; i++)
        readings[i] =
            (struct reading){.time_s = 10 + 0.8 * i,
                             .voltage_V = 24,
                             .current_A = 0.5 - 0.1 * i / READINGS + scatter_A * (uniform() - 0.5),
                             .valid = true,
                             .output_on = FLAG_YES};
}

static void lower(int from, int to, double share)
{
    for (int i = from; i < to; i++)
        readings[i].current_A *= share;
}

static void test_creeping_is_no_drop(void **state)
{
    (void)state;
    for (int round = 0; round < 200; round++) {
        soak(0.02);
        assert_int_equal(on_time_drops(readings, READINGS, NULL, 0), 0);
    }
}

static void test_drops_are_where_they_were_put(void **state)
{
    (void)state;
    for (int round = 0; round < 200; round++) {
        soak(0.01);
        int at[3];
        int length[3];
        for (int k = 0; k < 3; k++) {
            at[k] = 20 + 120 * k + (int)(uniform() * 60);
            length[k] = 1 + (int)(uniform() * 30);
            lower(at[k], at[k] + length[k], 0.2 + 0.6 * uniform());
        }
        struct drop drops[4];
        assert_int_equal(on_time_drops(readings, READINGS, drops, 4), 3);
        for (int k = 0; k < 3; k++) {
            assert_true(drops[k].from_s == readings[at[k]].time_s);
            assert_true(drops[k].to_s == readings[at[k] + length[k]].time_s);
            double lowest_A = INFINITY;
            for (int i = at[k]; i < at[k] + length[k]; i++)
                lowest_A = fmin(lowest_A, readings[i].current_A);
            assert_true(drops[k].low_A == lowest_A);
            assert_true(fabs(drops[k].of_A - readings[at[k] - 1].current_A) < 0.015);
        }
        assert_int_equal(on_time_drops(readings, READINGS, drops, 1), 3);
    }
}

static void test_one_that_lasts_ends_with_the_log(void **state)
{
    (void)state;
    soak(0);
    lower(300, READINGS, 0.5);
    struct drop drop;
    assert_int_equal(on_time_drops(readings, READINGS, &drop, 1), 1);
    assert_true(drop.from_s == readings[300].time_s);
    assert_true(drop.to_s == readings[READINGS - 1].time_s);
}

static void test_off_and_invalid_are_none(void **state)
{
    (void)state;
    soak(0.001);
    for (int i = 100; i < 105; i++) {
        readings[i].valid = false;
        readings[i].current_A = NAN;
    }
    for (int i = 200; i < 205; i++) {
        readings[i].voltage_V = 3;
        readings[i].current_A = 0.01;
    }
    for (int i = READINGS - 3; i < READINGS; i++) {
        readings[i].output_on = FLAG_NO;
        readings[i].current_A = 0;
    }
    assert_int_equal(on_time_drops(readings, READINGS, NULL, 0), 0);
    /* Nor what scatters by less than a tenth in all, nor in too short a log. */
    soak(0.03);
    assert_int_equal(on_time_drops(readings, READINGS, NULL, 0), 0);
    soak(0);
    lower(ON_TIME_FEWEST - 1, ON_TIME_FEWEST, 0.1);
    assert_int_equal(on_time_drops(readings, ON_TIME_FEWEST, NULL, 0), 0);
    assert_int_equal(on_time_drops(readings, 0, NULL, 0), 0);
}

int main(void)
{
    const char *given = getenv("SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_creeping_is_no_drop),
        cmocka_unit_test(test_drops_are_where_they_were_put),
        cmocka_unit_test(test_one_that_lasts_ends_with_the_log),
        cmocka_unit_test(test_off_and_invalid_are_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
