/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Rows of normal tolerance factors to five decimals, computed from the
 * definitions with SciPy 1.10; they agree with the tables of ISO 16269-6:2014
 * (Annex F), of Meeker, Hahn and Escobar, Statistical Intervals, 2nd ed. (J.5),
 * of Montgomery and Runger (table XII) and of CMH-17-1G where they overlap.
 */
#include "reference/tolerance.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof *(array))

static void close_to(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.10g, expected %.10g within %.1g", value, expected, within);
}

static const struct {
    double n;
    double two_95_95, two_90_95, two_99_95, one_95_95, one_90_95, one_99_95, howe_95_95, two_95_99,
        one_95_99;
} rows[] = {
    {2, 36.51921, 31.09223, 46.94440, 26.25967, 20.58147, 37.09358, 38.28064, 182.72010, 131.42629},
    {3, 9.78875, 8.30594, 12.64711, 7.65590, 6.15528, 10.55273, 9.99280, 22.13077, 17.37020},
    {4, 6.34108, 5.36807, 8.22066, 5.14387, 4.16193, 7.04236, 6.39863, 11.11780, 9.08345},
    {5, 5.07687, 4.29060, 6.59798, 4.20268, 3.40663, 5.74108, 5.09353, 7.86973, 6.57834},
    {6, 4.42215, 3.73257, 5.75775, 3.70768, 3.00626, 5.06199, 4.42296, 6.37347, 5.40555},
    {7, 4.01960, 3.38952, 5.24110, 3.39947, 2.75543, 4.64172, 4.01338, 5.51958, 4.72786},
    {8, 3.74551, 3.15603, 4.88922, 3.18729, 2.58191, 4.35386, 3.73602, 4.96766, 4.28525},
    {10, 3.39343, 2.85631, 4.43691, 2.91096, 2.35464, 3.98112, 3.38191, 4.29417, 3.73831},
    {15, 2.96494, 2.49219, 3.88528, 2.56600, 2.06837, 3.52013, 2.95476, 3.52855, 3.10237},
    {20, 2.76035, 2.31879, 3.62099, 2.39600, 1.92599, 3.29516, 2.75228, 3.18378, 2.80787},
    {30, 2.55489, 2.14511, 3.35458, 2.21984, 1.77733, 3.06390, 2.54964, 2.85093, 2.51549},
    {50, 2.38156, 1.99900, 3.12877, 2.06499, 1.64556, 2.86245, 2.37877, 2.58040, 2.26890},
    {100, 2.23388, 1.87481, 2.93555, 1.92654, 1.52675, 2.68396, 2.23280, 2.35722, 2.05629},
};

static void test_factors_to_five_decimals(void **state)
{
    (void)state;
    const double half = 0.51e-5;
    for (size_t i = 0; i < COUNT(rows); i++) {
        double n = rows[i].n;
        close_to(tolerance_two_sided(n, n - 1, 0.95, 0.95), rows[i].two_95_95, half);
        close_to(tolerance_two_sided(n, n - 1, 0.90, 0.95), rows[i].two_90_95, half);
        close_to(tolerance_two_sided(n, n - 1, 0.99, 0.95), rows[i].two_99_95, half);
        close_to(tolerance_two_sided(n, n - 1, 0.95, 0.99), rows[i].two_95_99, half);
        close_to(tolerance_one_sided(n, n - 1, 0.95, 0.95), rows[i].one_95_95, half);
        close_to(tolerance_one_sided(n, n - 1, 0.90, 0.95), rows[i].one_90_95, half);
        close_to(tolerance_one_sided(n, n - 1, 0.99, 0.95), rows[i].one_99_95, half);
        close_to(tolerance_one_sided(n, n - 1, 0.95, 0.99), rows[i].one_95_99, half);
        close_to(tolerance_howe(n, n - 1, 0.95, 0.95), rows[i].howe_95_95, half);
    }
}

/* One-sided 95/95 for 50 values: 2.064993399768, as published with a public
 * implementation of Owen's method; SciPy's noncentral t and a quadrature of the
 * definition both give 2.06499341774. */
static void test_owen_to_eight_digits(void **state)
{
    (void)state;
    double factor = tolerance_one_sided(50, 49, 0.95, 0.95);
    close_to(factor, 2.064993399768, 2e-8);
    close_to(factor, 2.06499341774, 1e-9);
}

/* CMH-17-1G: k_B (90/95) at n = 3 reads 6.157, itself an approximation good to
 * 0.0017; Montgomery and Runger print three decimals. */
static void test_one_sided_tables(void **state)
{
    (void)state;
    close_to(tolerance_one_sided(3, 2, 0.90, 0.95), 6.157, 0.0018);
    close_to(tolerance_one_sided(2, 1, 0.95, 0.95), 26.260, 5.1e-4);
    close_to(tolerance_one_sided(10, 9, 0.95, 0.95), 2.911, 5.1e-4);
    close_to(tolerance_one_sided(100, 99, 0.99, 0.95), 2.684, 5.1e-4);
}

/* How far Howe's approximation is off at 95/95, in percent (computed from the
 * exact factors with SciPy). */
static void test_howes_error(void **state)
{
    (void)state;
    static const struct {
        double n, percent, within;
    } errors[] = {{2, 4.8, 0.05},     {3, 2.1, 0.05},     {5, 0.33, 0.005},   {7, -0.15, 0.006},
                  {10, -0.34, 0.005}, {30, -0.21, 0.006}, {100, -0.05, 0.006}};
    for (size_t i = 0; i < COUNT(errors); i++) {
        double n = errors[i].n;
        double error =
            tolerance_howe(n, n - 1, 0.95, 0.95) / tolerance_two_sided(n, n - 1, 0.95, 0.95) - 1;
        close_to(100 * error, errors[i].percent, errors[i].within);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_factors_to_five_decimals),
        cmocka_unit_test(test_owen_to_eight_digits),
        cmocka_unit_test(test_one_sided_tables),
        cmocka_unit_test(test_howes_error),
    };
    return cmocka_run_group_tests_name("outside tolerance rows", tests, NULL, NULL);
}
