/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Normal tolerance factors against published tables, some 640 cells of them:
 * ISO 16269-6:2014 (Annex F, pooled samples too), Meeker, Hahn and Escobar (J.5a,
 * J.5b), Montgomery and Runger (XII), CMH-17-1G (k_A, k_B), as carried in
 * tolerance_table.csv, and the worked example of the NIST/SEMATECH e-Handbook,
 * 7.2.6.3, with its one-sided approximation.
 */
#include "reference/tolerance.h"

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { MOST_FIELDS = 12 };

static void close_to(const char *line, double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%s: %.10g, expected %.10g within %.1g", line, value, expected, within);
}

/* Rounded up at the fourth decimal: at most one unit of it below. */
static void check_iso(const char *line, const double *field)
{
    static const double pooled[] = {1, 2, 5, 10};
    double n = field[2];
    for (size_t k = 0; k < 4; k++) {
        double factor = tolerance_two_sided(n, pooled[k] * (n - 1), field[0], field[1]);
        close_to(line, factor, field[3 + k] - 0.5e-4, 0.5e-4 + 6e-6);
    }
}

static void check_meeker(const char *line, const double *field)
{
    static const double confidences[] = {0.5, 0.8, 0.9, 0.95, 0.99};
    double n = field[1];
    for (size_t k = 0; k < 5; k++)
        close_to(line, tolerance_two_sided(n, n - 1, field[0], confidences[k]), field[2 + k],
                 0.51e-3);
}

static const double shares[] = {0.90, 0.95, 0.99};

static void check_montgomery(const char *line, const double *field)
{
    double n = field[0];
    for (size_t k = 0; k < 9; k++)
        close_to(line, tolerance_one_sided(n, n - 1, shares[k % 3], shares[k / 3]), field[1 + k],
                 0.51e-3);
}

/* The handbook's factors are themselves approximations where n is large. */
static void check_cmh(const char *line, const double *field)
{
    double n = field[0];
    close_to(line, tolerance_one_sided(n, n - 1, 0.90, 0.95), field[1], 2.1e-3);
    close_to(line, tolerance_one_sided(n, n - 1, 0.99, 0.95), field[2], n <= 50 ? 0.51e-3 : 2.1e-3);
}

static const struct {
    const char *name;
    void (*check)(const char *line, const double *field);
    size_t fields, rows;
} tables[] = {
    {"iso,", check_iso, 7, 60},
    {"meeker,", check_meeker, 7, 54},
    {"montgomery,", check_montgomery, 10, 13},
    {"cmh,", check_cmh, 3, 15},
};
enum { TABLES = sizeof tables / sizeof *tables };

static void check_line(const char *line, size_t *seen)
{
    for (size_t t = 0; t < TABLES; t++) {
        size_t used = strlen(tables[t].name);
        if (strncmp(line, tables[t].name, used) != 0)
            continue;
        double field[MOST_FIELDS];
        size_t count = 0;
        const char *text = line + used;
        for (;;) {
            char *end = NULL;
            assert_in_range(count, 0, MOST_FIELDS - 1);
            field[count++] = strtod(text, &end);
            assert_true(end > text);
            if (*end != ',')
                break;
            text = end + 1;
        }
        assert_int_equal(count, tables[t].fields);
        tables[t].check(line, field);
        seen[t]++;
        return;
    }
    fail_msg("no table has \"%s\"", line);
}

static void test_published_tables(void **state)
{
    (void)state;
    static const char path[] = "tests/outside/tolerance_table.csv";
    FILE *file = fopen(path, "r");
    if (!file)
        fail_msg("%s: %s (tests run in the project's folder)", path, strerror(errno));
    size_t seen[TABLES] = {0};
    char line[256];
    while (fgets(line, sizeof line, file)) {
        line[strcspn(line, "\n")] = '\0';
        if (line[0] != '#')
            check_line(line, seen);
    }
    fclose(file);
    for (size_t t = 0; t < TABLES; t++)
        assert_int_equal(seen[t], tables[t].rows);
}

/* e-Handbook 7.2.6.3: N = 43, coverage 0.90, confidence 0.99, chi squared 23.650;
 * k2 = 2.217 by Howe; one-sided by the page's approximation a = 0.9355727, b =
 * 1.5165164, k1 = 1.8752; with mean 97.07 and s 0.0268 the one-sided limits are
 * 97.120255 and 97.019745. The exact one-sided factor is less by 0.07 %. */
static void test_nist_one_sided(void **state)
{
    (void)state;
    double z_share = 1.2815515655446004;
    double z_confidence = 2.3263478740408408;
    double a = 1 - z_confidence * z_confidence / (2 * 42);
    double b = z_share * z_share - z_confidence * z_confidence / 43;
    close_to("a", a, 0.9355727, 6e-8);
    close_to("b", b, 1.5165164, 6e-8);
    double k1 = (z_share + sqrt(z_share * z_share - a * b)) / a;
    close_to("k1", k1, 1.8752, 5.1e-5);
    close_to("upper", 97.07 + k1 * 0.0268, 97.120255, 6e-7);
    close_to("lower", 97.07 - k1 * 0.0268, 97.019745, 6e-7);
    double exact = tolerance_one_sided(43, 42, 0.90, 0.99);
    close_to("exact", exact, k1, 1e-3 * k1);
    assert_true(exact < k1);
    close_to("k2", tolerance_howe(43, 42, 0.90, 0.99), 2.217, 5.1e-4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_published_tables),
        cmocka_unit_test(test_nist_one_sided),
    };
    return cmocka_run_group_tests_name("outside tolerance tables", tests, NULL, NULL);
}
