/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The log of outputs on its way to a disk that fails: who adds a line never waits, and
 * once the disk takes it, every line is there once and in order.
 */
#include "bench/output_lines.h"

#include "base/clock.h"
#include "store/outputs.h"

#include "support/fault_vfs.h"
#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

/* How long anything may take to come about; no claim about speed. */
static const double PATIENCE_S = 60;

struct scene {
    char directory[256];
    struct store *store;
    struct writer *writer;
    struct supply_config supply;
    struct config config;
    struct status_board board;
    struct output_lines *lines;
};

static void open_scene(struct scene *scene)
{
    struct error error = {0};
    *scene = (struct scene){.supply = {.name = "left"}};
    scratch_make(scene->directory, sizeof scene->directory);
    scene->config = (struct config){.supplies = &scene->supply, .supply_count = 1};
    scene->store = store_open(scene->directory, &error);
    assert_non_null(scene->store);
    scene->writer = writer_create(scene->store);
    assert_non_null(scene->writer);
    assert_int_equal(status_board_init(&scene->board, &scene->config), 0);
    scene->lines = output_lines_create(scene->writer, &scene->board);
    assert_non_null(scene->lines);
}

static void close_scene(struct scene *scene)
{
    writer_destroy(scene->writer);
    output_lines_destroy(scene->lines);
    status_board_clear(&scene->board);
    store_close(scene->store);
    fault_vfs_forget();
    scratch_remove(scene->directory);
}

static void add(struct scene *scene, enum output_what what, enum output_ours ours)
{
    struct output_event event = {.what = what,
                                 .asker = {.who = "page", .hand = "ab"},
                                 .voltage_V = (double)NAN,
                                 .limit_A = (double)NAN};
    output_lines_add(scene->lines, &event, ours, false);
}

static void live(struct scene *scene)
{
    add(scene, OUTPUT_SET, LINE_OURS_STAYS);
    add(scene, OUTPUT_ON, LINE_OURS_BEGINS);
    add(scene, OUTPUT_OFF_FAILED, LINE_OURS_STAYS);
    add(scene, OUTPUT_OFF, LINE_OURS_OVER);
    add(scene, OUTPUT_ON_SEEN, LINE_OURS_OVER);
}

/* "set, on, ..." oldest first; and whether it is marked as ours. */
static void look(const struct scene *scene, char text[200], bool *ours)
{
    struct error error = {0};
    struct store_reader *reader = store_reader_open(scene->directory, &error);
    assert_non_null(reader);
    json_t *log = store_output_log(reader, &(struct store_filter){.limit = 500}, &error);
    const json_t *items = json_object_get(log, "items");
    text[0] = '\0';
    for (size_t i = json_array_size(items); i-- > 0;)
        snprintf(text + strlen(text), 200 - strlen(text), "%s%s", text[0] ? ", " : "",
                 json_string_value(json_object_get(json_array_get(items, i), "what")));
    json_decref(log);
    struct output_mark mark;
    assert_int_equal(store_read_output_mark(reader, "left", MARK_OURS, &mark, &error), 0);
    *ours = mark.since_us != 0;
    store_reader_close(reader);
}

static const char all[] = "set, on, off not confirmed, off, on at the supply";

static void keep_trying(struct scene *scene)
{
    double until_s = clock_monotonic_s() + PATIENCE_S;
    while (!output_lines_wait(scene->lines, clock_monotonic_s() + 0.005)) {
        assert_true(clock_monotonic_s() < until_s);
        output_lines_again(scene->lines);
    }
}

static void test_a_disk_that_fails_for_a_while(void **state)
{
    (void)state;
    struct scene scene;
    char text[200];
    bool ours = false;
    open_scene(&scene);
    fault_vfs_fail(1, FAULT_FULL, true);
    add(&scene, OUTPUT_SET, LINE_OURS_STAYS);
    add(&scene, OUTPUT_ON, LINE_OURS_BEGINS);
    double until_s = clock_monotonic_s() + PATIENCE_S;
    char problem[700] = "";
    while (!problem[0] && clock_monotonic_s() < until_s) {
        assert_false(output_lines_wait(scene.lines, clock_monotonic_s() + 0.01));
        pthread_mutex_lock(&scene.board.mutex);
        memcpy(problem, scene.board.store_problem, sizeof problem);
        pthread_mutex_unlock(&scene.board.mutex);
    }
    assert_string_not_equal(problem, "");
    fault_vfs_fail(0, FAULT_FULL, false);
    look(&scene, text, &ours);
    assert_string_equal(text, "");
    assert_false(ours);
    keep_trying(&scene);
    look(&scene, text, &ours);
    assert_string_equal(text, "set, on");
    assert_true(ours);
    assert_string_equal(scene.board.store_problem, "");
    close_scene(&scene);
}

static void test_a_disk_that_fails_at_every_call(void **state)
{
    (void)state;
    long nth = 1;
    for (bool failed = true; failed; nth++) {
        struct scene scene;
        char text[200];
        bool ours = true;
        open_scene(&scene);
        fault_vfs_fail(nth, nth % 2 ? FAULT_FULL : FAULT_BROKEN, false);
        live(&scene);
        keep_trying(&scene);
        failed = fault_vfs_has_failed();
        fault_vfs_fail(0, FAULT_FULL, false);
        look(&scene, text, &ours);
        assert_string_equal(text, all);
        assert_false(ours);
        close_scene(&scene);
        assert_true(nth < 1000);
    }
    printf("  %ld calls failed one by one\n", nth - 2);
    assert_true(nth > 5);
}

/* Hundreds at once go in order, too, and what is left at the end is written then. */
static void test_many_at_the_end(void **state)
{
    (void)state;
    struct scene scene;
    open_scene(&scene);
    enum { MANY = 300 };
    for (int i = 0; i < MANY; i++)
        add(&scene, i % 2 ? OUTPUT_OFF : OUTPUT_ON, i % 2 ? LINE_OURS_OVER : LINE_OURS_BEGINS);
    writer_destroy(scene.writer);
    struct error error = {0};
    struct store_reader *reader = store_reader_open(scene.directory, &error);
    assert_non_null(reader);
    json_t *log = store_output_log(reader, &(struct store_filter){.limit = 500}, &error);
    const json_t *items = json_object_get(log, "items");
    assert_int_equal(json_array_size(items), MANY);
    for (size_t i = 0; i < MANY; i++)
        assert_string_equal(json_string_value(json_object_get(json_array_get(items, i), "what")),
                            i % 2 ? "on" : "off");
    json_decref(log);
    store_reader_close(reader);
    scene.writer = writer_create(scene.store);
    close_scene(&scene);
}

int main(void)
{
    /* The layer is the disk here; a real one behind it only slows it down. */
    if (access("/dev/shm", W_OK) == 0)
        setenv("TMPDIR", "/dev/shm", 0);
    fault_vfs_install();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_disk_that_fails_for_a_while),
        cmocka_unit_test(test_a_disk_that_fails_at_every_call),
        cmocka_unit_test(test_many_at_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
