/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What changed between stages: against published tests, and in simulation.
 * WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "trend/stage_change.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static const struct own_spread nothing_known = {0};

static void assert_close(double value, double expected, double slack)
{
    if (!(fabs(value - expected) <= slack))
        fail_msg("found %.9g, expected %.9g +- %g", value, expected, slack);
}

/* Values with exactly this mean and standard deviation. */
static void fill(double *values, size_t count, double mean, double sd)
{
    double half = sd * sqrt((double)(count - 1) / (double)(count - count % 2));
    for (size_t i = 0; i < count; i++)
        values[i] = mean + (i + 1 == count && count % 2 ? 0 : i % 2 ? half : -half);
}

/* NIST/SEMATECH e-Handbook 1.3.5.3, two-sample t-test of automobile mileage: 249
 * values of mean 20.14458 and standard deviation 6.41470, 79 of 30.48101 and
 * 6.10771; pooled 6.34260, T = -12.62059 on 326 degrees of freedom (figures from
 * memory). */
static void test_pooled_t_of_the_handbook(void **state)
{
    (void)state;
    double first[249];
    double second[79];
    fill(first, 249, 20.14458, 6.41470);
    fill(second, 79, 30.48101, 6.10771);
    struct stage_values stages[] = {{first, 249}, {second, 79}};
    struct stage_mean means[2];
    struct stage_change change;
    double sd;
    double df;
    stage_spread(stages, 2, &nothing_known, &sd, &df);
    assert_close(sd, 6.34260, 1e-5);
    assert_int_equal((int)df, 326);
    assert_int_equal(stage_changes_find(stages, 2, &nothing_known, 0.95, means, &change), 1);
    assert_close(change.t, 12.62059, 2e-5);
    /* Two-sided critical value at 326 degrees of freedom: 1.9673 (there). */
    assert_close((change.high - change.difference) / (change.difference / change.t), 1.9673, 1e-4);
}

/* R, p.adjust(c(0.01, 0.02, 0.03, 0.04, 0.05), "holm"): 0.05 0.08 0.09 0.09 0.09. */
static void test_holm_as_r_adjusts(void **state)
{
    (void)state;
    static const double expected[] = {0.05, 0.08, 0.09, 0.09, 0.09};
    struct stage_change changes[6];
    struct stage_change *order[6];
    for (size_t i = 0; i < 6; i++) {
        changes[i] = (struct stage_change){.p = i < 5 ? 0.01 * (double)(i + 1) : (double)NAN};
        order[5 - i] = &changes[i];
    }
    stage_changes_settle(order, 6, 0.06);
    for (size_t i = 0; i < 5; i++) {
        assert_close(changes[i].p_family, expected[i], 1e-12);
        assert_int_equal(changes[i].is_more, i == 0);
    }
    assert_false(changes[5].is_more);
}

static void test_a_stage_without_power_ups_is_passed_over(void **state)
{
    (void)state;
    double before[] = {-0.2, -0.21, -0.19};
    double after[] = {0.001, -0.001};
    struct stage_values stages[] = {{before, 3}, {NULL, 0}, {after, 2}};
    struct stage_mean means[3];
    struct stage_change changes[2];
    struct own_spread known = {.sd = 0.004, .df = 10};
    assert_int_equal(stage_changes_find(stages, 3, &known, 0.95, means, changes), 1);
    assert_int_equal(changes[0].from, 0);
    assert_int_equal(changes[0].to, 2);
    assert_close(changes[0].difference, 0.2, 1e-12);
    assert_true(changes[0].low > 0.18 && changes[0].high < 0.22);
    assert_true(isnan(means[1].mean));
    struct stage_change *all = &changes[0];
    stage_changes_settle(&all, 1, 0.05);
    assert_true(changes[0].is_more);
}

