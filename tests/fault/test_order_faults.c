/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A repair, and hands on its output, while the disk fails at the Nth call, or the power goes at it,
 * for every N: each step that was said to be kept is there afterwards, each other one is there
 * whole or not at all.
 */
#include "store/database.h"
#include "store/orders.h"
#include "store/outputs.h"

#include "support/fault_vfs.h"
#include "support/scratch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

enum step {
    SETTINGS,
    INTAKE,
    NOTE,
    READING,
    PHOTO,
    CHANGE,
    CAUGHT,
    MOVE,
    TAG,
    STRIKE,
    CONFIRM,
    CLOSE,
    REOPEN,
    SWITCHED_ON,
    HOLD,
    HOLD_OVER,
    SWITCHED_OFF,
    STEPS
};

enum outcome { NOT_TRIED, FAILED, KEPT };

struct story {
    enum outcome steps[STEPS];
    int errors;
};

/* Where the power goes at a call, only what was said before it counts. */
static long cut_at;

static int note_step(struct story *story, enum step step, int status, const struct error *error)
{
    if (status == 0) {
        story->steps[step] = cut_at == 0 || fault_vfs_calls() < cut_at ? KEPT : NOT_TRIED;
        return 0;
    }
    assert_int_equal(status, -1);
    assert_int_not_equal(error->status, EXIT_OK);
    assert_int_not_equal(error->found[0], '\0');
    story->steps[step] = FAILED;
    story->errors++;
    return -1;
}

static json_t *json(const char *text)
{
    json_t *value = json_loads(text, 0, NULL);
    assert_non_null(value);
    return value;
}

static int catch_one(struct store *store, int64_t *id, struct error *error)
{
    static const struct on_bench bench = {
        .module_type = "anchor light", .unit = "AL-9", .work_order = "1", .stage = "intake"};
    struct reading readings[3];
    for (int i = 0; i < 3; i++) {
        readings[i] = (struct reading){.time_s = i, .voltage_V = 12, .current_A = 1, .valid = true};
        reading_quantise(&readings[i]);
    }
    json_t *verdict = json("{\"verdict\":\"good\",\"final\":true,\"onset_s\":0.5,\"reasons\":[]}");
    int status = store_begin_power_up(store, "left", 5, &bench, "scpi", readings, 3, id, error);
    if (status == 0)
        status =
            store_finish_power_up(store, *id, STATE_COMPLETE, verdict, 1, NULL, NULL, 0, error);
    json_decref(verdict);
    return status;
}

static int switch_output(struct store *store, bool on, struct error *error)
{
    struct output_line line = {.at_us = 7,
                               .supply = "left",
                               .what = on ? "on" : "off",
                               .who = "page",
                               .hand = "ab",
                               .why = "",
                               .problem = "",
                               .voltage_V = 12,
                               .limit_A = 1,
                               .ours = on ? OURS_BEGINS : OURS_OVER};
    struct output_line lines[] = {line, line};
    lines[0].what = on ? "set" : "off not confirmed";
    lines[0].ours = OURS_STAYS;
    return store_put_output_lines(store, lines, 2, error);
}

static int hold(struct store *store, bool on, struct error *error)
{
    struct output_line line = {.at_us = 8,
                               .supply = "left",
                               .what = on ? "held" : "hold over",
                               .who = "page",
                               .hand = "ab",
                               .why = "reading the memory",
                               .problem = "",
                               .voltage_V = (double)NAN,
                               .limit_A = (double)NAN};
    struct output_mark mark = {.since_us = 8, .hand = "ab", .unit = "AL-9"};
    return store_put_hold(store, &line, on ? &mark : NULL, error);
}

/* One step with its JSON. */
static int with(struct store *store, enum step step, int64_t id, const char *text,
                struct error *error)
{
    static const unsigned char jpeg[] = {0xFF, 0xD8, 0xFF, 0xE0, 1, 2, 3};
    struct intake intake;
    int64_t made = 0;
    json_t *value = json(text);
    int status = -1;
    switch (step) {
    case SETTINGS:
        status = store_put_settings(store, value, error);
        break;
    case INTAKE:
        status = store_take_in(store, "left", value, &intake, error);
        break;
    case NOTE:
        status = store_put_slip(store, SLIP_NOTE, id, value, &made, error);
        break;
    case READING:
        status = store_put_slip(store, SLIP_METER_READING, id, value, &made, error);
        break;
    case PHOTO:
        status = store_put_photo(store, id, "final", jpeg, sizeof jpeg, &made, error);
        break;
    case CHANGE:
        status = store_change_work_order(store, id, value, error);
        break;
    case CAUGHT:
        status = catch_one(store, &made, error);
        break;
    case MOVE:
        status = store_move_power_up(store, id, value, error);
        break;
    case TAG:
        status = store_tag_power_up(store, id, value, error);
        break;
    case STRIKE:
        status = store_strike(store, SLIP_NOTE, id, value, error);
        break;
    case CONFIRM:
        status = store_confirm_unit(store, "left", error);
        break;
    case CLOSE:
        status = store_close_work_order(store, id, value, error);
        break;
    case REOPEN:
        status = store_reopen_work_order(store, id, "typed wrongly", error);
        break;
    case SWITCHED_ON:
    case SWITCHED_OFF:
        status = switch_output(store, step == SWITCHED_ON, error);
        break;
    case HOLD:
    case HOLD_OVER:
        status = hold(store, step == HOLD, error);
        break;
    case STEPS:
        break;
    }
    json_decref(value);
    return status;
}

