/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * INI files: every pair with its line, every fault with its line, nothing cut
 * in silence.
 */
#include "base/ini_file.h"

#include "support/scratch.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char directory[256];
static struct error error;

struct pairs {
    char text[8000]; /* "LINE [SECTION] KEY=VALUE;" one after the other */
    long refuse_line;
};

static int collect(void *context, const struct ini_pair *pair, struct error *found)
{
    struct pairs *pairs = context;
    if (pair->line == pairs->refuse_line)
        return error_set(found, EXIT_BAD_DATA, pair->file, pair->line, "another key", "refused %s",
                         pair->key);
    size_t used = strlen(pairs->text);
    snprintf(pairs->text + used, sizeof pairs->text - used, "%ld [%s] %s=%s;", pair->line,
             pair->section, pair->key, pair->value);
    return 0;
}

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

static int read_text(const char *content, struct pairs *pairs)
{
    char path[300];
    scratch_write(directory, "w.ini", content, strlen(content), path, sizeof path);
    pairs->text[0] = '\0';
    error = (struct error){0};
    return ini_file_read(path, collect, pairs, &error);
}

static void check_good(const char *content, const char *expected)
{
    struct pairs pairs = {.refuse_line = 0};
    if (read_text(content, &pairs) != 0)
        fail_msg("%s\nrefused: line %ld: %s, expected %s", content, error.line, error.found,
                 error.expected);
    assert_string_equal(pairs.text, expected);
}

static void test_pairs_with_their_lines(void **state)
{
    (void)state;
    check_good("", "");
    check_good("# nothing\n; here\n\n", "");
    check_good("[bench]\nname = Harbour Lane\n\n# the left one\n[supply left]\n"
               "link = tcp:127.0.0.1:5025\noutput=2",
               "2 [bench] name=Harbour Lane;6 [supply left] link=tcp:127.0.0.1:5025;"
               "7 [supply left] output=2;");
    check_good("\xEF\xBB\xBF[bench]\r\nname = a\r\n", "2 [bench] name=a;");
    check_good("early = 1\n", "1 [] early=1;");
    check_good("[a]\nk = 1 ; a remark\nempty =\n", "2 [a] k=1;3 [a] empty=;");
    check_good("[a]\nlink = serial:/dev/ttyUSB0?baud=9600&parity=none\n",
               "2 [a] link=serial:/dev/ttyUSB0?baud=9600&parity=none;");
    /* A section without a pair is handed over by itself. */
    check_good("[a]\n[b]\nk = 1\n[c]\n# nothing\n\n[d]", "1 [a] =;3 [b] k=1;4 [c] =;7 [d] =;");
    /* An indented line is a pair of its own, never the rest of the one above. */
    check_good("[a]\nk = 1\n  l = 2\n", "2 [a] k=1;3 [a] l=2;");
}

/* A line as long as allowed is read whole, wherever its text stands. */
static void test_long_lines_are_read_whole_or_refused(void **state)
{
    (void)state;
    for (size_t length = 150; length <= 1100; length += length < 990 ? 67 : 1) {
        char content[1300] = "[a]\nk=";
        memset(content + 6, 'v', length - 2);
        snprintf(content + 4 + length, 20, "\nlast=1\n");
        struct pairs pairs = {.refuse_line = 0};
        int status = read_text(content, &pairs);
        if (length > 1000) {
            assert_int_equal(status, -1);
            assert_int_equal(error.line, 2);
            assert_non_null(strstr(error.expected, "1000 bytes"));
            continue;
        }
        if (status != 0)
            fail_msg("%zu bytes: line %ld: %s", length, error.line, error.found);
        char expected[1300] = "2 [a] k=";
        memset(expected + 8, 'v', length - 2);
        snprintf(expected + 6 + length, 20, ";3 [a] last=1;");
        assert_string_equal(pairs.text, expected);
    }
    /* A comment may be as long. */
    char content[1200] = "# ";
    memset(content + 2, 'c', 990);
    snprintf(content + 992, 20, "\n[a]\nk=1\n");
    check_good(content, "3 [a] k=1;");
}

