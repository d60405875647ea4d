/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Wald's sequential test: his bounds and expected sample numbers (Wald,
 * Sequential Analysis, 1947; the normal example's inputs from memory) and the
 * exact ones with overshoot, from the integral equation solved here by
 * Gauss-Legendre quadrature, as recomputed with SciPy and by 4e5 Monte Carlo
 * runs. The test itself is then simulated (seed printed) and must agree with the
 * exact figures within four standard errors.
 */
#include "trend/sequential.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof *(array))

static void close_to(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.10g, expected %.10g within %.1g", value, expected, within);
}

struct exact {
    double number, second; /* expected values taken; probability of the second */
};

enum { NODES = 64 };

/* Both from x = 0 on: f(x) = g(x) + integral of f(y) p(y | x) over the bounds,
 * steps normal with mean `drift` and deviation `distance`. */
static struct exact solve(const struct sequential *test, double drift, double distance)
{
    gsl_integration_glfixed_table *rule = gsl_integration_glfixed_table_alloc(NODES);
    gsl_matrix *equations = gsl_matrix_alloc(NODES + 1, NODES + 1);
    gsl_vector *numbers = gsl_vector_alloc(NODES + 1);
    gsl_vector *seconds = gsl_vector_alloc(NODES + 1);
    gsl_vector *ones = gsl_vector_alloc(NODES + 1);
    gsl_vector *beyond = gsl_vector_alloc(NODES + 1);
    gsl_permutation *order = gsl_permutation_alloc(NODES + 1);
    double node[NODES + 1] = {0}; /* the first is the start, without weight */
    double weight[NODES + 1] = {0};
    for (size_t i = 0; i < NODES; i++)
        gsl_integration_glfixed_point(test->first_bound, test->second_bound, i, &node[i + 1],
                                      &weight[i + 1], rule);
    for (size_t i = 0; i <= NODES; i++) {
        for (size_t j = 0; j <= NODES; j++) {
            double z = node[j] - node[i] - drift;
            gsl_matrix_set(equations, i, j,
                           (i == j) - weight[j] * gsl_ran_gaussian_pdf(z, distance));
        }
        gsl_vector_set(ones, i, 1);
        gsl_vector_set(beyond, i,
                       gsl_cdf_gaussian_Q(test->second_bound - node[i] - drift, distance));
    }
    int sign = 0;
    gsl_linalg_LU_decomp(equations, order, &sign);
    gsl_linalg_LU_solve(equations, order, ones, numbers);
    gsl_linalg_LU_solve(equations, order, beyond, seconds);
    struct exact exact = {gsl_vector_get(numbers, 0), gsl_vector_get(seconds, 0)};
    gsl_permutation_free(order);
    gsl_vector_free(beyond);
    gsl_vector_free(ones);
    gsl_vector_free(seconds);
    gsl_vector_free(numbers);
    gsl_matrix_free(equations);
    gsl_integration_glfixed_table_free(rule);
    return exact;
}

static const struct {
    double error_first, error_second, distance; /* between the means, in sigma */
    double wald_first, wald_second, wald_within;
    double exact_first, first_error, exact_second, second_error;
} tests[] = {
    {0.01, 0.03, 15.0 / 25, 18.9766, 24.0699, 6e-5, 21.2824, 0.007119, 26.5847, 0.021227},
    {0.05, 0.05, 0.5, 21.2000, 21.2000, 6e-5, 24.1855, 0.03786, 24.1855, 0.03786},
    {0.05, 0.05, 1, 5.3000, 5.3000, 6e-5, 6.9201, 0.02864, 6.9201, 0.02864},
    {0.01, 0.01, 0.5, 36.0257, 36.0257, 6e-5, 38.7656, 0.00750, 38.7656, 0.00750},
    {0.05, 0.10, 1, 3.9884, 4.7524, 6e-5, 5.5653, 0.02934, 6.4921, 0.05731},
};

static void test_expected_numbers(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(tests); i++) {
        struct sequential test;
        double d = tests[i].distance;
        assert_true(sequential_begin(&test, tests[i].error_first, tests[i].error_second));
        close_to(sequential_expected_first(&test, 0, d, 1), tests[i].wald_first,
                 tests[i].wald_within);
        close_to(sequential_expected_second(&test, 0, d, 1), tests[i].wald_second,
                 tests[i].wald_within);
        struct exact first = solve(&test, -0.5 * d * d, d);
        struct exact second = solve(&test, 0.5 * d * d, d);
        close_to(first.number, tests[i].exact_first, 6e-5);
        close_to(first.second, tests[i].first_error, 6e-6);
        close_to(second.number, tests[i].exact_second, 6e-5);
        close_to(1 - second.second, tests[i].second_error, 6e-6);
        /* Overshoot: fewer errors than stated, for more values. */
        assert_true(first.second < tests[i].error_first);
        assert_true(1 - second.second < tests[i].error_second);
    }
}

