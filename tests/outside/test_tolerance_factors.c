/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Normal tolerance factors and binomial limits against published values.
 */
#include "reference/tolerance.h"
#include "trend/proportion.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void assert_close(double found, double expected, double tolerance)
{
    if (!(fabs(found - expected) <= tolerance))
        fail_msg("found %.6f, expected %.6f within %g", found, expected, tolerance);
}

/* ISO 16269-6:2014, Annex F: two-sided, published rounded up at the 4th decimal. */
static void two_sided_as_iso_16269_6(void **state)
{
    (void)state;
    static const struct {
        double n, share, confidence, factor;
    } rows[] = {
        {5, 0.95, 0.95, 5.0769},   {10, 0.95, 0.95, 3.3935},  {26, 0.95, 0.95, 2.6188},
        {90, 0.95, 0.95, 2.2519},  {200, 0.95, 0.95, 2.1430}, {1000, 0.95, 0.95, 2.0362},
        {2, 0.90, 0.95, 31.0923},  {8, 0.90, 0.95, 3.1561},   {3, 0.99, 0.95, 12.6472},
        {2, 0.95, 0.99, 182.7201}, {35, 0.90, 0.90, 1.9906},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double factor =
            tolerance_two_sided(rows[i].n, rows[i].n - 1, rows[i].share, rows[i].confidence);
        /* Rounded up, so the exact value lies at most one unit of the last
         * place below. */
        assert_close(factor, rows[i].factor - 0.00005, 0.000056);
    }
}

/* ISO 16269-6:2014, Annex F, m samples of n pooled: m (n - 1) degrees. */
static void pooled_as_iso_16269_6(void **state)
{
    (void)state;
    assert_close(tolerance_two_sided(10, 27, 0.95, 0.95), 2.6904 - 0.00005, 0.000056);
    assert_close(tolerance_two_sided(10, 90, 0.95, 0.95), 2.4125 - 0.00005, 0.000056);
}

/* Montgomery and Runger, Applied Statistics and Probability for Engineers,
 * Table XII: one-sided, three decimals; the 5-decimal values were computed
 * independently with SciPy and agree. */
static void one_sided_as_montgomery_runger(void **state)
{
    (void)state;
    static const struct {
        double n, share, confidence, factor;
    } rows[] = {
        {2, 0.95, 0.95, 26.25967},  {3, 0.95, 0.95, 7.65590},  {5, 0.95, 0.95, 4.20268},
        {10, 0.95, 0.95, 2.91096},  {30, 0.95, 0.95, 2.21984}, {100, 0.95, 0.95, 1.92654},
        {2, 0.90, 0.95, 20.58147},  {10, 0.90, 0.95, 2.35464}, {3, 0.99, 0.95, 10.55273},
        {2, 0.95, 0.99, 131.42629}, {10, 0.95, 0.99, 3.73831},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double factor =
            tolerance_one_sided(rows[i].n, rows[i].n - 1, rows[i].share, rows[i].confidence);
        assert_close(factor, rows[i].factor, 1e-5 * fmax(1, rows[i].factor));
    }
}

/* NIST/SEMATECH e-Handbook 7.2.6.3: N = 43, coverage 0.90, confidence 0.99.
 * Howe's factor is printed as 2.217 with two-sided limits 97.010576 to 97.12942
 * for a mean of 97.07 and s of 0.0268; the exact factors were computed with
 * SciPy: 2.222825 two-sided, 1.873954 one-sided (t' = 12.288336). */
static void nist_worked_example(void **state)
{
    (void)state;
    double howe = tolerance_howe(43, 42, 0.90, 0.99);
    assert_close(howe, 2.2173, 5e-5);
    assert_close(97.07 - howe * 0.0268, 97.010576, 2e-6);
    assert_close(97.07 + howe * 0.0268, 97.12942, 5e-6);
    assert_close(tolerance_two_sided(43, 42, 0.90, 0.99), 2.222825, 2e-6);
    assert_close(tolerance_one_sided(43, 42, 0.90, 0.99), 1.873954, 2e-6);
    assert_close(noncentral_t_below(12.288336, 42, 1.2815515655446004 * sqrt(43)), 0.99, 1e-7);
}

/* Clopper-Pearson, two-sided 95 % (2.5 % each side): Newcombe (1998), Statistics
 * in Medicine 17, 857: 81 of 263, 15 of 148, 0 of 20, 1 of 29; recomputed with
 * SciPy to six decimals. */
static void binomial_as_newcombe(void **state)
{
    (void)state;
    static const struct {
        unsigned failures, tries;
        double low, high;
    } rows[] = {{81, 263, 0.252737, 0.367622},
                {15, 148, 0.057844, 0.161650},
                {0, 20, 0, 0.168433},
                {1, 29, 0.000873, 0.177644},
                {10, 10, 0.691503, 1}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_close(proportion_at_least(rows[i].failures, rows[i].tries, 0.975), rows[i].low,
                     1e-6);
        assert_close(proportion_at_most(rows[i].failures, rows[i].tries, 0.975), rows[i].high,
                     1e-6);
    }
    /* 1 - 0.05^(1/n), one-sided. */
    assert_close(proportion_at_most(0, 59, 0.95), 1 - pow(0.05, 1.0 / 59), 1e-12);
}

static void out_of_range_is_not_a_number(void **state)
{
    (void)state;
    assert_true(isnan(tolerance_two_sided(1, 0, 0.95, 0.95)));
    assert_true(isnan(tolerance_one_sided(5, 4, 1.0, 0.95)));
    assert_true(isnan(proportion_at_most(3, 2, 0.95)));
    assert_true(isnan(proportion_at_least(0, 0, 0.95)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_sided_as_iso_16269_6),
        cmocka_unit_test(pooled_as_iso_16269_6),
        cmocka_unit_test(one_sided_as_montgomery_runger),
        cmocka_unit_test(nist_worked_example),
        cmocka_unit_test(binomial_as_newcombe),
        cmocka_unit_test(out_of_range_is_not_a_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