static void test_long_names_are_refused(void **state)
{
    (void)state;
    struct pairs pairs = {.refuse_line = 0};
    char name[120];
    for (size_t length = 40; length < 70; length++) {
        memset(name, 's', length);
        name[length] = '\0';
        char content[400];
        snprintf(content, sizeof content, "[x]\nk=1\n[%s]\nk=2\n", name);
        char expected[400];
        snprintf(expected, sizeof expected, "2 [x] k=1;4 [%s] k=2;", name);
        if (read_text(content, &pairs) == 0) {
            assert_string_equal(pairs.text, expected); /* whole, if taken */
            assert_true(length < 60);
        } else {
            assert_int_equal(error.line, 3);
            assert_non_null(strstr(error.found, "section"));
            assert_true(length > 45);
        }
        snprintf(content, sizeof content, "[x]\n%s=1\n", name);
        assert_int_equal(read_text(content, &pairs), 0);
        snprintf(expected, sizeof expected, "2 [x] %s=1;", name);
        assert_string_equal(pairs.text, expected);
    }
}

static void test_each_fault_names_its_line(void **state)
{
    (void)state;
    static const struct {
        const char *content;
        long refuse_line, line;
        const char *found;
    } cases[] = {
        {"[a]\nno pair here\n", 0, 2, "neither"},
        {"[a\nk=1\n", 0, 1, "neither"},
        {"[a]\nk=1\nl=2\nm=3\n", 3, 3, "refused l"},
        /* The first fault is told, whichever kind it is. */
        {"[a]\nbroken\nk=1\n", 3, 2, "neither"},
        {"[a]\nk=1\nbroken\n", 2, 2, "refused k"},
        {"[a]\n\n[b]\nk=1\n", 1, 1, "refused "},
        {"[b]\nk=1\n[a]\n", 3, 3, "refused "},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct pairs pairs = {.refuse_line = cases[i].refuse_line};
        assert_int_equal(read_text(cases[i].content, &pairs), -1);
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_int_equal(error.line, cases[i].line);
        assert_non_null(strstr(error.found, cases[i].found));
        assert_non_null(strstr(error.file, "/w.ini"));
    }
    char path[300];
    struct pairs pairs = {.refuse_line = 0};
    snprintf(path, sizeof path, "%s/none.ini", directory);
    assert_int_equal(ini_file_read(path, collect, &pairs, &error), -1);
    assert_int_equal(error.status, EXIT_NO_INPUT);
    assert_int_equal(ini_file_read(directory, collect, &pairs, &error), -1);
    assert_int_equal(error.status, EXIT_NO_INPUT);
    static const char zero[] = "[a]\nk=1\nl=\0 2\n";
    scratch_write(directory, "zero.ini", zero, sizeof zero - 1, path, sizeof path);
    assert_int_equal(ini_file_read(path, collect, &pairs, &error), -1);
    assert_int_equal(error.line, 3);
}

static void test_values(void **state)
{
    (void)state;
    struct ini_pair pair = {"w.ini", 4, "supply a", "rate_hz", "20"};
    double number = 0;
    assert_int_equal(ini_number(&pair, 0, 1000, "readings/s", &number, &error), 0);
    assert_true(number == 20);
    static const char *const wrong[] = {"",    "x",    "20 Hz", "-1", "1001",
                                        "nan", "0x10", "1,5",   "1e9"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        pair.value = wrong[i];
        assert_int_equal(ini_number(&pair, 0, 1000, "readings/s", &number, &error), -1);
        assert_int_equal(error.line, 4);
        assert_non_null(strstr(error.found, "rate_hz: found \""));
        assert_string_equal(error.expected, "a number from 0 to 1000 readings/s");
    }
    assert_true(number == 20);
    static const char *const on[] = {"on", "Yes", "TRUE", "1"};
    static const char *const off[] = {"off", "no", "False", "0"};
    bool value = false;
    for (size_t i = 0; i < 4; i++) {
        pair.value = on[i];
        assert_int_equal(ini_switch(&pair, &value, &error), 0);
        assert_true(value);
        pair.value = off[i];
        assert_int_equal(ini_switch(&pair, &value, &error), 0);
        assert_false(value);
    }
    pair.value = "perhaps";
    assert_int_equal(ini_switch(&pair, &value, &error), -1);
    assert_string_equal(error.expected, "on or off");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_pairs_with_their_lines, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_long_lines_are_read_whole_or_refused, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(test_long_names_are_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_each_fault_names_its_line, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_values, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
