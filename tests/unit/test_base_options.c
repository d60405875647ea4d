/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Command lines: what is taken, what is refused and in which words.
 */
#include "base/options.h"

#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

struct targets {
    const char *out;
    double watch_s;
    bool quiet;
    struct option_texts units;
};

static struct targets targets;
static char said[4000]; /* on standard output and standard error */
static int first;

static enum options_result read_words(char *const *words, size_t least, size_t most)
{
    targets = (struct targets){.watch_s = 30};
    first = -1;
    const struct command_option options[] = {
        {"out", "FILE", OPTION_TEXT, &targets.out, 0, 0, "where it goes"},
        {"watch", "S", OPTION_NUMBER, &targets.watch_s, 0.1, 600, "watch time (s, 30)"},
        {"quiet", NULL, OPTION_SWITCH, &targets.quiet, 0, 0, "says nothing"},
        {"unit", "DIR", OPTION_TEXTS, &targets.units, 0, 0, "a unit"},
    };
    const struct command_usage usage = {.name = "try",
                                        .arguments = "TRACE...",
                                        .summary = "Tries.",
                                        .details = "At length.",
                                        .options = options,
                                        .option_count = 4,
                                        .least_arguments = least,
                                        .most_arguments = most};
    int argc = 0;
    char *argv[200] = {0};
    for (; words[argc]; argc++)
        argv[argc] = words[argc];
    char name[] = "/tmp/wakedraw-said-XXXXXX";
    int file = mkstemp(name);
    assert_true(file >= 0);
    unlink(name);
    fflush(NULL);
    int out = dup(1);
    int err = dup(2);
    dup2(file, 1);
    dup2(file, 2);
    enum options_result result = options_read(argc, argv, &usage, &first);
    fflush(NULL);
    dup2(out, 1);
    dup2(err, 2);
    close(out);
    close(err);
    ssize_t got = pread(file, said, sizeof said - 1, 0);
    said[got > 0 ? got : 0] = '\0';
    close(file);
    /* The arguments left stand together at the end. */
    if (result == OPTIONS_READ)
        for (int i = first; i < argc; i++)
            assert_non_null(strchr("abc-", argv[i][0]));
    return result;
}

#define READ(...) read_words((char *[]){(char[]){"try"}, __VA_ARGS__, NULL}, 0, SIZE_MAX)
#define W(text) ((char[]){text})

static void test_what_is_taken(void **state)
{
    (void)state;
    assert_int_equal(READ(W("--out"), W("x.json"), W("a"), W("--watch=2.5"), W("b"), W("--quiet"),
                          W("--unit"), W("one"), W("--unit=two")),
                     OPTIONS_READ);
    assert_string_equal(said, "");
    assert_string_equal(targets.out, "x.json");
    assert_true(targets.watch_s == 2.5);
    assert_true(targets.quiet);
    assert_int_equal(targets.units.count, 2);
    assert_string_equal(targets.units.items[0], "one");
    assert_string_equal(targets.units.items[1], "two");
    assert_int_equal(first, 8);
    /* Again in the same process, with nothing given: the defaults. */
    assert_int_equal(READ(W("a")), OPTIONS_READ);
    assert_true(targets.watch_s == 30 && !targets.quiet && !targets.out);
    assert_int_equal(first, 1);
    /* "--" ends the options; "-" is an argument. */
    assert_int_equal(READ(W("--quiet"), W("--"), W("--out"), W("-")), OPTIONS_READ);
    assert_int_equal(first, 3);
    assert_null(targets.out);
}

static void check_wrong(enum options_result result, const char *expected)
{
    assert_int_equal(result, OPTIONS_WRONG);
    if (!strstr(said, expected))
        fail_msg("said %s\nexpected %s", said, expected);
    assert_non_null(strstr(said, "see wakedraw try --help\n"));
    /* One line. */
    assert_ptr_equal(strchr(said, '\n'), said + strlen(said) - 1);
}

static void test_what_is_refused(void **state)
{
    (void)state;
    check_wrong(READ(W("--powr"), W("1")), "unknown option --powr");
    check_wrong(READ(W("a"), W("--powr=1"), W("b")), "unknown option --powr=1");
    check_wrong(READ(W("a"), W("-x"), W("b")), "unknown option -x");
    check_wrong(READ(W("a"), W("-xyz"), W("b")), "unknown option -x");
    check_wrong(READ(W("--out")), "a value is missing after --out");
    check_wrong(READ(W("a"), W("--quiet"), W("--unit")), "a value is missing after --unit");
    check_wrong(READ(W("--quiet=1")), "--quiet");
    check_wrong(READ(W("--out"), W("1"), W("--out"), W("2")), "given twice: --out");
    check_wrong(READ(W("--quiet"), W("--quiet")), "given twice: --quiet");
    check_wrong(READ(W("--watch"), W("soon")), "--watch: found \"soon\", expected a number from"
                                               " 0.1 to 600");
    check_wrong(READ(W("--watch"), W("0")), "--watch: found \"0\"");
    check_wrong(READ(W("--watch"), W("601")), "--watch: found \"601\"");
    check_wrong(READ(W("--watch"), W("nan")), "--watch: found \"nan\"");
    check_wrong(READ(W("--watch"), W("5s")), "--watch: found \"5s\"");
    /* A name cut short today could be two names tomorrow. */
    check_wrong(READ(W("--wat"), W("5")), "unknown option --wat");
    check_wrong(READ(W("--o=5")), "unknown option --o");
    char *many[200] = {W("try")};
    static char option[] = "--unit=u";
    for (int i = 1; i <= 64; i++)
        many[i] = option;
    assert_int_equal(read_words(many, 0, 0), OPTIONS_READ);
    assert_int_equal(targets.units.count, 64);
    many[65] = option;
    check_wrong(read_words(many, 0, 0), "given too often: --unit");
}

static void test_how_many_arguments(void **state)
{
    (void)state;
    char *none[] = {W("try"), NULL};
    char *two[] = {W("try"), W("a"), W("b"), NULL};
    check_wrong(read_words(none, 1, 5), "missing: TRACE...");
    check_wrong(read_words(two, 0, 1), "too many arguments; takes TRACE...");
    assert_int_equal(read_words(two, 2, 2), OPTIONS_READ);
    assert_int_equal(read_words(none, 0, 0), OPTIONS_READ);
}

static void test_help(void **state)
{
    (void)state;
    assert_int_equal(READ(W("a"), W("--help"), W("--powr")), OPTIONS_HELP_SHOWN);
    assert_non_null(strstr(said, "Usage: wakedraw try [OPTION...] TRACE...\nTries.\n"));
    assert_non_null(strstr(said, "  --watch S "));
    assert_non_null(strstr(said, "watch time (s, 30)\n"));
    assert_non_null(strstr(said, "  --help "));
    assert_non_null(strstr(said, "\nAt length.\n"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_is_taken),
        cmocka_unit_test(test_what_is_refused),
        cmocka_unit_test(test_how_many_arguments),
        cmocka_unit_test(test_help),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
