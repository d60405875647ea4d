/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Readings, numbers as text, clock texts, errors in words.
 */
#include "base/clock.h"
#include "base/error.h"
#include "base/number.h"
#include "base/reading.h"

#include "support/scratch.h"

#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static double uniform(void)
{
    return (double)random() / ((double)RAND_MAX + 1.0);
}

static struct reading quantised(double time_s, double voltage_V, double current_A)
{
    struct reading reading = {
        .time_s = time_s, .voltage_V = voltage_V, .current_A = current_A, .valid = true};
    reading_quantise(&reading);
    return reading;
}

static void assert_same(double a, double b)
{
    assert_memory_equal(&a, &b, sizeof a);
}

static void test_quantised_is_what_the_decimal_text_reads_as(void **state)
{
    (void)state;
    for (int i = 0; i < 200000; i++) {
        double size = pow(10, 9 * uniform() - 6);
        double value = size * (uniform() - 0.5);
        struct reading reading = quantised(value, value, value);
        char text[64];
        snprintf(text, sizeof text, "%.6f", value);
        double six = strtod(text, NULL);
        snprintf(text, sizeof text, "%.7f", value);
        double seven = strtod(text, NULL);
        assert_true(fabs(reading.time_s - value) <= 0.5000001e-6);
        assert_true(fabs(reading.current_A - value) <= 0.5000001e-7);
        /* Half-way cases may round to either neighbour; all others agree. */
        if (fabs(fabs(value - six) - 0.5e-6) > 1e-9 && six != 0)
            assert_same(reading.voltage_V, six);
        if (fabs(fabs(value - seven) - 0.5e-7) > 1e-9 && seven != 0)
            assert_same(reading.current_A, seven);
        struct reading again = reading;
        reading_quantise(&again);
        assert_same(again.time_s, reading.time_s);
        assert_same(again.voltage_V, reading.voltage_V);
        assert_same(again.current_A, reading.current_A);
    }
}

static void test_quantising_odd_numbers(void **state)
{
    (void)state;
    assert_same(quantised(0, 0, -0.0).current_A, 0.0);
    assert_same(quantised(0, 0, -4e-8).current_A, 0.0);
    assert_true(isnan(quantised(0, NAN, 0).voltage_V));
    assert_true(isnan(quantised(0, 0, INFINITY).current_A));
    assert_true(isnan(quantised(0, 0, -INFINITY).current_A));
    assert_true(isnan(quantised(0, 0, 1e305).current_A));
    /* What has no number there is an invalid reading, as in a trace file. */
    assert_true(quantised(0, 1, 1).valid);
    assert_false(quantised(0, NAN, 1).valid);
    assert_false(quantised(0, 1, NAN).valid);
    assert_false(quantised(0, 1, INFINITY).valid);
}

static void test_a_trace_grows(void **state)
{
    (void)state;
    struct trace trace = {0};
    for (int i = 0; i < 10000; i++) {
        struct reading reading = quantised(i, 12, 0.001 * i);
        assert_true(trace_append(&trace, &reading));
    }
    assert_int_equal(trace.count, 10000);
    assert_same(trace.readings[9999].current_A, 9.999);
    trace_clear(&trace);
    assert_null(trace.readings);
    assert_int_equal(trace.count, 0);
    assert_int_equal(trace.capacity, 0);
}

static void test_numbers_read(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double number;
        const char *rest; /* NULL: no number */
    } cases[] = {
        {"12.345", 12.345, ""}, {" \t+1.5E-3 A", 0.0015, " A"},
        {"-.5", -0.5, ""},      {"5.", 5, ""},
        {"007", 7, ""},         {"1e", 1, "e"},
        {"1,5", 1, ",5"},       {"9.91E37", 9.91e37, ""},
        {"", 0, NULL},          {" ", 0, NULL},
        {".", 0, NULL},         {"-", 0, NULL},
        {"+-1", 0, NULL},       {"inf", 0, NULL},
        {"-INF", 0, NULL},      {"nan", 0, NULL},
        {"NAN(1)", 0, NULL},    {"0x10", 0, NULL},
        {"-0X1p3", 0, NULL},    {"e5", 0, NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double number = -77;
        const char *rest = NULL;
        bool found = number_parse(cases[i].text, &number, &rest);
        assert_int_equal(found, cases[i].rest != NULL);
        if (found) {
            assert_same(number, cases[i].number);
            assert_string_equal(rest, cases[i].rest);
        } else {
            assert_same(number, -77);
        }
    }
    double number = 3;
    assert_true(number_parse_whole(" 1.25\r\n", &number));
    assert_same(number, 1.25);
    assert_false(number_parse_whole("1.25 A", &number));
    assert_false(number_parse_whole("1,25", &number));
    assert_false(number_parse_whole("", &number));
    assert_same(number, 1.25);
}

static void check_printed(double number)
{
    char text[32];
    double back = NAN;
    assert_ptr_equal(number_print(number, text), text);
    assert_true(number_parse_whole(text, &back));
    assert_true(back == number);
    /* No shorter text with as many digits less one reads back. */
    char shorter[64];
    int digits = 0;
    for (const char *at = text; *at && *at != 'e'; at++)
        digits += *at >= '0' && *at <= '9' && (digits > 0 || *at != '0');
    if (digits > 6) {
        snprintf(shorter, sizeof shorter, "%.*g", digits - 1, number);
        assert_true(strtod(shorter, NULL) != number);
    }
}

