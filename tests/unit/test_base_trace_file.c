/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Trace files: RFC 4180 as the contract takes it, each fault with its line.
 */
#include "base/text_file.h"
#include "base/trace_file.h"

#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

static char directory[256];
static struct error error;

static int set_up(void **state)
{
    (void)state;
    scratch_make(directory, sizeof directory);
    error = (struct error){0};
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    scratch_remove(directory);
    return 0;
}

static int read_bytes(const char *content, size_t length, struct trace *trace)
{
    char path[300];
    scratch_write(directory, "t.csv", content, length, path, sizeof path);
    *trace = (struct trace){0};
    error = (struct error){0};
    return trace_file_read(path, trace, &error);
}

static void check_good(const char *content, const struct reading *expected, size_t count)
{
    struct trace trace;
    if (read_bytes(content, strlen(content), &trace) != 0)
        fail_msg("%s\nrefused: line %ld: %s, expected %s", content, error.line, error.found,
                 error.expected);
    assert_int_equal(trace.count, count);
    for (size_t i = 0; i < count; i++) {
        const struct reading *r = &trace.readings[i];
        assert_memory_equal(&r->time_s, &expected[i].time_s, sizeof(double));
        assert_true(r->voltage_V == expected[i].voltage_V ||
                    (isnan(r->voltage_V) && isnan(expected[i].voltage_V)));
        assert_true(r->current_A == expected[i].current_A ||
                    (isnan(r->current_A) && isnan(expected[i].current_A)));
        assert_int_equal(r->valid, expected[i].valid);
        assert_int_equal(r->output_on, expected[i].output_on);
        assert_int_equal(r->limited, expected[i].limited);
    }
    trace_clear(&trace);
}

static const struct reading two[] = {
    {0, 12.5, 0.25, true, FLAG_UNKNOWN, FLAG_UNKNOWN},
    {0.1, 12.5, -0.5, true, FLAG_UNKNOWN, FLAG_UNKNOWN},
};

static void test_the_same_two_readings(void **state)
{
    (void)state;
    static const char *const ways[] = {
        "time_s,voltage_V,current_A\n0,12.5,0.25\n0.1,12.5,-0.5\n",
        /* no last line end, CRLF, a byte order mark, blanks, blank last lines */
        "time_s,voltage_V,current_A\n0,12.5,0.25\n0.1,12.5,-0.5",
        "time_s,voltage_V,current_A\r\n0,12.5,0.25\r\n0.1,12.5,-0.5\r\n",
        "time_s,voltage_V,current_A\r\n0,12.5,0.25\r\n0.1,12.5,-0.5\r",
        "\xEF\xBB\xBFtime_s,voltage_V,current_A\n0,12.5,0.25\n0.1,12.5,-0.5\n",
        "\xEF\xBB\xBF\"time_s\",voltage_V,current_A\n0,12.5,0.25\n0.1,12.5,-0.5\n",
        " time_s , voltage_V,\tcurrent_A \n 0, 12.5,0.25\n0.1 ,12.5 ,-0.5\n",
        "time_s,voltage_V,current_A\n0,12.5,0.25\n0.1,12.5,-0.5\n\n \r\n",
        /* any order, other columns, quotes, other forms of the numbers */
        "current_A,time_s,voltage_V\n0.25,0,12.5\n-0.5,0.1,12.5\n",
        "time_s,note,voltage_V,current_A\n0,,12.5,0.25\n0.1,warm,12.5,-0.5\n",
        ("time_s,\"note, of ours\",voltage_V,current_A\n0,\"a \"\"b\"\", c\",12.5,0.25\n"
         "0.1,\"two\nlines\",12.5,-0.5\n"),
        "time_s,voltage_V,current_A\n\"0\",\"12.5\",\"0.25\"\n\"0.1\",\"12.5\",\"-0.5\"\r\n",
        "time_s,voltage_V,current_A\n+0.0,1.25e1,2.5E-1\n1e-1,0012.50,-.5\n",
        "time_s,voltage_V,current_A,time_s (of the meter)\n0,12.5,0.25,x\n0.1,12.5,-0.5,y\n",
    };
    for (size_t i = 0; i < sizeof ways / sizeof *ways; i++)
        check_good(ways[i], two, 2);
}

