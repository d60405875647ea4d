/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Control charts. Sources: NIST/SEMATECH e-Handbook 6.3.2.3 (CUSUM; the data
 * from memory, the sums recomputed) and 6.3.2.4 (EWMA, the worked example);
 * Lucas and Crosier (1982), table 1, and Lucas and Saccucci (1990) for average
 * run lengths, as tabled in the manual of an R package for control charts.
 *
 * Average run lengths are found two ways: by simulating the chart itself (seed
 * printed; within four standard errors), and from the integral equation of the
 * same scheme, solved here by Gauss-Legendre quadrature, against the tables.
 */
#include "trend/control_chart.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

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

static void test_nist_ewma(void **state)
{
    (void)state;
    static const double data[] = {52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                                  49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};
    static const double printed[] = {50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75,
                                     49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
                                     49.38, 49.92, 50.73, 51.23, 51.94, 51.99};
    struct ewma chart;
    assert_true(ewma_begin(&chart, 50, 2.0539, 0.3, 3));
    close_to(ewma_high_limit(&chart), 52.5884, 1e-4);
    close_to(ewma_low_limit(&chart), 47.4115, 1e-4);
    for (size_t i = 0; i < COUNT(data); i++) {
        assert_int_equal(ewma_add(&chart, data[i]), CHART_IN_CONTROL);
        close_to(chart.average, printed[i], 0.0051);
    }
}

static void test_nist_cusum(void **state)
{
    (void)state;
    static const double data[] = {324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125,
                                  324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250,
                                  327.825, 328.500, 326.675, 327.775, 326.875, 328.350};
    struct cusum chart;
    /* The page states slack and limit in the data's own unit. */
    assert_true(cusum_begin(&chart, 325, 1, 0.3175, 4.1959, 0));
    double most_low = 0;
    for (size_t i = 0; i < COUNT(data); i++) {
        enum chart_state now = cusum_add(&chart, data[i]);
        assert_int_equal(now, i < 13 ? CHART_IN_CONTROL : CHART_HIGH);
        most_low = fmax(most_low, chart.low);
        if (i == 7)
            close_to(chart.low, most_low, 0);
        if (i == 12)
            close_to(chart.high, 3.01, 0.005);
        if (i == 13)
            close_to(chart.high, 4.94, 0.005);
    }
    close_to(chart.high, 19.04, 0.0051);
    close_to(most_low, 0.72, 0.005);
}

/* Average run length L(z) = 1 + L(0) P(0 | z) + integral of L(y) p(y | z) on
 * 0..h for the one-sided sum; NODES nodes and the atom at 0. */
enum { NODES = 48 };

static void solve(gsl_matrix *equations, gsl_vector *lengths)
{
    size_t count = lengths->size;
    gsl_permutation *order = gsl_permutation_alloc(count);
    gsl_vector *ones = gsl_vector_alloc(count);
    gsl_vector_set_all(ones, 1);
    int sign = 0;
    gsl_linalg_LU_decomp(equations, order, &sign);
    gsl_linalg_LU_solve(equations, order, ones, lengths);
    gsl_vector_free(ones);
    gsl_permutation_free(order);
}

static double cusum_length(double slack, double limit, double shift, double start)
{
    gsl_integration_glfixed_table *rule = gsl_integration_glfixed_table_alloc(NODES);
    gsl_matrix *equations = gsl_matrix_alloc(NODES + 1, NODES + 1);
    gsl_vector *lengths = gsl_vector_alloc(NODES + 1);
    double node[NODES + 1] = {0};
    double weight[NODES + 1] = {0};
    for (size_t i = 0; i < NODES; i++)
        gsl_integration_glfixed_point(0, limit, i, &node[i + 1], &weight[i + 1], rule);
    for (size_t i = 0; i <= NODES; i++) {
        for (size_t j = 0; j <= NODES; j++) {
            double step =
                j == 0 ? 0.5 * erfc((shift - slack + node[i]) / M_SQRT2)
                       : weight[j] * gsl_ran_ugaussian_pdf(node[j] - node[i] - shift + slack);
            gsl_matrix_set(equations, i, j, (i == j) - step);
        }
    }
    solve(equations, lengths);
    double length = 1 + gsl_vector_get(lengths, 0) * 0.5 * erfc((shift - slack + start) / M_SQRT2);
    for (size_t j = 1; j <= NODES; j++)
        length += gsl_vector_get(lengths, j) * weight[j] *
                  gsl_ran_ugaussian_pdf(node[j] - start - shift + slack);
    gsl_vector_free(lengths);
    gsl_matrix_free(equations);
    gsl_integration_glfixed_table_free(rule);
    return length;
}

