/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The disk fails at the Nth call, for every N; the power goes at the Nth call,
 * for every N. What the store said it kept is there afterwards, whole; what it
 * did not say is there whole or not at all; and it opens again.
 */
#include "store/store.h"

#include "support/fault_vfs.h"
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

enum { MOST_UPS = 4, GROUPS = 4, GROUP_READINGS = 30 };

enum outcome { NOT_TRIED, FAILED, KEPT };

/* What was tried with one power-up, and what the store said of it. */
struct attempt {
    int64_t id; /* 0: never begun */
    enum outcome groups[GROUPS], verdict, end;
};

struct story {
    struct attempt ups[MOST_UPS];
    enum outcome reference;
    int errors;
};

static const char verdict_text[] = "{\"verdict\":\"bad\",\"final\":true,\"decided_at_s\":1.25,"
                                   "\"onset_s\":0.5,\"reasons\":[{\"code\":\"stalled\","
                                   "\"text\":\"stops in phase 2 of 3\"}]}";
static const char reference_text[] = "{\"module_type\": \"anchor light\", \"version\": 1}";

static void make_group(int group, struct reading *readings)
{
    for (int i = 0; i < GROUP_READINGS; i++) {
        readings[i] = (struct reading){.time_s = 10 * group + 0.051 * i,
                                       .voltage_V = 12 + 0.001 * (double)(random() % 9),
                                       .current_A = 0.2 + 0.0001 * (double)(random() % 300),
                                       .valid = true,
                                       .output_on = FLAG_YES,
                                       .limited = FLAG_NO};
        reading_quantise(&readings[i]);
    }
}

/* Where the power goes at a call, only what was said before it counts. */
static long cut_at;

static enum outcome noted(struct story *story, int status, const struct error *error)
{
    if (status == 0)
        return cut_at == 0 || fault_vfs_calls() < cut_at ? KEPT : NOT_TRIED;
    /* An error is told, with a status and words. */
    assert_int_equal(status, -1);
    assert_int_not_equal(error->status, EXIT_OK);
    assert_int_not_equal(error->found[0], '\0');
    story->errors++;
    return FAILED;
}

static void live_one(struct store *store, struct story *story, struct attempt *up)
{
    const struct on_bench bench = {.module_type = "anchor light", .unit = "AL-9"};
    struct reading readings[GROUP_READINGS];
    struct error error = {0};
    json_t *verdict = json_loads(verdict_text, 0, NULL);
    make_group(0, readings);
    int status = store_begin_power_up(store, "left", 5, &bench, "scpi", readings, GROUP_READINGS,
                                      &up->id, &error);
    up->groups[0] = noted(story, status, &error);
    if (status == 0) {
        make_group(1, readings);
        status = store_append_readings(store, up->id, false, readings, GROUP_READINGS, &error);
        up->groups[1] = noted(story, status, &error);
        make_group(2, readings);
        status = store_set_verdict(store, up->id, verdict, 1, readings, GROUP_READINGS, &error);
        up->groups[2] = up->verdict = noted(story, status, &error);
        make_group(3, readings);
        status = store_finish_power_up(store, up->id, STATE_COMPLETE, verdict, 1, NULL, readings,
                                       GROUP_READINGS, &error);
        up->groups[3] = up->end = noted(story, status, &error);
        if (up->end == KEPT)
            up->verdict = KEPT;
    }
    json_decref(verdict);
}

/* Opened twice, so that the log is also worked into the file and begun anew.
 * */
static void live(const char *directory, struct story *story)
{
    struct error error = {0};
    for (int i = 0; i < MOST_UPS; i++) {
        if (i % (MOST_UPS / 2) != 0)
            continue;
        struct store *store = store_open(directory, &error);
        if (noted(story, store ? 0 : -1, &error) == FAILED)
            continue;
        for (int k = i; k < i + MOST_UPS / 2; k++)
            live_one(store, story, &story->ups[k]);
        int version = 0;
        int64_t id = 0;
        int status =
            store_put_reference(store, "anchor light", 1, reference_text, &version, &id, &error);
        if (story->reference != KEPT)
            story->reference = noted(story, status, &error);
        store_close(store);
    }
}

/* --- looking --- */

static void look_at(struct store_reader *reader, const struct attempt *up)
{
    struct error error = {0};
    json_t *item = store_get(reader, STORE_POWER_UPS, up->id, true, &error);
    assert_non_null(item);
    if (json_is_null(item)) {
        assert_false(up->groups[0] == KEPT);
        json_decref(item);
        return;
    }
    int found[GROUPS] = {0};
    size_t index = 0;
    const json_t *time_s = NULL;
    json_array_foreach(json_object_get(json_object_get(item, "trace"), "time_s"), index, time_s)
    {
        int group = (int)(json_number_value(time_s) / 10);
        assert_in_range(group, 0, GROUPS - 1);
        found[group]++;
    }
    int sum = 0;
    for (int group = 0; group < GROUPS; group++) {
        assert_true(found[group] == 0 || found[group] == GROUP_READINGS);
        if (up->groups[group] == KEPT)
            assert_int_equal(found[group], GROUP_READINGS);
        sum += found[group];
    }
    assert_int_equal(json_integer_value(json_object_get(item, "readings")), sum);
    json_t *wanted = json_loads(verdict_text, 0, NULL);
    const json_t *verdict = json_object_get(item, "verdict");
    bool is_here = json_equal(verdict, wanted);
    if (up->verdict == KEPT)
        assert_true(is_here);
    if (!is_here)
        assert_string_equal(json_string_value(json_object_get(verdict, "verdict")), "unsure");
    json_decref(wanted);
    json_decref(item);
}

