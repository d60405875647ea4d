/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * export and import: what one store gives out, another takes in unchanged.
 */
#include "base/text_file.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "reference/reference_json.h"
#include "store/store.h"

#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
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

static char *in(const char *name)
{
    static char paths[64][400];
    static int next;
    char *path = paths[next++ % 64];
    snprintf(path, 400, "%s/%s", directory, name);
    return path;
}

static int run(int (*command)(int argc, char **argv), char *const *words)
{
    int argc = 0;
    char *argv[16] = {0};
    while (words[argc]) {
        argv[argc] = words[argc];
        argc++;
    }
    int status = command(argc, argv);
    fflush(stdout);
    return status;
}

#define RUN(command, ...) run(command_##command, (char *[]){(char[]){#command}, __VA_ARGS__, NULL})
#define WORD(text) ((char[]){text})

static char *content(const char *path)
{
    size_t length = 0;
    char *text = text_file_read(path, &length, &error);
    assert_non_null(text);
    return text;
}

static void assert_same_files(const char *a, const char *b)
{
    char *text_a = content(a);
    char *text_b = content(b);
    assert_string_equal(text_a, text_b);
    free(text_a);
    free(text_b);
}

static char *reference_text;

static int make_reference(void **state)
{
    (void)state;
    const struct reference_request request = {.module_type = "tank gauge / 12 V",
                                              .nominal_voltage_V = 12,
                                              .watch_s = 8.1,
                                              .has_range = true,
                                              .range_low_A = 0.38,
                                              .range_high_A = 0.41};
    struct reference *reference = reference_build(&request, NULL, 0, &error);
    assert_non_null(reference);
    reference_text = reference_print(reference);
    reference_destroy(reference);
    assert_non_null(reference_text);
    return 0;
}

static int free_reference(void **state)
{
    (void)state;
    free(reference_text);
    return 0;
}

static void fill(const char *data)
{
    struct store *store = store_open(data, &error);
    assert_non_null(store);
    enum { COUNT = 300 };
    static struct reading readings[COUNT];
    for (int i = 0; i < COUNT; i++) {
        readings[i] = (struct reading){.time_s = 0.0501 * i,
                                       .voltage_V = 12.003,
                                       .current_A = i % 50 == 49 ? (double)NAN : 0.0001 * i,
                                       .valid = i % 50 != 49,
                                       .output_on = i > 10 ? FLAG_YES : FLAG_NO,
                                       .limited = FLAG_UNKNOWN};
        reading_quantise(&readings[i]);
    }
    const struct on_bench bench = {
        .module_type = "tank gauge / 12 V", .unit = "TG-7", .stage = "final"};
    json_t *verdict = json_loads("{\"verdict\": \"good\", \"final\": true, \"decided_at_s\": 1.5,"
                                 " \"onset_s\": 0.5, \"final_draw_A\": 0.02, \"reasons\": []}",
                                 0, NULL);
    json_t *signature =
        json_loads("{\"onset_s\": 0.5, \"phases\": [], \"baseline_A\": 0}", 0, NULL);
    for (int i = 0; i < 3; i++) {
        int64_t id = 0;
        assert_int_equal(store_begin_power_up(store, "left",
                                              1769846709123456 + (int64_t)1000000 * i, &bench,
                                              "scpi", readings, 100, &id, &error),
                         0);
        assert_int_equal(store_finish_power_up(store, id, STATE_COMPLETE, verdict, 1, signature,
                                               readings + 100, 100, &error),
                         0);
        assert_int_equal(store_append_readings(store, id, true, readings + 200, 100, &error), 0);
        assert_int_equal(store_end_on_time(store, id, 15, "output off", &error), 0);
    }
    json_decref(verdict);
    json_decref(signature);
    int version = 0;
    int64_t id = 0;
    for (int i = 0; i < 2; i++)
        assert_int_equal(store_put_reference(store, "tank gauge / 12 V", 1, reference_text,
                                             &version, &id, &error),
                         0);
    store_close(store);
}

static void test_out_and_in_again(void **state)
{
    (void)state;
    fill(in("one"));
    assert_int_equal(RUN(export, WORD("--data"), in("one"), WORD("--out"), in("out")), 0);
    char *reference = in("out/reference-1-tank-gauge---12-V-v1.json");
    char *text = content(reference);
    assert_string_equal(text, reference_text);
    free(text);
    assert_int_equal(RUN(import, WORD("--data"), in("two"), reference, in("out/power-up-1.csv"),
                         in("out/power-up-2.json"), in("out/power-up-3.csv")),
                     0);
    assert_int_equal(RUN(export, WORD("--data"), in("two"), WORD("--out"), in("again")), 0);
    assert_same_files(in("out/power-up-1.csv"), in("again/power-up-1.csv"));
    assert_same_files(in("out/power-up-1.json"), in("again/power-up-1.json"));
    assert_same_files(in("out/power-up-3.csv"), in("again/power-up-3.csv"));
    assert_same_files(in("out/power-up-3.json"), in("again/power-up-3.json"));
    struct trace trace = {0};
    assert_int_equal(trace_file_read(in("again/power-up-2.csv"), &trace, &error), 0);
    assert_int_equal(trace.count, 300);
    trace_clear(&trace);
    /* A second time changes nothing. */
    assert_int_equal(RUN(import, WORD("--data"), in("two"), reference, in("out/power-up-1.csv")),
                     0);
    assert_int_equal(RUN(export, WORD("--data"), in("two"), WORD("--out"), in("third")), 0);
    assert_int_equal(access(in("third/power-up-4.csv"), F_OK), -1);
    assert_int_equal(access(in("third/reference-2-tank-gauge---12-V-v2.json"), F_OK), -1);
}