/* Of both sides: 1 / (1 / L+ + 1 / L-), without a head start. */
static double cusum_length_both(double slack, double limit, double shift)
{
    return 1 /
           (1 / cusum_length(slack, limit, shift, 0) + 1 / cusum_length(slack, limit, -shift, 0));
}

static double ewma_length(double weight_of_new, double factor, double shift)
{
    gsl_integration_glfixed_table *rule = gsl_integration_glfixed_table_alloc(NODES);
    gsl_matrix *equations = gsl_matrix_alloc(NODES + 1, NODES + 1);
    gsl_vector *lengths = gsl_vector_alloc(NODES + 1);
    double limit = factor * sqrt(weight_of_new / (2 - weight_of_new));
    double node[NODES + 1] = {0}; /* the first is the start, without weight */
    double weight[NODES + 1] = {0};
    for (size_t i = 0; i < NODES; i++)
        gsl_integration_glfixed_point(-limit, limit, i, &node[i + 1], &weight[i + 1], rule);
    for (size_t i = 0; i <= NODES; i++) {
        for (size_t j = 0; j <= NODES; j++) {
            double y = (node[j] - (1 - weight_of_new) * node[i]) / weight_of_new - shift;
            double step = weight[j] * gsl_ran_ugaussian_pdf(y) / weight_of_new;
            gsl_matrix_set(equations, i, j, (i == j) - step);
        }
    }
    solve(equations, lengths);
    double length = gsl_vector_get(lengths, 0);
    gsl_vector_free(lengths);
    gsl_matrix_free(equations);
    gsl_integration_glfixed_table_free(rule);
    return length;
}

struct lengths {
    double shift, tabled, within;
};

static const struct lengths cusum_table[] = {
    {0, 168, 0.5},    {0.25, 74.2, 0.05}, {0.5, 26.6, 0.05}, {0.75, 13.3, 0.05},
    {1, 8.38, 0.005}, {1.5, 4.75, 0.005}, {2, 3.34, 0.005},  {2.5, 2.62, 0.005},
    {3, 2.19, 0.005}, {4, 1.71, 0.005},   {5, 1.31, 0.005},
};

static void test_equation_gives_the_tables(void **state)
{
    (void)state;
    for (size_t i = 0; i < COUNT(cusum_table); i++)
        close_to(cusum_length_both(0.5, 4, cusum_table[i].shift), cusum_table[i].tabled,
                 cusum_table[i].within);
    /* One-sided, h = 3: Brook and Evans (1972) 117.59; h = 4, 5 by SciPy. */
    close_to(cusum_length(0.5, 3, 0, 0), 117.596, 1e-2);
    close_to(cusum_length(0.5, 4, 0, 0), 335.368, 1e-2);
    close_to(cusum_length(0.5, 5, 0, 0), 930.887, 1e-2);
    close_to(ewma_length(0.25, 3, 1), 11.154267016, 1e-6);
    static const struct lengths saccucci[] = {
        {0, 500, 1}, {0.25, 255, 0.5}, {0.5, 88.8, 0.1}, {0.75, 35.9, 0.06}, {1, 17.5, 0.06}};
    for (size_t i = 0; i < COUNT(saccucci); i++)
        close_to(ewma_length(0.5, 3.071, saccucci[i].shift), saccucci[i].tabled,
                 saccucci[i].within);
}

/* Other limits and slacks: two-sided h = 5 (exact, by SciPy), one-sided with a
 * shift (Brook and Evans 1972), without slack (Vance 1986; the
 * first of them is 3e-5 below the equation's solution), slack 0.25 (the manual
 * of an R package for control charts, xcusum.arl). */
static void test_equation_gives_other_tables(void **state)
{
    (void)state;
    static const struct lengths wide[] = {
        {0, 465.444, 6e-4}, {0.25, 139.494, 6e-4}, {0.5, 37.996, 6e-4}, {0.75, 17.048, 6e-4},
        {1, 10.376, 6e-4},  {1.5, 5.747, 6e-4},    {2, 4.009, 6e-4},    {2.5, 3.114, 6e-4},
        {3, 2.573, 6e-4},   {4, 2.013, 6e-4},      {5, 1.694, 6e-4},
    };
    for (size_t i = 0; i < COUNT(wide); i++)
        close_to(cusum_length_both(0.5, 5, wide[i].shift), wide[i].tabled, wide[i].within);
    close_to(cusum_length(0.5, 3, 1.5, 0), 3.75, 0.0051);
    static const struct lengths vance[] = {
        {-0.25, 2071.51, 0.07}, {0, 124.66, 0.006}, {0.5, 20.37, 0.006}, {1, 10.75, 0.006}};
    for (size_t i = 0; i < COUNT(vance); i++)
        close_to(cusum_length(0, 10, vance[i].shift, 0), vance[i].tabled, vance[i].within);
    close_to(cusum_length(0.25, 8, 2.5, 0), 4.1500836225, 2e-7);
}

