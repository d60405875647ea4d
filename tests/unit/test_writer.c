/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The store's thread: what waits while the disk is busy goes to it in one commit;
 * where that cannot be, each by itself.
 */
#include "bench/writer.h"
#include "support/scratch.h"

#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

enum { MOST_NOTES = 64 };

/* What was done, in order: r run alone, g run in a group, s settled as done, x
 * settled as not done. */
static char notes[MOST_NOTES + 1];
static size_t note_count;
static pthread_mutex_t gate = PTHREAD_MUTEX_INITIALIZER;

static void note(char what)
{
    assert_true(note_count < MOST_NOTES);
    notes[note_count++] = what;
    notes[note_count] = '\0';
}

struct job {
    struct writer_job base;
    char directory[256];
    bool fails;  /* always */
    size_t kept; /* power-ups that a reader sees when it is settled */
    int64_t id;
};

static size_t count_kept(const char *directory)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(directory, &error);
    struct store_filter filter = {.limit = 500};
    json_t *list = store_list(reader, STORE_POWER_UPS, &filter, &error);
    size_t count = json_array_size(json_object_get(list, "items"));
    json_decref(list);
    store_reader_close(reader);
    return count;
}

static bool hold_up(struct writer_job *base, struct store *store, bool grouped)
{
    (void)base;
    (void)store;
    pthread_mutex_lock(&gate);
    pthread_mutex_unlock(&gate);
    note(grouped ? 'g' : 'r');
    return true;
}

static bool run(struct writer_job *base, struct store *store, bool grouped)
{
    struct job *job = (struct job *)base;
    note(grouped ? 'g' : 'r');
    struct on_bench nothing = {0};
    struct reading reading = {.valid = true};
    struct error error = {0};
    return !job->fails && store_begin_power_up(store, "left", 1000000, &nothing, "scpi", &reading,
                                               1, &job->id, &error) == 0;
}

static void settle(struct writer_job *base, bool done)
{
    struct job *job = (struct job *)base;
    note(done ? 's' : 'x');
    job->kept = count_kept(job->directory);
}

/* Runs the jobs, all of them waiting behind one that holds up the disk. */
static void run_behind(const char *directory, struct job *jobs, size_t count)
{
    struct error error = {0};
    struct store *store = store_open(directory, &error);
    assert_non_null(store);
    note_count = 0;
    struct writer *writer = writer_create(store);
    struct writer_job holder = {.run = hold_up};
    pthread_mutex_lock(&gate);
    assert_true(writer_push(writer, &holder));
    for (size_t i = 0; i < count; i++) {
        snprintf(jobs[i].directory, sizeof jobs[i].directory, "%s", directory);
        assert_true(writer_push(writer, &jobs[i].base));
    }
    pthread_mutex_unlock(&gate);
    writer_destroy(writer);
    store_close(store);
}

static void test_what_waits_goes_in_one_commit(void **state)
{
    (void)state;
    char directory[256];
    scratch_make(directory, sizeof directory);
    struct job jobs[5] = {{.base = {run, settle, NULL}},
                          {.base = {run, settle, NULL}},
                          {.base = {run, settle, NULL}},
                          {.base = {hold_up, NULL, NULL}},
                          {.base = {run, settle, NULL}}};
    run_behind(directory, jobs, 5);
    /* The job that is always by itself parts the others. */
    assert_string_equal(notes, "rgggsssrrs");
    assert_int_equal(jobs[0].kept, 3);
    assert_int_equal(jobs[4].kept, 4);
    assert_int_equal(jobs[4].id, 4);
    scratch_remove(directory);
}

static void test_one_that_fails_leaves_the_others_kept(void **state)
{
    (void)state;
    char directory[256];
    scratch_make(directory, sizeof directory);
    struct job jobs[3] = {{.base = {run, settle, NULL}},
                          {.base = {run, settle, NULL}, .fails = true},
                          {.base = {run, settle, NULL}}};
    run_behind(directory, jobs, 3);
    assert_string_equal(notes, "rggrsrxrs");
    assert_int_equal(jobs[0].kept, 1);
    assert_int_equal(jobs[2].kept, 2);
    scratch_remove(directory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_waits_goes_in_one_commit),
        cmocka_unit_test(test_one_that_fails_leaves_the_others_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