static void test_flags_and_empty_cells(void **state)
{
    (void)state;
    const struct reading expected[] = {
        {0, 12, 0.1, true, FLAG_YES, FLAG_NO},
        {1, 12, 0.1, false, FLAG_NO, FLAG_YES},
        {2, 12, NAN, false, FLAG_UNKNOWN, FLAG_UNKNOWN},
        {3, NAN, 0.1, false, FLAG_YES, FLAG_NO},
        {4, NAN, NAN, false, FLAG_YES, FLAG_NO},
        {5, 12, 0.1, false, FLAG_YES, FLAG_NO}, /* an empty cell of a known column */
        {6, 12, 0.1, true, FLAG_YES, FLAG_NO},
    };
    check_good("time_s,voltage_V,current_A,output_on,limited,valid\n"
               "0,12,0.1,1,0,1\n1,12,0.1,0,1,0\n2,12,,,,1\n3,,0.1,1,0,1\n4, ,\t,1,0,1\n"
               "5,12,0.1,1,0,\n6,12,0.1,1.0,0,\"1\"\n",
               expected, 7);
    check_good("time_s,voltage_V,current_A\n", NULL, 0);
    /* Readings from before onset may have times below 0. */
    const struct reading early[] = {{-0.5, 0, 0, true, FLAG_UNKNOWN, FLAG_UNKNOWN}};
    check_good("time_s,voltage_V,current_A\n-0.5,0,0\n", early, 1);
}

#define HEAD "time_s,voltage_V,current_A\n"

