/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * NIST Statistical Reference Datasets (StRD): univariate summaries, one-way
 * analysis of variance, linear regression (Norris), to the digits certified as
 * far as doubles hold the data. Digits kept: -log10 of the relative error. The
 * sets whose leading digits eat up a double's (NumAcc4, SmLs07t) are held to
 * what the data's own rounding leaves.
 */
#include "reference/random_effects.h"
#include "support/outside_file.h"
#include "trend/series.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

static void keeps(const char *what, double value, double certified, double digits)
{
    double error = certified == 0 ? fabs(value) : fabs(value - certified) / fabs(certified);
    double kept = error > 0 ? -log10(error) : 16;
    if (!(kept >= digits))
        fail_msg("%s: %.17g, certified %.17g: %.1f digits, expected %.1f", what, value, certified,
                 kept, digits);
}

struct summary_set {
    const char *file;
    size_t count;
    double mean, sd, autocorrelation;
    double mean_digits, sd_digits, autocorrelation_digits;
};

static void check_summary(void **state)
{
    const struct summary_set *set = *state;
    size_t count = 0;
    size_t columns = 0;
    double *values = outside_numbers(set->file, 0, &count, &columns);
    if (!values)
        skip();
    struct series_summary summary;
    assert_int_equal(count, set->count);
    assert_true(series_summarise(values, count, &summary));
    keeps("mean", summary.mean, set->mean, set->mean_digits);
    keeps("sd", summary.sd, set->sd, set->sd_digits);
    keeps("autocorrelation", summary.autocorrelation, set->autocorrelation,
          set->autocorrelation_digits);
    /* One group's variance within is the same figure by the other road. */
    struct random_effects effects;
    assert_true(random_effects_split(values, &count, 1, &effects));
    keeps("mean as one group", effects.mean, set->mean, set->mean_digits);
    keeps("sd as one group", sqrt(effects.within2), set->sd, set->sd_digits);
    free(values);
}

static struct summary_set summaries[] = {
    {"strd/Lew.dat", 200, -177.435, 277.332168044316, -0.307304800605679, 14, 14, 14},
    {"strd/Lottery.dat", 218, 518.958715596330, 291.699727470969, -0.120948622967393, 14, 14, 14},
    {"strd/Mavro.dat", 50, 2.001856, 0.000429123454003053, 0.937989183438248, 15, 12, 12},
    {"strd/Michelso.dat", 100, 299.8524, 0.0790105478190518, 0.535199668621283, 15, 13, 13},
    {"strd/NumAcc1.dat", 3, 10000002, 1, -0.5, 15, 15, 15},
    {"strd/NumAcc2.dat", 1001, 1.2, 0.1, -0.999, 14, 14, 14},
    {"strd/NumAcc3.dat", 1001, 1000000.2, 0.1, -0.999, 15, 9, 9},
    {"strd/NumAcc4.dat", 1001, 10000000.2, 0.1, -0.999, 15, 8, 8},
};

struct variance_set {
    const char *file;
    size_t groups, group_size;
    double between_squares, within_squares, f, share_explained, residual_sd;
    double digits;
};

static void check_variance(void **state)
{
    const struct variance_set *set = *state;
    size_t count = 0;
    size_t columns = 0;
    double *table = outside_numbers(set->file, 61, &count, &columns);
    if (!table)
        skip();
    assert_int_equal(columns, set->groups);
    assert_int_equal(count, set->groups * set->group_size);
    double *values = calloc(count, sizeof *values);
    size_t *sizes = calloc(columns, sizeof *sizes);
    assert_non_null(values);
    assert_non_null(sizes);
    for (size_t g = 0; g < columns; g++) {
        sizes[g] = set->group_size;
        for (size_t i = 0; i < set->group_size; i++)
            values[g * set->group_size + i] = table[i * columns + g];
    }
    struct random_effects effects;
    assert_true(random_effects_split(values, sizes, columns, &effects));
    keeps("between", effects.between_squares, set->between_squares, set->digits);
    keeps("within", effects.within_squares, set->within_squares, set->digits);
    keeps("F", effects.f, set->f, set->digits);
    keeps("R squared", effects.between_squares / (effects.between_squares + effects.within_squares),
          set->share_explained, set->digits);
    keeps("residual sd", sqrt(effects.within2), set->residual_sd, set->digits);
    free(table);
    free(values);
    free(sizes);
}