static const struct {
    const char *text;
    enum step needs; /* a step without which it cannot be */
} steps[] = {
    [SETTINGS] = {"{\"warranty_days\": 90, \"ask_after_min\": 5}", STEPS},
    [INTAKE] = {"{\"serial\": \"AL-9\", \"module_type\": \"anchor light\", \"complaint\": \"dim\","
                " \"revision\": \"B\"}",
                STEPS},
    [NOTE] = {"{\"stage\": \"after rework\", \"text\": \"relay replaced\"}", INTAKE},
    [READING] = {"{\"what\": \"feed\", \"value\": 3, \"unit\": \"ohm\"}", INTAKE},
    [PHOTO] = {"{}", INTAKE},
    [CHANGE] = {"{\"complaint\": \"dark\", \"parts\": \"relay\", \"cells\": \"none\"}", INTAKE},
    [CAUGHT] = {"{}", INTAKE},
    [MOVE] = {"{\"unit\": \"AL-9\", \"why\": \"not of this order\"}", CAUGHT},
    [TAG] = {"{\"tag\": \"heat\"}", CAUGHT},
    [STRIKE] = {"{\"why\": \"wrong board\"}", NOTE},
    [CONFIRM] = {"{}", INTAKE},
    [CLOSE] = {"{\"outcome\": \"repaired\", \"hand\": \"ab\", \"found_cause\": \"relay\"}", INTAKE},
    [REOPEN] = {"{}", CLOSE},
    [SWITCHED_ON] = {"{}", STEPS},
    [HOLD] = {"{}", STEPS},
    [HOLD_OVER] = {"{}", HOLD},
    [SWITCHED_OFF] = {"{}", SWITCHED_ON},
};

static void live(const char *directory, struct story *story)
{
    struct error error = {0};
    struct store *store = store_open(directory, &error);
    if (!store) {
        story->errors++;
        return;
    }
    bool done[STEPS + 1] = {[STEPS] = true};
    for (int step = 0; step < STEPS; step++) {
        error = (struct error){0};
        if (done[steps[step].needs])
            done[step] =
                note_step(story, (enum step)step,
                          with(store, (enum step)step, 1, steps[step].text, &error), &error) == 0;
    }
    store_close(store);
}

/* --- looking --- */

static int64_t number(struct database *database, const char *sql)
{
    int64_t found = -1;
    struct error error = {0};
    if (database_run(database, &error, &found, sql, "") < 0)
        fail_msg("%s: %s", sql, error.found);
    return found;
}