static void test_only_what_is_asked_for(void **state)
{
    (void)state;
    fill(in("one"));
    struct store *held = store_open(in("one"), &error); /* as by a daemon */
    assert_non_null(held);
    assert_int_equal(RUN(export, WORD("--data"), in("one"), WORD("--out"), in("out"),
                         WORD("--power-up"), WORD("2")),
                     0);
    assert_int_equal(access(in("out/power-up-2.csv"), F_OK), 0);
    assert_int_equal(access(in("out/power-up-1.csv"), F_OK), -1);
    assert_int_equal(access(in("out/reference-1-tank-gauge---12-V-v1.json"), F_OK), -1);
    assert_int_equal(RUN(export, WORD("--data"), in("one"), WORD("--out"), in("references"),
                         WORD("--references")),
                     0);
    assert_int_equal(access(in("references/reference-2-tank-gauge---12-V-v2.json"), F_OK), 0);
    assert_int_equal(access(in("references/power-up-2.csv"), F_OK), -1);
    assert_int_equal(RUN(export, WORD("--data"), in("one"), WORD("--out"), in("out"),
                         WORD("--power-up"), WORD("9")),
                     EXIT_NO_INPUT);
    assert_int_equal(RUN(export, WORD("--data"), in("one"), WORD("--out"), in("out"),
                         WORD("--power-up"), WORD("2x")),
                     EXIT_USAGE);
    assert_int_equal(RUN(export, WORD("--data"), in("one")), EXIT_USAGE);
    assert_int_equal(RUN(export, WORD("--out"), in("out")), EXIT_USAGE);
    assert_int_equal(RUN(export, WORD("--data"), in("none"), WORD("--out"), in("out")),
                     EXIT_NO_INPUT);
    assert_int_equal(access(in("none"), F_OK), -1);
    store_close(held);
}

static void test_import_yields_to_a_daemon(void **state)
{
    (void)state;
    char file[400];
    scratch_write(directory, "reference.json", reference_text, strlen(reference_text), file,
                  sizeof file);
    struct store *held = store_open(in("one"), &error);
    assert_non_null(held);
    /* The lock is per open file, so the same process meets it too. */
    assert_int_equal(RUN(import, WORD("--data"), in("one"), file), EXIT_UNAVAILABLE);
    store_close(held);
    assert_int_equal(RUN(import, WORD("--data"), in("one"), file), 0);
}

static void test_one_bad_file_keeps_all_out(void **state)
{
    (void)state;
    char good[400];
    char bad[400];
    scratch_write(directory, "good.json", reference_text, strlen(reference_text), good,
                  sizeof good);
    static const struct {
        const char *name, *text;
        int status;
    } cases[] = {
        {"a.json", "{\"format\": 1,\n}", EXIT_BAD_DATA},
        {"b.json", "{\"neither\": 1}", EXIT_BAD_DATA},
        {"newer.json", "{\"format\": {\"name\": \"wakedraw reference\", \"major\": 9}}",
         EXIT_BAD_DATA},
        {"c.txt", "", EXIT_USAGE},
        {"d.csv", "time_s,voltage_V,current_A\n0,1,x\n", EXIT_BAD_DATA},
        {"e.csv", "time_s,voltage_V,current_A\n0,1,2\n", EXIT_NO_INPUT}, /* no facts beside */
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        scratch_write(directory, cases[i].name, cases[i].text, strlen(cases[i].text), bad,
                      sizeof bad);
        assert_int_equal(RUN(import, WORD("--data"), in("one"), good, bad), cases[i].status);
        assert_int_equal(access(in("one"), F_OK), -1);
    }
    static const char type[] = "{\"name\": \"pump\", \"wach_s\": 8}";
    scratch_write(directory, "type.json", type, strlen(type), bad, sizeof bad);
    assert_int_equal(RUN(import, WORD("--data"), in("one"), bad), EXIT_BAD_DATA);
    assert_int_equal(RUN(import, WORD("--data"), in("one"), in("missing.json")), EXIT_NO_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_out_and_in_again, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_only_what_is_asked_for, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_import_yields_to_a_daemon, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_one_bad_file_keeps_all_out, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, make_reference, free_reference);
}