/* One power-up a stage and nothing known: a difference, and no claim. */
static void test_without_a_spread_nothing_is_claimed(void **state)
{
    (void)state;
    double one = 1;
    double other = 2;
    struct stage_values stages[] = {{&one, 1}, {&other, 1}};
    struct stage_mean means[2];
    struct stage_change change;
    assert_int_equal(stage_changes_find(stages, 2, &nothing_known, 0.95, means, &change), 1);
    assert_true(isnan(change.p) && isnan(change.low) && isnan(means[0].low));
    struct stage_change *all = &change;
    stage_changes_settle(&all, 1, 0.05);
    assert_false(change.is_more);
}

/* The readback's step: two stages one code apart are no change. */
static void test_one_step_is_no_change(void **state)
{
    (void)state;
    double low[] = {0.25, 0.25, 0.25, 0.25};
    double high[] = {0.26, 0.26, 0.26, 0.26};
    struct stage_values stages[] = {{low, 4}, {high, 4}};
    struct stage_mean means[2];
    struct stage_change change;
    struct own_spread known = {.floor = 0.01 / sqrt(12), .stays = 0.01 / sqrt(12)};
    stage_changes_find(stages, 2, &known, 0.95, means, &change);
    assert_true(change.p > 0.05);
    known = (struct own_spread){0};
    stage_changes_find(stages, 2, &known, 0.95, means, &change);
    assert_true(change.p == 0);
}

/* No change anywhere: any is claimed in 5 % of orders at most; limits of one
 * difference hold 95 %. A shift of five spreads is found. */
static void test_errors_are_as_stated(void **state)
{
    (void)state;
    enum { ORDERS = 4000, ROWS = 4, STAGES = 5, POWER_UPS = 3 };
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    unsigned long seed = given ? strtoul(given, NULL, 10) : 20260131;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(random);
    gsl_rng_set(random, seed);
    int wrong = 0;
    int outside = 0;
    int found = 0;
    for (int k = 0; k < ORDERS; k++) {
        double values[ROWS][STAGES][POWER_UPS];
        struct stage_change changes[ROWS][STAGES - 1];
        struct stage_change *all[ROWS * (STAGES - 1)];
        for (int r = 0; r < ROWS; r++) {
            struct stage_values stages[STAGES];
            struct stage_mean means[STAGES];
            for (int s = 0; s < STAGES; s++) {
                stages[s] = (struct stage_values){values[r][s], POWER_UPS};
                for (int i = 0; i < POWER_UPS; i++)
                    values[r][s][i] = gsl_ran_gaussian(random, 1) + (r == 0 && s == 4 ? 5 : 0);
            }
            assert_int_equal(
                stage_changes_find(stages, STAGES, &nothing_known, 0.95, means, changes[r]),
                STAGES - 1);
            for (int c = 0; c < STAGES - 1; c++)
                all[r * (STAGES - 1) + c] = &changes[r][c];
        }
        outside += changes[1][0].low > 0 || changes[1][0].high < 0;
        stage_changes_settle(all, (size_t)ROWS * (STAGES - 1), 0.05);
        bool any = false;
        for (int r = 0; r < ROWS; r++)
            for (int c = 0; c < STAGES - 1; c++)
                any |= changes[r][c].is_more && !(r == 0 && c == STAGES - 2);
        wrong += any;
        found += changes[0][STAGES - 2].is_more;
    }
    gsl_rng_free(random);
    /* Binomial, four standard deviations. */
    assert_true(wrong <= ORDERS * 0.05 + 4 * sqrt(ORDERS * 0.05 * 0.95));
    assert_true(abs(outside - ORDERS / 20) <= 4 * sqrt(ORDERS * 0.05 * 0.95));
    assert_true(found > ORDERS * 0.95);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pooled_t_of_the_handbook),
        cmocka_unit_test(test_holm_as_r_adjusts),
        cmocka_unit_test(test_a_stage_without_power_ups_is_passed_over),
        cmocka_unit_test(test_without_a_spread_nothing_is_claimed),
        cmocka_unit_test(test_one_step_is_no_change),
        cmocka_unit_test(test_errors_are_as_stated),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
