/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * NIST Statistical Reference Datasets (StRD), all linear regression sets. The
 * project fits straight lines only, so Norris is checked as it stands, NoInt1 and
 * 2 (lines through the origin) with their points mirrored, and those of several
 * terms by straight lines alone: one term's part that the others do not explain,
 * found by fitting lines again and again, against what they leave of y (Frisch
 * and Waugh 1933, Lovell 1963); the slope is the term's coefficient. That tries
 * the line fit on data as near to collinear as there are. Digits kept: -log10 of
 * the relative error; how many doubles can keep is set by the data (Filip's terms
 * are collinear to 1 in 1e9 and more). Data: strd_table.csv.
 */
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

static const char table[] = "tests/outside/strd_table.csv";

static double digits_kept(double value, double certified)
{
    double error = certified == 0 ? fabs(value) : fabs(value - certified) / fabs(certified);
    return error > 0 ? -log10(error) : 16;
}

static void keeps(const char *what, double value, double certified, double digits)
{
    double kept = digits_kept(value, certified);
    if (!(kept >= digits))
        fail_msg("%s: %.17g, certified %.17g: %.1f digits, expected %.1f", what, value, certified,
                 kept, digits);
}

static void test_norris(void **state)
{
    (void)state;
    size_t count = 0;
    double *x = outside_column(table, "Norris", "x", &count);
    double *y = outside_column(table, "Norris", "y", &count);
    assert_int_equal(count, 36);
    struct series_line line;
    assert_true(series_fit_line(x, y, count, &line));
    keeps("B0", line.at_zero, -0.262323073774029, 12);
    keeps("B1", line.slope, 1.00211681802045, 14);
    keeps("B0 sd", line.at_zero_u, 0.232818234301152, 12);
    keeps("B1 sd", line.slope_u, 0.429796848199937e-03, 12);
    keeps("residual sd", line.residual_sd, 0.884796396144373, 12);
    keeps("R squared", line.share_explained, 0.999993745883712, 14);
    free(x);
    free(y);
}

/* With (-x, -y) beside each (x, y) the best line passes through the origin: the
 * same slope, twice the squares, twice less two for the degrees of freedom. */
static void check_no_intercept(const char *set, double slope, double slope_sd, double residual_sd)
{
    size_t count = 0;
    double *x = outside_column(table, set, "x", &count);
    double *y = outside_column(table, set, "y", &count);
    double both_x[32];
    double both_y[32];
    assert_in_range(count, 3, 16);
    for (size_t i = 0; i < count; i++) {
        both_x[2 * i] = x[i];
        both_y[2 * i] = y[i];
        both_x[2 * i + 1] = -x[i];
        both_y[2 * i + 1] = -y[i];
    }
    struct series_line line;
    assert_true(series_fit_line(both_x, both_y, 2 * count, &line));
    assert_true(fabs(line.at_zero) < 1e-12);
    keeps("B1", line.slope, slope, 14);
    keeps("B1 sd", line.slope_u * sqrt(2), slope_sd, 13);
    keeps("residual sd", line.residual_sd, residual_sd, 13);
    free(x);
    free(y);
}

static void test_through_the_origin(void **state)
{
    (void)state;
    check_no_intercept("NoInt1", 2.07438016528926, 0.0165289256198347, 3.56753034006338);
    check_no_intercept("NoInt2", 0.727272727272727, 0.0420827318078432, 0.369274472937998);
}

enum { MOST_TERMS = 10, MOST_VALUES = 100 };

struct several {
    const char *name;
    size_t count, terms; /* without the constant */
    double coefficients[MOST_TERMS + 1], deviations[MOST_TERMS + 1];
    double residual_sd, share_explained;
    double coefficient_digits, deviation_digits, residual_digits;
};

struct columns {
    double values[MOST_TERMS + 1][MOST_VALUES]; /* the last: y */
};

/* Longley's six regressors; else powers of x. */
static void read_columns(const struct several *set, struct columns *columns)
{
    size_t count = 0;
    for (size_t t = 0; t < set->terms; t++) {
        char column[8] = "x";
        if (strcmp(set->name, "Longley") == 0)
            snprintf(column, sizeof column, "x%zu", t + 1);
        double *x = outside_column(table, set->name, column, &count);
        assert_int_equal(count, set->count);
        for (size_t i = 0; i < count; i++)
            columns->values[t][i] = strlen(column) > 1 ? x[i] : pow(x[i], (double)t + 1);
        free(x);
    }
    double *y = outside_column(table, set->name, "y", &count);
    assert_int_equal(count, set->count);
    memcpy(columns->values[MOST_TERMS], y, count * sizeof *y);
    free(y);
}

/* Takes out of `of` what a straight line in `term` explains. */
static void sweep(const double *term, double *of, size_t count)
{
    struct series_line line;
    assert_true(series_fit_line(term, of, count, &line));
    for (size_t i = 0; i < count; i++)
        of[i] -= line.at_zero + line.slope * term[i];
}

/* The line of y in one term, all other terms swept out of both; twice, the second
 * time for what rounding left. */