struct run {
    double mean, standard_error;
};

static struct run run_of(double sum, double squares, double runs)
{
    double mean = sum / runs;
    return (struct run){mean, sqrt((squares / runs - mean * mean) / runs)};
}

/* Charts in other units than standard ones: the scheme must not care. */
static const double centre = 0.2553, sigma = 0.0041;

static struct run run_cusum(gsl_rng *random, double limit, double head_start, double shift,
                            int runs)
{
    double sum = 0;
    double squares = 0;
    for (int run = 0; run < runs; run++) {
        struct cusum chart;
        assert_true(cusum_begin(&chart, centre, sigma, 0.5, limit, head_start));
        double length = 1;
        while (cusum_add(&chart, centre + sigma * (shift + gsl_ran_ugaussian(random))) ==
               CHART_IN_CONTROL)
            length++;
        sum += length;
        squares += length * length;
    }
    return run_of(sum, squares, runs);
}

static struct run run_ewma(gsl_rng *random, double weight, double factor, double shift, int runs)
{
    double sum = 0;
    double squares = 0;
    for (int run = 0; run < runs; run++) {
        struct ewma chart;
        assert_true(ewma_begin(&chart, centre, sigma, weight, factor));
        double length = 1;
        while (ewma_add(&chart, centre + sigma * (shift + gsl_ran_ugaussian(random))) ==
               CHART_IN_CONTROL)
            length++;
        sum += length;
        squares += length * length;
    }
    return run_of(sum, squares, runs);
}

static void test_charts_run_as_long_as_tabled(void **state)
{
    (void)state;
    const unsigned long seed = 20260201;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    static const struct lengths head_start[] = {
        {0, 149, 0.5}, {0.5, 20.1, 0.05}, {1, 5.29, 0.005}, {2, 2.01, 0.005}};
    for (size_t i = 0; i < COUNT(cusum_table); i++) {
        struct run run = run_cusum(random, 4, 0, cusum_table[i].shift, 6000);
        close_to(run.mean, cusum_table[i].tabled, 4 * run.standard_error + cusum_table[i].within);
    }
    for (size_t i = 0; i < COUNT(head_start); i++) {
        struct run run = run_cusum(random, 4, 2, head_start[i].shift, 6000);
        close_to(run.mean, head_start[i].tabled, 4 * run.standard_error + head_start[i].within);
    }
    static const struct lengths slow[] = {{0.25, 76.7, 0.05}, {0.5, 29.3, 0.05}, {1, 12.6, 0.05}};
    for (size_t i = 0; i < COUNT(slow); i++) {
        struct run run = run_ewma(random, 0.03, 2.437, slow[i].shift, 6000);
        close_to(run.mean, slow[i].tabled, 4 * run.standard_error + slow[i].within);
    }
    struct run run = run_ewma(random, 0.25, 3, 1, 6000);
    close_to(run.mean, 11.154267016, 4 * run.standard_error);
    run = run_ewma(random, 0.25, 3, -1, 6000);
    close_to(run.mean, 11.154267016, 4 * run.standard_error);
    gsl_rng_free(random);
}

static void test_out_of_range(void **state)
{
    (void)state;
    struct ewma ewma;
    struct cusum cusum;
    assert_false(ewma_begin(&ewma, 0, 0, 0.2, 3));
    assert_false(ewma_begin(&ewma, NAN, 1, 0.2, 3));
    assert_false(ewma_begin(&ewma, 0, 1, 0, 3));
    assert_false(ewma_begin(&ewma, 0, 1, 1.1, 3));
    assert_false(cusum_begin(&cusum, 0, -1, 0.5, 4, 0));
    assert_false(cusum_begin(&cusum, 0, 1, 0.5, 4, 5));
    assert_false(cusum_begin(&cusum, 0, 1, NAN, 4, 0));
    /* A quantised value that never moves still has its step's spread. */
    close_to(chart_sigma(0, 0.01), 0.01 / sqrt(12), 1e-15);
    close_to(chart_sigma(0.02, 0.01), 0.02, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nist_ewma),
        cmocka_unit_test(test_nist_cusum),
        cmocka_unit_test(test_equation_gives_the_tables),
        cmocka_unit_test(test_equation_gives_other_tables),
        cmocka_unit_test(test_charts_run_as_long_as_tabled),
        cmocka_unit_test(test_out_of_range),
    };
    return cmocka_run_group_tests_name("outside control charts", tests, NULL, NULL);
}