/* Opens with a sound disk and compares with what was said. */
static void look(const char *directory, const struct story *story)
{
    struct error error = {0};
    struct store *store = store_open(directory, &error);
    if (!store) {
        char text[1200];
        fail_msg("does not open again: %s", error_text(&error, text, sizeof text));
    }
    struct store_reader *reader = store_reader_open(directory, &error);
    assert_non_null(reader);
    for (int i = 0; i < MOST_UPS; i++)
        if (story->ups[i].id)
            look_at(reader, &story->ups[i]);
    int version = 0;
    char *text = store_reference_text(reader, "anchor light", &version, &error);
    if (story->reference == KEPT)
        assert_non_null(text);
    free(text);
    /* And goes on working. */
    struct story after = {0};
    live_one(store, &after, &after.ups[0]);
    assert_int_equal(after.errors, 0);
    store_reader_close(reader);
    store_close(store);
}

/* --- failing calls --- */

static void sweep(enum fault_kind kind, bool for_good)
{
    long told = 0;
    long nth = 1;
    for (bool failed = true; failed; nth++) {
        char directory[256];
        scratch_make(directory, sizeof directory);
        struct story story = {0};
        fault_vfs_fail(nth, kind, for_good);
        live(directory, &story);
        failed = fault_vfs_has_failed();
        fault_vfs_fail(0, kind, false);
        if (!failed)
            assert_int_equal(story.errors, 0);
        told += story.errors > 0;
        look(directory, &story);
        fault_vfs_forget();
        scratch_remove(directory);
        assert_true(nth < 5000);
    }
    printf("  %ld calls failed one by one, %ld of them told as errors\n", nth - 2, told);
    assert_true(nth > 50);
    /* Most calls matter; those at close and in checkpoints may pass. */
    assert_true(2 * told > nth);
}

static void test_a_full_disk_for_a_moment(void **state)
{
    (void)state;
    sweep(FAULT_FULL, false);
}

static void test_a_full_disk_for_good(void **state)
{
    (void)state;
    sweep(FAULT_FULL, true);
}

static void test_a_broken_call(void **state)
{
    (void)state;
    sweep(FAULT_BROKEN, false);
}

static void test_a_broken_disk(void **state)
{
    (void)state;
    sweep(FAULT_BROKEN, true);
}

/* --- the power goes --- */

static void copy_story_until(struct store *store, struct story *story, int steps)
{
    for (int i = 0; i < steps && i < MOST_UPS; i++)
        live_one(store, story, &story->ups[i]);
}

/* Right after the store has said so, with nothing more written: all is there. */
static void test_a_power_cut_after_every_answer(void **state)
{
    (void)state;
    fault_vfs_fail(0, FAULT_BROKEN, false);
    for (int steps = 1; steps <= MOST_UPS; steps++) {
        char directory[256];
        char left[256];
        scratch_make(directory, sizeof directory);
        scratch_make(left, sizeof left);
        struct error error = {0};
        struct store *store = store_open(directory, &error);
        assert_non_null(store);
        struct story story = {0};
        copy_story_until(store, &story, steps);
        assert_int_equal(story.errors, 0);
        fault_vfs_cut(left);
        store_close(store);
        fault_vfs_forget();
        look(left, &story);
        fault_vfs_forget();
        scratch_remove(directory);
        scratch_remove(left);
    }
}

/* At any call: what was said is there, what was begun whole or not at all. */
static void test_a_power_cut_at_every_call(void **state)
{
    (void)state;
    fault_vfs_fail(0, FAULT_BROKEN, false);
    long calls = 1;
    for (long nth = 1; nth <= calls; nth++) {
        char directory[256];
        char left[256];
        scratch_make(directory, sizeof directory);
        scratch_make(left, sizeof left);
        struct story story = {0};
        cut_at = nth;
        fault_vfs_cut_at(nth, left);
        live(directory, &story);
        calls = fault_vfs_calls();
        cut_at = 0;
        fault_vfs_cut_at(0, NULL);
        fault_vfs_forget();
        look(left, &story);
        fault_vfs_forget();
        scratch_remove(directory);
        scratch_remove(left);
    }
    printf("  %ld calls, the power cut at each\n", calls);
    assert_true(calls > 50);
}

int main(void)
{
    const char *given = getenv("SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : (unsigned)time(NULL);
    /* The layer is the disk here; a real one behind it only slows it down. */
    if (access("/dev/shm", W_OK) == 0)
        setenv("TMPDIR", "/dev/shm", 0);
    printf("seed %u (SEED=%u repeats this run)\n", seed, seed);
    srandom(seed);
    fault_vfs_install();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_full_disk_for_a_moment),
        cmocka_unit_test(test_a_full_disk_for_good),
        cmocka_unit_test(test_a_broken_call),
        cmocka_unit_test(test_a_broken_disk),
        cmocka_unit_test(test_a_power_cut_after_every_answer),
        cmocka_unit_test(test_a_power_cut_at_every_call),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