static void test_each_fault_names_its_line(void **state)
{
    (void)state;
    static const struct {
        const char *content;
        long line;
        const char *found, *expected; /* parts of */
    } cases[] = {
        {"", 1, "empty", "names the columns"},
        {"\xEF\xBB\xBF", 1, "empty", "names the columns"},
        {"0,12,0.1\n", 1, "missing: found \"time_s\"", "time_s, voltage_V and current_A"},
        {"time_s;voltage_V;current_A\n", 1, "time_s", ""},
        {"time_s,voltage_V\n0,1\n", 1, "current_A", ""},
        {"time_s,voltage_V,current_a\n", 1, "current_A", ""},
        {"time_s,voltage_V,current_A,time_s\n", 1, "twice", "once"},
        {"time_s x,voltage_V,current_A\n", 1, "time_s", ""},
        {HEAD "0,12,0.1\n1,12\n", 3, "2 cells", "3"},
        {HEAD "0,12,0.1\n1,12,0.1,5\n", 3, "4 cells", "3"},
        {HEAD "0,12,0.1\n1,12,0.1,\n", 3, "4 cells", "3"},
        {HEAD "0,12,0.1\n\n1,12,0.1\n", 3, "blank line", "a reading"},
        {HEAD "0,12,x\n", 2, "current_A: found \"x\"", "decimal point"},
        {HEAD "0,12,0x1F\n", 2, "current_A", "decimal point"},
        {HEAD "0,12,nan\n", 2, "current_A", "empty cell"},
        {HEAD "0,12,1e999\n", 2, "current_A", "number"},
        {HEAD "0,inf,1\n", 2, "voltage_V", "number"},
        {HEAD "0,12,2e9\n", 2, "current_A", "below 1e9"},
        {HEAD "0,\"12,5\",0.1\n", 2, "voltage_V: found \"12,5\"", "decimal point"},
        {HEAD ",12,0.1\n", 2, "time_s", "time in seconds"},
        {HEAD "0,12,0.1\n0,12,0.1\n", 3, "time_s 0.000000 after 0.000000", "strictly increase"},
        {HEAD "0,12,0.1\n0.5,1,1\n0.4,12,0.1\n", 4, "0.400000 after 0.500000", "increase"},
        {HEAD "0,12,0.1\n0.0000004,12,0.1\n", 3, "after", "1 us"},
        {HEAD "0,\"12,0.1\n1,12,0.1\n", 2, "file's end in a quoted cell", "closing quote"},
        {HEAD "0,\"12\"x,0.1\n", 2, "behind a quoted cell: found \"x\"", "comma"},
        {HEAD "0,12,0.1\r1,12,0.1\r", 2, "carriage return alone", "line's end"},
        {"time_s,voltage_V,current_A,valid\n0,12,0.1,yes\n", 2, "valid: found \"yes\"", "0 or 1"},
        {"time_s,voltage_V,current_A,limited\n0,12,0.1,2\n", 2, "limited", "0 or 1"},
        /* A cell of several lines: the next record's line is still right. */
        {"time_s,voltage_V,current_A,note\n0,12,0.1,\"a\nb\nc\"\n1,12,z,\n", 5, "current_A", ""},
        {"time_s,voltage_V,current_A,\"a\nb\"\n0,12,z,\n", 3, "current_A", ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct trace trace;
        int status = read_bytes(cases[i].content, strlen(cases[i].content), &trace);
        if (status != -1 || error.status != EXIT_BAD_DATA || error.line != cases[i].line ||
            !strstr(error.found, cases[i].found) || !strstr(error.expected, cases[i].expected))
            fail_msg("%s\nstatus %d, %d; line %ld: %s, expected %s", cases[i].content, status,
                     (int)error.status, error.line, error.found, error.expected);
        assert_null(trace.readings);
        assert_int_equal(trace.count, 0);
        assert_non_null(strstr(error.file, "/t.csv"));
    }
}

static void test_bytes_that_are_no_text(void **state)
{
    (void)state;
    static const char zero[] = "time_s,voltage_V,current_A\n0,12,0.1\n1,\0,0.1\n";
    struct trace trace;
    assert_int_equal(read_bytes(zero, sizeof zero - 1, &trace), -1);
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_int_equal(error.line, 3);
    static const char wide[] = "\xFF\xFEt\0i\0m\0e\0";
    assert_int_equal(read_bytes(wide, sizeof wide - 1, &trace), -1);
    assert_int_equal(error.line, 1);
}

static void test_files_that_cannot_be_read(void **state)
{
    (void)state;
    struct trace trace = {0};
    char path[300];
    snprintf(path, sizeof path, "%s/none.csv", directory);
    assert_int_equal(trace_file_read(path, &trace, &error), -1);
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_string_equal(error.file, path);
    assert_int_equal(trace_file_read(directory, &trace, &error), -1);
    assert_true(error.status == EXIT_IO || error.status == EXIT_NO_INPUT);
}

static void test_many_columns(void **state)
{
    (void)state;
    for (int columns = 64; columns <= 65; columns++) {
        char content[400];
        size_t used = (size_t)snprintf(content, sizeof content, "time_s,voltage_V,current_A");
        for (int i = 3; i < columns; i++)
            used += (size_t)snprintf(content + used, sizeof content - used, ",x");
        content[used++] = '\n';
        struct trace trace;
        assert_int_equal(read_bytes(content, used, &trace), columns == 64 ? 0 : -1);
        trace_clear(&trace);
    }
    assert_non_null(strstr(error.expected, "64"));
}

/* Whatever readings: written, read, the same; written again, the same text. */
static void test_written_and_read_back(void **state)
{
    (void)state;
    for (int round = 0; round < 300; round++) {
        struct trace trace = {0};
        double time_s = -2;
        for (long i = random() % 60; i > 0; i--) {
            time_s += 1e-6 + (double)(random() % 100000) * 1e-6;
            struct reading reading = {.time_s = time_s,
                                      .voltage_V = (double)(random() % 40000000) * 1e-6,
                                      .current_A = (double)(random() % 200000000 - 1000) * 1e-7,
                                      .valid = random() % 5 != 0,
                                      .output_on = (enum known_flag)(random() % 3 - 1),
                                      .limited = (enum known_flag)(random() % 3 - 1)};
            if (random() % 10 == 0)
                reading.current_A = NAN;
            if (random() % 10 == 0)
                reading.voltage_V = NAN;
            reading_quantise(&reading);
            assert_true(trace_append(&trace, &reading));
        }
        char *text = NULL;
        size_t length = 0;
        FILE *stream = open_memstream(&text, &length);
        assert_non_null(stream);
        assert_int_equal(trace_file_write(stream, trace.readings, trace.count), 0);
        assert_int_equal(fclose(stream), 0);
        check_good(text, trace.readings, trace.count);
        free(text);
        trace_clear(&trace);
    }
}

/* No text, however broken, is read past its end (a sanitizer watches). */
static void test_broken_texts(void **state)
{
    (void)state;
    static const char sound[] = "time_s,voltage_V,current_A,valid,\"no\"\"te\"\r\n"
                                "0,12,0.1,1,\"a\nb\"\n0.1,12,,1,\n0.2,,1e-3,0,\"\"\n";
    static const char alphabet[] = "\",\r\n 01.e-x\xEF";
    int refused = 0;
    for (int round = 0; round < 20000; round++) {
        char content[sizeof sound];
        memcpy(content, sound, sizeof sound);
        for (long k = 1 + random() % 4; k > 0; k--)
            content[(size_t)random() % (sizeof sound - 1)] =
                alphabet[(size_t)random() % (sizeof alphabet - 1)];
        struct trace trace;
        if (read_bytes(content, (size_t)random() % sizeof sound, &trace) != 0) {
            refused++;
            assert_true(error.line >= 1 && error.line <= 10);
            assert_int_not_equal(error.found[0], '\0');
        }
        trace_clear(&trace);
    }
    assert_true(refused > 1000);
}

static void test_text_files_are_whole_or_not_there(void **state)
{
    (void)state;
    char path[300];
    snprintf(path, sizeof path, "%s/a.json", directory);
    assert_int_equal(text_file_write(path, "first", 5, &error), 0);
    assert_int_equal(text_file_write(path, "second", 6, &error), 0);
    size_t length = 0;
    char *text = text_file_read(path, &length, &error);
    assert_string_equal(text, "second");
    assert_int_equal(length, 6);
    free(text);
    snprintf(path, sizeof path, "%s/none/a.json", directory);
    assert_int_equal(text_file_write(path, "x", 1, &error), -1);
    assert_int_equal(error.status, EXIT_IO);
    /* Over a directory: refused, and the neighbour is gone. */
    snprintf(path, sizeof path, "%s/sub", directory);
    assert_int_equal(mkdir(path, 0755), 0);
    assert_int_equal(text_file_write(path, "x", 1, &error), -1);
    char neighbour[400];
    snprintf(neighbour, sizeof neighbour, "%s.new%ld", path, (long)getpid());
    assert_int_equal(access(neighbour, F_OK), -1);
    /* More than one piece of the reader's. */
    size_t size = 700001;
    char *big = malloc(size);
    assert_non_null(big);
    memset(big, 'y', size);
    snprintf(path, sizeof path, "%s/big", directory);
    assert_int_equal(text_file_write(path, big, size, &error), 0);
    text = text_file_read(path, &length, &error);
    assert_int_equal(length, size);
    assert_memory_equal(text, big, size);
    assert_int_equal(text[length], 0);
    free(text);
    free(big);
    if (access("/dev/full", W_OK) == 0) {
        FILE *full = fopen("/dev/full", "w");
        assert_non_null(full);
        setvbuf(full, NULL, _IONBF, 0);
        const struct reading one = {.time_s = 0, .valid = true};
        assert_int_equal(trace_file_write(full, &one, 1), -1);
        fclose(full);
    }
}

int main(void)
{
    const char *given = getenv("SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    if (access("/dev/shm", W_OK) == 0)
        setenv("TMPDIR", "/dev/shm", 0);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_the_same_two_readings, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_flags_and_empty_cells, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_each_fault_names_its_line, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_bytes_that_are_no_text, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_files_that_cannot_be_read, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_many_columns, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_written_and_read_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_broken_texts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_text_files_are_whole_or_not_there, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
