/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A process that keeps power-ups is killed (SIGKILL) at a random instant, again
 * and again on the same directory: what it had said it kept is there.
 */
#include "store/store.h"

#include "support/scratch.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

enum { ROUNDS = 30, GROUP_READINGS = 20, MOST_SAID = 20000 };

/* What the child says over the pipe, once it is kept. */
struct said {
    int64_t id;
    int readings; /* in all, of this power-up */
    char what;    /* begun, appended, verdict, finished, ended */
};

static const char verdict_text[] = "{\"verdict\":\"good\",\"final\":true,\"decided_at_s\":0.8,"
                                   "\"onset_s\":0.5,\"reasons\":[]}";

static void make_group(int group, struct reading *readings)
{
    for (int i = 0; i < GROUP_READINGS; i++) {
        readings[i] = (struct reading){.time_s = group + 0.049 * i,
                                       .voltage_V = 24,
                                       .current_A = 0.35 + 0.001 * (i % 3),
                                       .valid = true};
        reading_quantise(&readings[i]);
    }
}

static void say(int pipe, char what, int64_t id, int readings)
{
    struct said said = {.id = id, .readings = readings, .what = what};
    if (write(pipe, &said, sizeof said) != (ssize_t)sizeof said)
        _exit(2);
}

static void keep_for_ever(const char *directory, int pipe)
{
    struct reading readings[GROUP_READINGS];
    const struct on_bench bench = {.module_type = "bilge pump", .unit = "BP-3"};
    struct store *store = store_open(directory, NULL);
    json_t *verdict = json_loads(verdict_text, 0, NULL);
    for (int64_t id = 0; store; id = 0) {
        int kept = GROUP_READINGS;
        make_group(0, readings);
        if (store_begin_power_up(store, "left", 1, &bench, "scpi", readings, GROUP_READINGS, &id,
                                 NULL) != 0)
            break;
        say(pipe, 'b', id, kept);
        make_group(1, readings);
        if (store_append_readings(store, id, false, readings, GROUP_READINGS, NULL) != 0)
            break;
        say(pipe, 'a', id, kept += GROUP_READINGS);
        make_group(2, readings);
        if (store_set_verdict(store, id, verdict, 4, readings, GROUP_READINGS, NULL) != 0)
            break;
        say(pipe, 'v', id, kept += GROUP_READINGS);
        make_group(3, readings);
        if (store_finish_power_up(store, id, STATE_COMPLETE, verdict, 4, NULL, readings,
                                  GROUP_READINGS, NULL) != 0)
            break;
        say(pipe, 'f', id, kept += GROUP_READINGS);
        if (store_end_on_time(store, id, 4, "output off", NULL) != 0)
            break;
        say(pipe, 'e', id, kept);
    }
    _exit(1);
}

static void check_said(struct store_reader *reader, const struct said *said)
{
    struct error error = {0};
    json_t *item = store_get(reader, STORE_POWER_UPS, said->id, true, &error);
    assert_true(json_is_object(item));
    json_int_t readings = json_integer_value(json_object_get(item, "readings"));
    assert_true(readings >= said->readings);
    assert_int_equal(json_array_size(json_object_get(json_object_get(item, "trace"), "time_s")),
                     readings);
    const char *state = json_string_value(json_object_get(item, "state"));
    assert_string_not_equal(state, "open");
    assert_false(json_is_null(json_object_get(item, "ended_why")));
    if (said->what == 'v' || said->what == 'f' || said->what == 'e') {
        json_t *wanted = json_loads(verdict_text, 0, NULL);
        assert_true(json_equal(json_object_get(item, "verdict"), wanted));
        assert_int_equal(json_integer_value(json_object_get(item, "reference_version")), 4);
        json_decref(wanted);
    }
    if (said->what == 'f' || said->what == 'e')
        assert_string_equal(state, "complete");
    if (said->what == 'e')
        assert_string_equal(json_string_value(json_object_get(item, "ended_why")), "output off");
    json_decref(item);
}

static int live_and_be_killed(const char *directory, struct said *said, int most)
{
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    fflush(NULL);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        close(ends[0]);
        keep_for_ever(directory, ends[1]);
    }
    close(ends[1]);
    /* After the first word, so that opening is not all it does. */
    int count = read(ends[0], said, sizeof *said) == (ssize_t)sizeof *said;
    assert_int_equal(count, 1);
    long wait_us = random() % 60000;
    const struct timespec wait = {.tv_nsec = wait_us * 1000};
    nanosleep(&wait, NULL);
    assert_int_equal(kill(child, SIGKILL), 0);
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status));
    while (count < most && read(ends[0], &said[count], sizeof *said) == (ssize_t)sizeof *said)
        count++;
    close(ends[0]);
    return count;
}

static void test_what_was_said_survives_a_kill(void **state)
{
    (void)state;
    char directory[256];
    scratch_make(directory, sizeof directory);
    static struct said said[MOST_SAID];
    int count = 0;
    int cut_short = 0;
    for (int round = 0; round < ROUNDS; round++) {
        count += live_and_be_killed(directory, &said[count], MOST_SAID - count);
        cut_short += said[count - 1].what != 'e';
        struct error error = {0};
        struct store *store = store_open(directory, &error);
        assert_non_null(store);
        struct store_reader *reader = store_reader_open(directory, &error);
        assert_non_null(reader);
        for (int i = 0; i < count; i++)
            if (i == count - 1 || said[i + 1].id != said[i].id || round == ROUNDS - 1)
                check_said(reader, &said[i]);
        store_reader_close(reader);
        store_close(store);
    }
    printf("  %d kills, %d of them amid a power-up; %d answers, all kept\n", ROUNDS, cut_short,
           count);
    assert_true(cut_short > 0);
    scratch_remove(directory);
}

int main(void)
{
    const char *given = getenv("SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_was_said_survives_a_kill),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