/* Every query counts what one step left, whole: `some` anything of it, `all` all of it. */
static const struct {
    const char *some, *all;
} looks[] = {
    [SETTINGS] = {"SELECT count(*) > 0 FROM setting", "SELECT count(*) = 2 FROM setting"},
    [INTAKE] = {"SELECT (SELECT count(*) FROM unit) + (SELECT count(*) FROM work_order)"
                " + (SELECT count(*) FROM on_bench) > 0",
                "SELECT (SELECT count(*) FROM unit WHERE revision = 'B' AND module_type_id = 1)"
                " + (SELECT count(*) FROM work_order WHERE complaint IN ('dim', 'dark')"
                "    AND json_array_length(stages) = 6)"
                " + (SELECT count(*) FROM on_bench WHERE module_type_id = 1) = 3"},
    [NOTE] = {"SELECT count(*) > 0 FROM note WHERE text = 'relay replaced'",
              "SELECT count(*) = 1 FROM note n JOIN work_order w ON w.id = n.work_order_id"
              " WHERE n.text = 'relay replaced' AND w.stage IN ('after rework', 'final')"},
    [READING] = {"SELECT count(*) > 0 FROM meter_reading", "SELECT count(*) = 1 FROM meter_reading"
                                                           " WHERE value = 3 AND unit = 'ohm'"},
    [PHOTO] = {"SELECT count(*) > 0 FROM photo",
               "SELECT count(*) = 1 FROM photo p JOIN work_order w ON w.id = p.work_order_id"
               " WHERE length(bytes) = 7 AND w.stage = 'final'"},
    [CHANGE] = {"SELECT (complaint = 'dark') + (parts IS NOT NULL) + (cells IS NOT NULL) > 0"
                " FROM work_order",
                "SELECT complaint = 'dark' AND parts = 'relay' AND cells = 'none' FROM work_order"},
    [MOVE] = {"SELECT (SELECT count(*) FROM power_up_move)"
              " + (SELECT count(*) FROM power_up WHERE work_order_id IS NULL) > 0",
              "SELECT (SELECT count(*) FROM power_up_move WHERE from_work_order_id = 1)"
              " + (SELECT count(*) FROM power_up WHERE unit_id = 1 AND work_order_id IS NULL"
              "    AND stage IS NULL) = 2"},
    [TAG] = {"SELECT count(*) > 0 FROM power_up WHERE tag = 'heat' OR verdict_word = 'unsure'"
             " AND state = 'complete'",
             "SELECT count(*) = 1 FROM power_up WHERE tag = 'heat' AND verdict_word = 'unsure'"
             " AND json_extract(verdict, '$.reasons[0].code') = 'under_heat'"},
    [STRIKE] = {"SELECT count(*) > 0 FROM note"
                " WHERE struck_us IS NOT NULL OR struck_why IS NOT NULL",
                "SELECT count(*) = 1 FROM note"
                " WHERE struck_us IS NOT NULL AND struck_why = 'wrong board'"},
    [CLOSE] = {"SELECT found_cause IS NOT NULL OR hand IS NOT NULL FROM work_order",
               "SELECT found_cause = 'relay' AND hand = 'ab' AND (SELECT unit_id IS NULL AND"
               " work_order_id IS NULL FROM on_bench) FROM work_order"},
    [REOPEN] = {"SELECT count(*) > 0 FROM note WHERE text LIKE 'Opened again%'",
                "SELECT closed_us IS NULL AND outcome IS NULL AND warranty_days IS NULL FROM"
                " work_order"},
    [SWITCHED_ON] = {"SELECT count(*) > 0 FROM output_line WHERE what IN ('set', 'on')",
                     "SELECT count(*) = 2 FROM output_line WHERE what IN ('set', 'on')"
                     " AND hand = 'ab' AND limit_A = 1"},
    [HOLD] = {"SELECT count(*) > 0 FROM output_line WHERE what = 'held'",
              "SELECT count(*) = 1 FROM output_line WHERE what = 'held' AND voltage_V IS NULL"
              " AND ((SELECT unit FROM output_mark WHERE kind = 'hold') IS 'AL-9'"
              "  OR EXISTS (SELECT 1 FROM output_line WHERE what = 'hold over'))"},
    [HOLD_OVER] = {"SELECT count(*) > 0 FROM output_line WHERE what = 'hold over'",
                   "SELECT count(*) = 0 FROM output_mark WHERE kind = 'hold'"},
    [SWITCHED_OFF] = {"SELECT count(*) > 0 FROM output_line WHERE what LIKE 'off%'",
                      "SELECT count(*) = 2 FROM output_line WHERE what LIKE 'off%'"
                      " AND NOT EXISTS (SELECT 1 FROM output_mark WHERE kind = 'ours')"},
};

static void look(const char *directory, const struct story *story)
{
    struct error error = {0};
    struct store *store = store_open(directory, &error);
    if (!store) {
        char text[1200];
        fail_msg("does not open again: %s", error_text(&error, text, sizeof text));
    }
    struct database database;
    assert_int_equal(database_open_reader(&database, directory, &error), 0);
    for (int step = 0; step < STEPS; step++) {
        if (!looks[step].some)
            continue;
        bool some = number(&database, looks[step].some) == 1;
        bool all = some && number(&database, looks[step].all) == 1;
        if (some != all)
            fail_msg("step %d is there by half", step);
        if (story->steps[step] == KEPT && !all)
            fail_msg("step %d was said to be kept, and is not there", step);
    }
    assert_int_equal(number(&database, "SELECT count(*) FROM pragma_foreign_key_check"), 0);
    /* What is said to be on is known to be ours, and held what is said to be. */
    assert_int_equal(number(&database, "SELECT (SELECT count(*) FROM output_mark) ="
                                       " (SELECT count(*) FROM output_line WHERE what = 'on')"
                                       " - (SELECT count(*) FROM output_line WHERE what = 'off')"
                                       " + (SELECT count(*) FROM output_line WHERE what = 'held')"
                                       " - (SELECT count(*) FROM output_line"
                                       "    WHERE what = 'hold over')"),
                     1);
    database_close(&database);
    store_close(store);
}

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
    assert_true(2 * told > nth);
}

static void test_a_full_disk_for_a_moment(void **state)
{
    (void)state;
    sweep(FAULT_FULL, false);
}

static void test_a_broken_disk(void **state)
{
    (void)state;
    sweep(FAULT_BROKEN, true);
}

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
        fault_vfs_cut_at(0, NULL);
        fault_vfs_forget();
        look(left, &story);
        cut_at = 0;
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
        cmocka_unit_test(test_a_broken_disk),
        cmocka_unit_test(test_a_power_cut_at_every_call),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
