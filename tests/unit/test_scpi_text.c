/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi_text.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* NR1, NR2 and NR3 as IEEE 488.2, 8.7.2 to 8.7.4, writes them (examples from
 * memory); 9.9E37 and 9.91E37 as SCPI-1999, volume 1, 7.2.1. */
static void test_numbers(void **state)
{
    (void)state;
    static const struct {
        const char *field, *query;
        char unit;
        enum scpi_field kind;
        double number;
    } cases[] = {
        {"12", NULL, 0, SCPI_NUMBER, 12},
        {"+0", NULL, 0, SCPI_NUMBER, 0},
        {"-0.0250", NULL, 'A', SCPI_NUMBER, -0.025},
        {"+1.234500E+01", NULL, 'V', SCPI_NUMBER, 12.345},
        {".5", NULL, 0, SCPI_NUMBER, 0.5},
        {" 3.3 ", NULL, 0, SCPI_NUMBER, 3.3},
        {"9.91E37", NULL, 0, SCPI_NAN, 0},
        {"+9.910000E+37", NULL, 'A', SCPI_NAN, 0},
        {"9.9E37", NULL, 0, SCPI_INFINITE, 0},
        {"-9.9E+37", NULL, 0, SCPI_INFINITE, 0},
        {"12.00V", NULL, 'V', SCPI_NUMBER, 12},
        {"0.25 a", NULL, 'A', SCPI_NUMBER, 0.25},
        {"12.00V", NULL, 'A', SCPI_NO_NUMBER, 0},
        {"V1 12.00", "V1?", 'V', SCPI_NUMBER, 12},
        {"V2 12.00", "V1?", 'V', SCPI_NO_NUMBER, 0},
        {"V112.00", "V1?", 'V', SCPI_NO_NUMBER, 0},
        {"", NULL, 0, SCPI_NO_NUMBER, 0},
        {"ON", NULL, 0, SCPI_NO_NUMBER, 0},
        {"nan", NULL, 0, SCPI_NO_NUMBER, 0},
        {"inf", NULL, 0, SCPI_NO_NUMBER, 0},
        {"0x10", NULL, 0, SCPI_NO_NUMBER, 0},
        {"12,345", NULL, 0, SCPI_NO_NUMBER, 0},
        {"12.3.4", NULL, 0, SCPI_NO_NUMBER, 0},
        {"12 12", NULL, 0, SCPI_NO_NUMBER, 0},
        {"-113,\"Undefined header\"", NULL, 0, SCPI_NO_NUMBER, 0},
        {"1\x7f", NULL, 0, SCPI_NO_NUMBER, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double number = -7;
        enum scpi_field kind =
            scpi_text_number(cases[i].field, cases[i].query, cases[i].unit, &number);
        double expected = cases[i].kind == SCPI_NUMBER ? cases[i].number : -7;
        if (kind != cases[i].kind || fabs(number - expected) > 1e-12)
            fail_msg("\"%s\": kind %d, %g", cases[i].field, (int)kind, number);
    }
}

static void test_flags(void **state)
{
    (void)state;
    assert_int_equal(scpi_text_flag("1"), 1);
    assert_int_equal(scpi_text_flag("0"), 0);
    assert_int_equal(scpi_text_flag("+1"), 1);
    assert_int_equal(scpi_text_flag("0.0E+00"), 0);
    assert_int_equal(scpi_text_flag("ON"), 1);
    assert_int_equal(scpi_text_flag(" off "), 0);
    assert_int_equal(scpi_text_flag("ONE"), -1);
    assert_int_equal(scpi_text_flag(""), -1);
    assert_int_equal(scpi_text_flag("1 V"), -1);
}

static void test_split(void **state)
{
    (void)state;
    char *fields[3];
    char reply[] = "12.0;0.25,1";
    assert_int_equal(scpi_text_split(reply, fields, 3), 3);
    assert_string_equal(fields[0], "12.0");
    assert_string_equal(fields[1], "0.25");
    assert_string_equal(fields[2], "1");
    char quoted[] = "-113,\"a;b,c\"";
    assert_int_equal(scpi_text_split(quoted, fields, 3), 2);
    assert_string_equal(fields[1], "\"a;b,c\"");
    char many[] = "1;2;3;4;5";
    assert_int_equal(scpi_text_split(many, fields, 3), 5);
    char empty[] = "";
    assert_int_equal(scpi_text_split(empty, fields, 3), 0);
    char hole[] = "1;;3";
    assert_int_equal(scpi_text_split(hole, fields, 3), 3);
    assert_string_equal(fields[1], "");
}

/* The form and numbers of SCPI-1999, volume 2, 21.8. */
static void test_errors(void **state)
{
    (void)state;
    int code = -1;
    char text[40];
    assert_true(scpi_text_error("0,\"No error\"", &code, text, sizeof text));
    assert_int_equal(code, 0);
    assert_true(scpi_text_error("+0,\"No error\"", &code, text, sizeof text));
    assert_int_equal(code, 0);
    assert_true(scpi_text_error("-410,\"Query INTERRUPTED\"", &code, text, sizeof text));
    assert_int_equal(code, -410);
    assert_string_equal(text, "Query INTERRUPTED");
    assert_false(scpi_text_error("12.5,\"x\"", &code, text, sizeof text));
    assert_false(scpi_text_error("12.5;0.1", &code, text, sizeof text));
    assert_false(scpi_text_error("no error", &code, text, sizeof text));
    assert_false(scpi_text_error("", &code, text, sizeof text));
}

/* What may be sent where nothing may be switched or set. */
static void test_only_asks(void **state)
{
    (void)state;
    static const char *const asking[] = {
        "*IDN?",     "MEAS:VOLT?",      "MEAS:VOLT?;CURR?",    "MEAS:VOLT?;:OUTP?",
        "*CLS",      " *cls ",          "MEAS:VOLT? (@1)",     "MEAS:VOLT? (@1);CURR? (@1)",
        "VOLT? MAX", "SYST:ERR?;*IDN?", "CONF? \"a;OUTP ON\"",
    };
    static const char *const telling[] = {
        "",
        "OUTP ON",
        "OUTP 1",
        "MEAS:VOLT?;OUTP ON",
        "MEAS:VOLT?;",
        "*RST",
        "SYST:REM",
        "INST:NSEL 2",
        "VOLT 5;VOLT?",
        "MEAS:VOLT?\nOUTP ON",
        "OUTP ON ?",
        "MEAS:VOLT?\r*RST",
        "*CLSX",
        "VOLT ?",
        "?",
        "*CLS 1",
        "A?B?",
        "MEAS:VOLT? \"",
        ";*IDN?",
    };
    for (size_t i = 0; i < sizeof asking / sizeof *asking; i++)
        if (!scpi_text_only_asks(asking[i]))
            fail_msg("\"%s\" asks", asking[i]);
    for (size_t i = 0; i < sizeof telling / sizeof *telling; i++)
        if (scpi_text_only_asks(telling[i]))
            fail_msg("\"%s\" tells", telling[i]);
}

static void test_fill(void **state)
{
    (void)state;
    char text[60];
    assert_true(scpi_text_fill("VOLT {value},(@{output})", 3, 13.8, text, sizeof text));
    assert_string_equal(text, "VOLT 13.8,(@3)");
    assert_true(scpi_text_fill("CURR {value}", 1, 0.00001, text, sizeof text));
    assert_string_equal(text, "CURR 0.000010");
    assert_true(scpi_text_fill("CURR {value}", 1, 1.0 / 3, text, sizeof text));
    assert_string_equal(text, "CURR 0.333333");
    assert_false(scpi_text_fill("CURR {value}", 1, 1.0 / 3, text, 12));
    assert_true(scpi_text_template_ok("A {output} {value}", true));
    assert_false(scpi_text_template_ok("A {output} {value}", false));
    assert_false(scpi_text_template_ok("A {channel}", true));
    assert_false(scpi_text_template_ok("A }", true));
}

/* Header paths: SCPI-1999, volume 1, 6.2.4. */
static void test_join(void **state)
{
    (void)state;
    static const struct {
        const char *first, *second;
        enum scpi_join join;
        const char *joined;
    } cases[] = {
        {"MEAS:VOLT?", "MEAS:CURR?", SCPI_JOIN_PATH, "MEAS:VOLT?;CURR?"},
        {"MEAS:VOLT?", "MEAS:CURR?", SCPI_JOIN_ROOT, "MEAS:VOLT?;:MEAS:CURR?"},
        {":MEAS:VOLT?", ":MEAS:CURR?", SCPI_JOIN_ROOT, "MEAS:VOLT?;:MEAS:CURR?"},
        {"MEAS:VOLT:DC?", "MEAS:CURR:DC?", SCPI_JOIN_PATH, NULL},
        {"MEAS:VOLT? (@2)", "MEAS:CURR? (@2)", SCPI_JOIN_PATH, "MEAS:VOLT? (@2);CURR? (@2)"},
        {"MEAS:VOLT?;CURR?", "OUTP?", SCPI_JOIN_ROOT, "MEAS:VOLT?;CURR?;:OUTP?"},
        {"MEAS:VOLT?;CURR?", "MEAS:POW?", SCPI_JOIN_PATH, NULL},
        {"VOLT?", "CURR?", SCPI_JOIN_PATH, NULL},
        {"V1O?", "I1O?", SCPI_JOIN_PLAIN, "V1O?;I1O?"},
        {"MEAS:VOLT?", "*OPC?", SCPI_JOIN_ROOT, NULL},
        {"", "OUTP?", SCPI_JOIN_ROOT, NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[80] = "";
        bool joined =
            scpi_text_join(cases[i].first, cases[i].second, cases[i].join, text, sizeof text);
        if (joined != (cases[i].joined != NULL) || (joined && strcmp(text, cases[i].joined) != 0))
            fail_msg("%s + %s: \"%s\"", cases[i].first, cases[i].second, text);
    }
    char small[10];
    assert_false(scpi_text_join("MEAS:VOLT?", "MEAS:CURR?", SCPI_JOIN_ROOT, small, sizeof small));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_numbers),   cmocka_unit_test(test_flags),
        cmocka_unit_test(test_split),     cmocka_unit_test(test_errors),
        cmocka_unit_test(test_only_asks), cmocka_unit_test(test_fill),
        cmocka_unit_test(test_join),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