/* Wald's example: 135 against 150, deviation 25, errors 0.01 and 0.03. */
static void test_walds_example(void **state)
{
    (void)state;
    struct sequential test;
    assert_true(sequential_begin(&test, 0.01, 0.03));
    close_to(test.second_bound, 4.574711, 6e-7);
    close_to(test.first_bound, -3.496508, 6e-7);
    /* In sums of values: 142.5 n - 145.6878 and 142.5 n + 190.6130. */
    close_to(test.first_bound * 625 / 15, -145.6878, 6e-5);
    close_to(test.second_bound * 625 / 15, 190.6130, 6e-5);
    assert_int_equal(sequential_add_value(&test, 142.5, 135, 150, 25), SEQUENTIAL_GO_ON);
    close_to(test.ratio, 0, 1e-12);
    assert_int_equal(sequential_add_value(&test, 142.5 + 190.6, 135, 150, 25), SEQUENTIAL_GO_ON);
    assert_int_equal(sequential_add_value(&test, 142.6, 135, 150, 25), SEQUENTIAL_SECOND);
    assert_int_equal(sequential_add_value(&test, -1e6, 135, 150, 25), SEQUENTIAL_SECOND);
    assert_int_equal(test.count, 3);
    /* Half-way between the means it takes longest. */
    struct exact middle = solve(&test, 0, 0.6);
    close_to(middle.number, 52.8585, 6e-5);
    close_to(-test.first_bound * test.second_bound / 0.36, 44.432, 6e-4);
}

/* Failure rates 1 % and 10 %, errors 0.05 and 0.10: accepted at -0.9389 +
 * 0.03975 n failures, rejected at 1.2054 + 0.03975 n, as the form of
 * NIST/SEMATECH e-Handbook 6.2.6 gives; the 24th without a failure accepts, two
 * failures in a row reject. */
static void test_outcomes(void **state)
{
    (void)state;
    struct sequential test;
    assert_true(sequential_begin(&test, 0.05, 0.10));
    for (int i = 1; i < 24; i++)
        assert_int_equal(sequential_add_outcome(&test, false, 0.01, 0.10), SEQUENTIAL_GO_ON);
    assert_int_equal(sequential_add_outcome(&test, false, 0.01, 0.10), SEQUENTIAL_FIRST);
    assert_true(sequential_begin(&test, 0.05, 0.10));
    assert_int_equal(sequential_add_outcome(&test, true, 0.01, 0.10), SEQUENTIAL_GO_ON);
    assert_int_equal(sequential_add_outcome(&test, true, 0.01, 0.10), SEQUENTIAL_SECOND);
    double per_failure = log(0.10 / 0.01) - log(0.90 / 0.99);
    close_to(test.first_bound / per_failure, -0.9389, 6e-5);
    close_to(test.second_bound / per_failure, 1.2054, 6e-5);
    close_to(-log(0.90 / 0.99) / per_failure, 0.03975, 6e-6);
}

static void test_simulated(void **state)
{
    (void)state;
    const unsigned long seed = 20260206;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    enum { RUNS = 20000 };
    for (size_t i = 0; i < COUNT(tests); i++) {
        double sum = 0;
        double squares = 0;
        double wrong = 0;
        for (int run = 0; run < RUNS; run++) {
            struct sequential test;
            sequential_begin(&test, tests[i].error_first, tests[i].error_second);
            while (test.state == SEQUENTIAL_GO_ON)
                sequential_add_value(&test, 7 + 0.3 * gsl_ran_ugaussian(random), 7,
                                     7 + 0.3 * tests[i].distance, 0.3);
            double count = (double)test.count;
            sum += count;
            squares += count * count;
            wrong += test.state == SEQUENTIAL_SECOND;
        }
        double mean = sum / RUNS;
        double error = tests[i].first_error;
        close_to(mean, tests[i].exact_first, 4 * sqrt((squares / RUNS - mean * mean) / RUNS));
        close_to(wrong / RUNS, error, 4 * sqrt(error * (1 - error) / RUNS));
    }
    gsl_rng_free(random);
}

static void test_out_of_range(void **state)
{
    (void)state;
    struct sequential test;
    assert_false(sequential_begin(&test, 0, 0.1));
    assert_false(sequential_begin(&test, 0.1, -0.1));
    assert_false(sequential_begin(&test, 0.5, 0.5));
    assert_false(sequential_begin(&test, NAN, 0.1));
}

int main(void)
{
    const struct CMUnitTest cases[] = {
        cmocka_unit_test(test_expected_numbers), cmocka_unit_test(test_walds_example),
        cmocka_unit_test(test_outcomes),         cmocka_unit_test(test_simulated),
        cmocka_unit_test(test_out_of_range),
    };
    return cmocka_run_group_tests_name("outside sequential test", cases, NULL, NULL);
}