static struct variance_set variances[] = {
    {"strd/SiRstvt.dat", 5, 5, 5.11462616e-02, 2.1663656e-01, 1.18046237440255,
     1.90999039051129e-01, 1.04076068334656e-01, 12},
    {"strd/AtmWtAgt.dat", 2, 24, 3.638341875e-09, 1.04951729166667e-08, 15.9467335677930,
     2.57426544538321e-01, 1.51048314446410e-05, 8},
    {"strd/SmLs01t.dat", 9, 21, 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 14},
    {"strd/SmLs04t.dat", 9, 21, 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 9},
    {"strd/SmLs07t.dat", 9, 21, 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 3},
};

static void test_norris(void **state)
{
    (void)state;
    size_t count = 0;
    size_t columns = 0;
    double *table = outside_numbers("strd/Norris.dat", 61, &count, &columns);
    if (!table)
        skip();
    assert_int_equal(columns, 2);
    assert_int_equal(count, 72);
    double x[36];
    double y[36];
    for (size_t i = 0; i < 36; i++) {
        y[i] = table[2 * i];
        x[i] = table[2 * i + 1];
    }
    free(table);
    struct series_line line;
    assert_true(series_fit_line(x, y, 36, &line));
    keeps("B0", line.at_zero, -0.262323073774029, 12);
    keeps("B1", line.slope, 1.00211681802045, 14);
    keeps("B0 sd", line.at_zero_u, 0.232818234301152, 12);
    keeps("B1 sd", line.slope_u, 0.429796848199937e-03, 12);
    keeps("residual sd", line.residual_sd, 0.884796396144373, 12);
    keeps("R squared", line.share_explained, 0.999993745883712, 14);
}

static void test_out_of_range(void **state)
{
    (void)state;
    static const double same[] = {3, 3, 3};
    static const double rising[] = {1, 2, 3};
    struct series_summary summary;
    struct series_line line;
    assert_false(series_summarise(same, 0, &summary));
    assert_true(series_summarise(same, 1, &summary));
    assert_true(isnan(summary.sd) && summary.mean == 3);
    assert_true(series_summarise(same, 3, &summary));
    assert_true(summary.sd == 0 && isnan(summary.autocorrelation));
    assert_false(series_fit_line(same, rising, 3, &line));
    assert_false(series_fit_line(rising, same, 2, &line));
    assert_true(series_fit_line(rising, same, 3, &line));
    assert_true(fabs(line.slope) < 1e-15 && fabs(line.at_zero - 3) < 1e-14);
}

int main(void)
{
    enum {
        SUMMARIES = sizeof summaries / sizeof *summaries,
        VARIANCES = sizeof variances / sizeof *variances
    };
    struct CMUnitTest tests[SUMMARIES + VARIANCES + 2];
    size_t count = 0;
    for (size_t i = 0; i < SUMMARIES; i++)
        tests[count++] =
            (struct CMUnitTest){summaries[i].file, check_summary, NULL, NULL, &summaries[i]};
    for (size_t i = 0; i < VARIANCES; i++)
        tests[count++] =
            (struct CMUnitTest){variances[i].file, check_variance, NULL, NULL, &variances[i]};
    tests[count++] = (struct CMUnitTest)cmocka_unit_test(test_norris);
    tests[count++] = (struct CMUnitTest)cmocka_unit_test(test_out_of_range);
    return cmocka_run_group_tests_name("outside NIST StRD", tests, NULL, NULL);
}