static struct series_line fit_last(const struct several *set, const struct columns *columns,
                                   size_t last)
{
    struct columns rest = *columns;
    size_t order[MOST_TERMS];
    size_t count = 0;
    for (size_t t = 0; t < set->terms; t++)
        if (t != last)
            order[count++] = t;
    order[count++] = last;
    for (size_t k = 0; k + 1 < count; k++) {
        const double *term = rest.values[order[k]];
        for (int pass = 0; pass < 2; pass++) {
            for (size_t j = k + 1; j < count; j++)
                sweep(term, rest.values[order[j]], set->count);
            sweep(term, rest.values[MOST_TERMS], set->count);
        }
    }
    struct series_line line;
    assert_true(series_fit_line(rest.values[last], rest.values[MOST_TERMS], set->count, &line));
    return line;
}

static void check_several(void **state)
{
    const struct several *set = *state;
    struct columns columns;
    read_columns(set, &columns);
    struct series_summary y;
    series_summarise(columns.values[MOST_TERMS], set->count, &y);
    /* Each fit thinks that only two were taken out of the degrees of freedom. */
    double df = (double)(set->count - set->terms - 1);
    double scale = sqrt((double)(set->count - 2) / df);
    double constant = y.mean;
    double kept[3] = {16, 16, 16};
    for (size_t t = 0; t < set->terms; t++) {
        struct series_line line = fit_last(set, &columns, t);
        struct series_summary x;
        series_summarise(columns.values[t], set->count, &x);
        constant -= line.slope * x.mean;
        char what[32];
        snprintf(what, sizeof what, "B%zu", t + 1);
        keeps(what, line.slope, set->coefficients[t + 1], set->coefficient_digits);
        kept[0] = fmin(kept[0], digits_kept(line.slope, set->coefficients[t + 1]));
        double residual = scale * line.residual_sd;
        keeps("residual sd", residual, set->residual_sd, set->residual_digits);
        kept[2] = fmin(kept[2], digits_kept(residual, set->residual_sd));
        keeps("B sd", scale * line.slope_u, set->deviations[t + 1], set->deviation_digits);
        kept[1] = fmin(kept[1], digits_kept(scale * line.slope_u, set->deviations[t + 1]));
        double whole = y.sd * y.sd * (double)(set->count - 1);
        keeps("R squared", 1 - residual * residual * df / whole, set->share_explained,
              set->residual_digits);
    }
    keeps("B0", constant, set->coefficients[0], set->coefficient_digits);
    print_message("%s: %.1f digits of the coefficients, %.1f of their deviations, %.1f of the "
                  "residuals'\n",
                  set->name, fmin(kept[0], digits_kept(constant, set->coefficients[0])), kept[1],
                  kept[2]);
}

#define ONES 1, 1, 1, 1, 1, 1
static struct several sets[] = {
    {"Pontius",
     40,
     2,
     {0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14},
     {0, 0.157817399981659e-09, 0.486652849992036e-16},
     0.205177424076185e-03,
     0.999999900178537,
     12,
     12,
     12},
    {"Longley",
     16,
     6,
     {-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683,
      -1.03322686717359, -0.0511041056535807, 1829.15146461355},
     {0, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675,
      0.226073200069370, 455.478499142212},
     304.854073561965,
     0.995479004577296,
     11,
     12,
     12},
    {"Filip",
     82,
     10,
     {-1467.48961422980, -2772.17959193342, -2316.37108160893, -1127.97394098372, -354.478233703349,
      -75.1242017393757, -10.8753180355343, -1.06221498588947, -0.0670191154593408,
      -0.00246781078275479, -0.0000402962525080404},
     {0, 559.779865474950, 466.477572127796, 227.204274477751, 71.6478660875927, 15.2897178747400,
      2.23691159816033, 0.221624321934227, 0.0142363763154724, 0.000535617408889821,
      0.00000896632837373868},
     0.00334801051324544,
     0.996727416185620,
     6,
     7,
     7},
    {"Wampler1", 21, 5, {ONES}, {0}, 0, 1, 8, 9, 9},
    {"Wampler2", 21, 5, {1, 0.1, 0.01, 0.001, 0.0001, 0.00001}, {0}, 0, 1, 12, 14, 14},
    {"Wampler3",
     21,
     5,
     {ONES},
     {0, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312},
     2360.14502379268,
     0.999995559025820,
     9,
     13,
     13},
    {"Wampler4",
     21,
     5,
     {ONES},
     {0, 236355.173469681, 77934.3524331583, 10147.5507550350, 564.566512170752, 11.2324854679312},
     236014.502379268,
     0.957478440825662,
     6,
     13,
     13},
    {"Wampler5",
     21,
     5,
     {ONES},
     {0, 23635517.3469681, 7793435.24331583, 1014755.07550350, 56456.6512170752, 1123.24854679312},
     23601450.2379268,
     0.00224668921574940,
     4,
     13,
     12},
};

int main(void)
{
    enum { SETS = sizeof sets / sizeof *sets };
    struct CMUnitTest tests[SETS + 2] = {
        cmocka_unit_test(test_norris),
        cmocka_unit_test(test_through_the_origin),
    };
    for (size_t i = 0; i < SETS; i++)
        tests[i + 2] = (struct CMUnitTest){sets[i].name, check_several, NULL, NULL, &sets[i]};
    return cmocka_run_group_tests_name("outside NIST StRD, regression", tests, NULL, NULL);
}
