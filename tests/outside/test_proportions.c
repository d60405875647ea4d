/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Exact binomial limits and Fisher's exact test. Sources: Newcombe (1998),
 * Statistics in Medicine 17:857 (examples from memory, recomputed with SciPy,
 * agreeing to four decimals); a published worked example of 5 in 25 (0.068 to
 * 0.407); Clopper and Pearson (1934) for what no failure supports.
 */
#include "trend/proportion.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof *(array))

static void close_to(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.10g, expected %.10g within %.1g", value, expected, within);
}

static void test_clopper_pearson(void **state)
{
    (void)state;
    static const struct {
        unsigned failures, tries;
        double low, high;
    } examples[] = {
        {81, 263, 0.252737, 0.367622}, {15, 148, 0.057844, 0.161650}, {0, 20, 0, 0.168433},
        {1, 29, 0.000873, 0.177644},   {10, 10, 0.691503, 1},
    };
    for (size_t i = 0; i < COUNT(examples); i++) {
        struct proportion_limits limits =
            proportion_between(examples[i].failures, examples[i].tries, 0.95);
        close_to(limits.low, examples[i].low, 6e-7);
        close_to(limits.high, examples[i].high, 6e-7);
    }
    struct proportion_limits limits = proportion_between(5, 25, 0.95);
    close_to(limits.low, 0.068, 5e-4);
    close_to(limits.high, 0.407, 5e-4);
}

/* The limits are where the binomial tails are what they claim (the definition),
 * for every count of up to 400 tries looked at; the tail comes from another
 * function of the library than the limits do. */
static void test_limits_have_their_tails(void **state)
{
    (void)state;
    static const unsigned tries[] = {1, 2, 3, 7, 30, 400};
    for (size_t i = 0; i < COUNT(tries); i++) {
        unsigned n = tries[i];
        for (unsigned k = 0; k <= n; k += 1 + n / 40) {
            double above = 0;
            double below = 0;
            double low = proportion_at_least(k, n, 0.975);
            double high = proportion_at_most(k, n, 0.975);
            for (unsigned j = 0; j <= n; j++) {
                if (j >= k)
                    above += gsl_ran_binomial_pdf(j, low, n);
                if (j <= k)
                    below += gsl_ran_binomial_pdf(j, high, n);
            }
            if (k > 0)
                close_to(above, 0.025, 1e-9);
            if (k < n)
                close_to(below, 0.025, 1e-9);
        }
    }
}

static void test_without_failure(void **state)
{
    (void)state;
    /* 95 %, one-sided: 10 -> 26 %, 30 -> 9.5 %, 59 -> 5 %, 299 -> 1 %. */
    close_to(proportion_without_failure(10, 0.95), 0.26, 0.005);
    close_to(proportion_without_failure(30, 0.95), 0.095, 0.0005);
    assert_true(proportion_without_failure(59, 0.95) < 0.05);
    assert_true(proportion_without_failure(58, 0.95) > 0.05);
    assert_true(proportion_without_failure(299, 0.95) < 0.01);
    assert_true(proportion_without_failure(298, 0.95) > 0.01);
    close_to(proportion_without_failure(20, 0.975), 0.168433, 6e-7);
    assert_int_equal(proportion_tries_for(0.05, 0.95), 59);
    assert_int_equal(proportion_tries_for(0.01, 0.95), 299);
    assert_int_equal(proportion_tries_for(0.26, 0.95), 10);
    assert_int_equal(proportion_tries_for(0.5, 0.5), 1);
}

static void test_fisher(void **state)
{
    (void)state;
    /* 3 of 10 before, 0 of 30 after: 120 / 9880, one-sided 0.012. */
    close_to(fisher_first_higher(3, 10, 0, 30), 120.0 / 9880.0, 1e-13);
    close_to(fisher_first_higher(3, 10, 0, 30), 0.012, 5e-4);
    close_to(fisher_two_sided(3, 10, 0, 30), 120.0 / 9880.0, 1e-13);
    /* Fisher's tea (The Design of Experiments, 1935): 3 of 4 cups right, one-
     * sided 17/70, two-sided 34/70; all four right 1/70. */
    close_to(fisher_first_higher(3, 4, 1, 4), 17.0 / 70, 1e-13);
    close_to(fisher_two_sided(3, 4, 1, 4), 34.0 / 70, 1e-13);
    close_to(fisher_first_higher(4, 4, 0, 4), 1.0 / 70, 1e-13);
    close_to(fisher_first_higher(0, 10, 3, 30), 1, 1e-13);
    close_to(fisher_two_sided(0, 10, 0, 30), 1, 1e-13);
}

/* The claim itself: limits stated for 95 % hold the rate in 95 % and more. */
static void test_limits_cover(void **state)
{
    (void)state;
    const unsigned long seed = 20260131;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    static const double rates[] = {0.01, 0.1, 0.37, 0.8};
    static const unsigned tries[] = {4, 10, 59};
    for (size_t r = 0; r < COUNT(rates); r++) {
        for (size_t t = 0; t < COUNT(tries); t++) {
            unsigned held = 0;
            enum { RUNS = 4000 };
            for (int run = 0; run < RUNS; run++) {
                unsigned k = gsl_ran_binomial(random, rates[r], tries[t]);
                struct proportion_limits limits = proportion_between(k, tries[t], 0.95);
                held += limits.low <= rates[r] && rates[r] <= limits.high;
            }
            /* Four standard deviations below 95 % of the runs. */
            assert_true(held >= 0.95 * RUNS - 4 * sqrt(0.95 * 0.05 * RUNS));
        }
    }
    gsl_rng_free(random);
}

static void test_out_of_range(void **state)
{
    (void)state;
    assert_true(isnan(proportion_between(3, 2, 0.95).low));
    assert_true(isnan(proportion_at_most(0, 0, 0.95)));
    assert_true(isnan(proportion_at_least(1, 2, 1)));
    assert_true(isnan(proportion_without_failure(0, 0.95)));
    assert_true(isnan(fisher_two_sided(3, 2, 0, 1)));
    assert_true(isnan(fisher_first_higher(0, 0, 0, 1)));
    assert_int_equal(proportion_tries_for(0, 0.95), 0);
    assert_int_equal(proportion_tries_for(1e-300, 0.95), 0);
    /* Large counts stay numbers. */
    struct proportion_limits limits = proportion_between(1, 1000000, 0.95);
    assert_true(limits.low > 0 && limits.high < 1e-5);
    limits = proportion_between(999999, 1000000, 0.95);
    assert_true(limits.low > 0.99999 && limits.high < 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clopper_pearson), cmocka_unit_test(test_limits_have_their_tails),
        cmocka_unit_test(test_without_failure), cmocka_unit_test(test_fisher),
        cmocka_unit_test(test_limits_cover),    cmocka_unit_test(test_out_of_range),
    };
    return cmocka_run_group_tests_name("outside proportions", tests, NULL, NULL);
}
