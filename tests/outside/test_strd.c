/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * NIST Statistical Reference Datasets (StRD): eight of the nine univariate
 * summaries (not PiDigits, whose data are not at hand) and all eleven one-way
 * analyses of variance, to the digits certified as far as doubles hold the data.
 * Digits kept: -log10 of the relative error. Where leading digits eat up a
 * double's (NumAcc3 and 4, SmLs04 to 09) the sets are held to what the data's own
 * rounding leaves. Data: strd_table.csv.
 */
#include "reference/random_effects.h"
#include "support/outside_table.h"
#include "trend/series.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void keeps(const char *what, double value, double certified, double digits)
{
    double error = certified == 0 ? fabs(value) : fabs(value - certified) / fabs(certified);
    double kept = error > 0 ? -log10(error) : 16;
    if (!(kept >= digits))
        fail_msg("%s: %.17g, certified %.17g: %.1f digits, expected %.1f", what, value, certified,
                 kept, digits);
}

static const char table[] = "tests/outside/strd_table.csv";

/* A decimal with one digit behind the point, as strtod would read it. */
static double tenths(double count)
{
    return count / 10;
}

/* NumAcc2 to 4: a first value, then one below and one above it in turns. */
static double *in_turns(double first_tenths, size_t *count)
{
    *count = 1001;
    double *values = calloc(*count, sizeof *values);
    assert_non_null(values);
    values[0] = tenths(first_tenths);
    for (size_t i = 1; i < *count; i++)
        values[i] = tenths(first_tenths + (i % 2 ? -1 : 1));
    return values;
}

struct summary_set {
    const char *name;
    double first_tenths; /* made in turns about it; 0: read */
    size_t count;
    double mean, sd, autocorrelation;
    double mean_digits, sd_digits, autocorrelation_digits;
};

static void check_summary(void **state)
{
    const struct summary_set *set = *state;
    size_t count = 0;
    double *values = set->first_tenths > 0 ? in_turns(set->first_tenths, &count)
                                           : outside_column(table, set->name, "y", &count);
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
    {"Lew", 0, 200, -177.435, 277.332168044316, -0.307304800605679, 14, 14, 14},
    {"Lottery", 0, 218, 518.958715596330, 291.699727470969, -0.120948622967393, 14, 14, 14},
    {"Mavro", 0, 50, 2.001856, 0.000429123454003053, 0.937989183438248, 15, 12, 12},
    {"Michelso", 0, 100, 299.8524, 0.0790105478190518, 0.535199668621283, 15, 13, 13},
    {"NumAcc1", 0, 3, 10000002, 1, -0.5, 15, 15, 15},
    {"NumAcc2", 12, 1001, 1.2, 0.1, -0.999, 14, 14, 14},
    {"NumAcc3", 10000002, 1001, 1000000.2, 0.1, -0.999, 15, 9, 9},
    {"NumAcc4", 100000002, 1001, 10000000.2, 0.1, -0.999, 15, 8, 8},
};

struct variance_set {
    const char *name;
    double leading; /* SmLs: the constant leading digits; 0: read */
    size_t groups, group_size;
    double between_squares, within_squares, f, share_explained, residual_sd;
    double digits;
};

/* Group after group. SmLs: the first of a group is 0.4, 0.3 or 0.5 above the
 * constant, the rest 0.1 below that and above it in turns. */
static double *group_values(const struct variance_set *set)
{
    size_t size = set->group_size;
    double *values = calloc(set->groups * size, sizeof *values);
    assert_non_null(values);
    for (size_t g = 0; g < set->groups; g++) {
        double first = 10 * set->leading + (g == 0 ? 4 : g % 2 ? 3 : 5);
        if (set->leading > 0) {
            for (size_t i = 0; i < size; i++)
                values[g * size + i] = tenths(first + (i == 0 ? 0 : i % 2 ? -1 : 1));
            continue;
        }
        char column[8];
        snprintf(column, sizeof column, "%zu", g + 1);
        size_t count = 0;
        double *read = outside_column(table, set->name, column, &count);
        assert_int_equal(count, size);
        memcpy(values + g * size, read, size * sizeof *read);
        free(read);
    }
    return values;
}

static void check_variance(void **state)
{
    const struct variance_set *set = *state;
    double *values = group_values(set);
    size_t sizes[9];
    for (size_t g = 0; g < set->groups; g++)
        sizes[g] = set->group_size;
    struct random_effects effects;
    assert_true(random_effects_split(values, sizes, set->groups, &effects));
    keeps("between", effects.between_squares, set->between_squares, set->digits);
    keeps("within", effects.within_squares, set->within_squares, set->digits);
    keeps("F", effects.f, set->f, set->digits);
    keeps("R squared", effects.between_squares / (effects.between_squares + effects.within_squares),
          set->share_explained, set->digits);
    keeps("residual sd", sqrt(effects.within2), set->residual_sd, set->digits);
    free(values);
}

#define SMALL 1.68, 1.80, 21, 4.82758620689655e-01, 0.1
#define MIDDLE 16.08, 18.0, 201, 4.71830985915493e-01, 0.1
#define LARGE 160.08, 180.0, 2001, 4.70712773465067e-01, 0.1
static struct variance_set variances[] = {
    {"SiRstv", 0, 5, 5, 5.11462616e-02, 2.1663656e-01, 1.18046237440255, 1.90999039051129e-01,
     1.04076068334656e-01, 12},
    {"AtmWtAg", 0, 2, 24, 3.638341875e-09, 1.04951729166667e-08, 15.9467335677930,
     2.57426544538321e-01, 1.51048314446410e-05, 8},
    {"SmLs01", 1, 9, 21, SMALL, 14},
    {"SmLs02", 1, 9, 201, MIDDLE, 14},
    {"SmLs03", 1, 9, 2001, LARGE, 12},
    {"SmLs04", 1e6, 9, 21, SMALL, 9},
    {"SmLs05", 1e6, 9, 201, MIDDLE, 9},
    {"SmLs06", 1e6, 9, 2001, LARGE, 9},
    {"SmLs07", 1e12, 9, 21, SMALL, 3},
    {"SmLs08", 1e12, 9, 201, MIDDLE, 3},
    {"SmLs09", 1e12, 9, 2001, LARGE, 3},
};

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
    struct CMUnitTest tests[SUMMARIES + VARIANCES + 1];
    size_t count = 0;
    for (size_t i = 0; i < SUMMARIES; i++)
        tests[count++] =
            (struct CMUnitTest){summaries[i].name, check_summary, NULL, NULL, &summaries[i]};
    for (size_t i = 0; i < VARIANCES; i++)
        tests[count++] =
            (struct CMUnitTest){variances[i].name, check_variance, NULL, NULL, &variances[i]};
    tests[count++] = (struct CMUnitTest)cmocka_unit_test(test_out_of_range);
    return cmocka_run_group_tests_name("outside NIST StRD", tests, NULL, NULL);
}