static void test_numbers_printed_read_back(void **state)
{
    (void)state;
    char text[32];
    assert_string_equal(number_print(0.25, text), "0.25");
    assert_string_equal(number_print(0.1, text), "0.1");
    assert_string_equal(number_print(1e-7, text), "1e-07");
    assert_string_equal(number_print(13.8, text), "13.8");
    assert_string_equal(number_print(0, text), "0");
    assert_string_equal(number_print(12345678.123456, text), "12345678.123456");
    assert_string_equal(number_print(NAN, text), "");
    for (int i = 0; i < 20000; i++) {
        check_printed((uniform() - 0.5) * pow(10, 40 * uniform() - 20));
        check_printed(quantised(0, 0, uniform() - 0.5).current_A);
    }
}

/* With a comma locale made for the purpose; skipped, and said so, where the
 * machine has no sources to make it from. */
static void test_numbers_in_a_comma_locale(void **state)
{
    (void)state;
    char directory[256];
    char command[600];
    scratch_make(directory, sizeof directory);
    snprintf(command, sizeof command, "localedef -i de_DE -f UTF-8 %s/de_DE.UTF-8 >/dev/null 2>&1",
             directory);
    bool made = system(command) == 0; /* NOLINT(cert-env33-c) */
    setenv("LOCPATH", directory, 1);
    bool set = made && setlocale(LC_ALL, "de_DE.UTF-8");
    double number = 0;
    char text[32];
    if (set) {
        assert_true(strtod("12.345", NULL) == 12); /* the trap is there */
        assert_true(number_parse_whole("12.345", &number));
        assert_same(number, 12.345);
        assert_string_equal(number_print(12.345, text), "12.345");
        assert_true(strtod("12,5", NULL) == 12.5); /* and left as it was */
    }
    setlocale(LC_ALL, "C");
    unsetenv("LOCPATH");
    scratch_remove(directory);
    if (!set)
        skip();
}

static void test_clock_texts(void **state)
{
    (void)state;
    char text[25];
    assert_string_equal(clock_rfc3339(0, text), "1970-01-01T00:00:00.000Z");
    /* RFC 3339, 5.8: 1985-04-12T23:20:50.52Z, 482196050.52 s after 1970. */
    assert_string_equal(clock_rfc3339(482196050520000, text), "1985-04-12T23:20:50.520Z");
    assert_string_equal(clock_rfc3339(-1, text), "1970-01-01T00:00:00.000Z");
    assert_string_equal(clock_rfc3339(-1001, text), "1969-12-31T23:59:59.999Z");
    int64_t wall_us = 0;
    assert_true(clock_parse_rfc3339("1985-04-12T23:20:50.52Z", &wall_us));
    assert_true(wall_us == 482196050520000);
    assert_true(clock_parse_rfc3339("2024-02-29T12:00:00Z", &wall_us));
    assert_true(wall_us == 1709208000000000);
    static const char *const wrong[] = {"",
                                        "1985-04-12",
                                        "1985-04-12T23:20:50",
                                        "1985-04-12T23:20:50.Z",
                                        "1985-04-12T23:20:50+01:00",
                                        "1985-04-12T23:20:50Z.",
                                        "1985-13-12T23:20:50Z",
                                        "yesterday"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_false(clock_parse_rfc3339(wrong[i], &wall_us));
    for (int i = 0; i < 2000; i++) {
        int64_t ms = (int64_t)(4e12 * uniform());
        assert_true(clock_parse_rfc3339(clock_rfc3339(1000 * ms, text), &wall_us));
        assert_true(wall_us == 1000 * ms);
    }
}

static void test_the_clock_waits(void **state)
{
    (void)state;
    double from_s = clock_monotonic_s();
    clock_sleep_until(from_s + 0.02);
    double slept_s = clock_monotonic_s() - from_s;
    assert_true(slept_s >= 0.02);
    clock_sleep_until(from_s);
    clock_sleep_until(NAN);
    assert_true(clock_wall_us() > 1700000000000000);
}

static void test_errors_in_words(void **state)
{
    (void)state;
    struct error error = {0};
    char text[1200];
    assert_int_equal(error_set(&error, EXIT_BAD_DATA, "a.csv", 7, "0 or 1", "found \"%d\"", 2), -1);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_string_equal(error_text(&error, text, sizeof text),
                        "a.csv:7: found \"2\", expected 0 or 1");
    error_set(&error, EXIT_IO, "a.csv", 0, NULL, "cannot be read");
    assert_string_equal(error_text(&error, text, sizeof text), "a.csv: cannot be read");
    error_set(&error, EXIT_SOFTWARE, NULL, 3, NULL, "memory is out");
    assert_string_equal(error_text(&error, text, sizeof text), "memory is out");
    assert_int_equal(error_set(NULL, EXIT_IO, "a", 0, NULL, "b"), -1);
    char longer[2000];
    memset(longer, 'x', sizeof longer);
    longer[sizeof longer - 1] = '\0';
    error_set(&error, EXIT_IO, longer, 1, longer, "%s", longer);
    assert_int_equal(strlen(error.found), sizeof error.found - 1);
    assert_true(strlen(error_text(&error, text, sizeof text)) < sizeof text);
}

int main(void)
{
    const char *given = getenv("SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_quantised_is_what_the_decimal_text_reads_as),
        cmocka_unit_test(test_quantising_odd_numbers),
        cmocka_unit_test(test_a_trace_grows),
        cmocka_unit_test(test_numbers_read),
        cmocka_unit_test(test_numbers_printed_read_back),
        cmocka_unit_test(test_numbers_in_a_comma_locale),
        cmocka_unit_test(test_clock_texts),
        cmocka_unit_test(test_the_clock_waits),
        cmocka_unit_test(test_errors_in_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
