/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Every reason code is reached by the fault it names, with figures and words.
 */
#include "reference/reference_model.h"
#include "support/judge_scene.h"
#include "verdict/judge.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct reference *taught; /* by four units, from output on */
enum { LAST_REASON = REASON_OTHER_SET_UP };
static bool seen[LAST_REASON + 1];

static int teach(void **state)
{
    (void)state;
    taught = scene_reference(4, false);
    return taught ? 0 : -1;
}

static int forget(void **state)
{
    (void)state;
    reference_destroy(taught);
    return 0;
}

static struct verdict judge_with(const struct reference *reference, const struct accuracy *accuracy,
                                 const struct trace *trace)
{
    struct verdict verdict;
    assert_int_equal(
        judge_trace(reference, accuracy, trace->readings, trace->count, &verdict, NULL), 0);
    return verdict;
}

static struct verdict judge_scene(const struct judge_scene *scene)
{
    struct trace trace = {0};
    scene_trace(scene, &trace);
    struct verdict verdict = judge_with(taught, NULL, &trace);
    trace_clear(&trace);
    return verdict;
}

static const struct reason *find(const struct verdict *verdict, enum reason_code code)
{
    for (size_t i = 0; i < verdict->reason_count; i++)
        if (verdict->reasons[i].code == code)
            return &verdict->reasons[i];
    return NULL;
}

static const struct reason *expect(const struct verdict *verdict, enum verdict_kind kind,
                                   enum reason_code code)
{
    const struct reason *reason = find(verdict, code);
    if (verdict->kind != kind || !reason) {
        fail_msg("expected %s %s, found %s %s \"%s\"", verdict_kind_name(kind),
                 reason_code_name(code), verdict_kind_name(verdict->kind),
                 verdict->reason_count ? reason_code_name(verdict->reasons[0].code) : "",
                 verdict->reason_count ? verdict->reasons[0].text : "");
        abort(); /* fail_msg does not come back, but does not say so */
    }
    assert_true(strlen(reason->text) > 10);
    seen[code] = true;
    return reason;
}

static void good_at_the_watchs_end(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(7);
    struct verdict verdict = judge_scene(&scene);
    if (verdict.kind != VERDICT_GOOD)
        fail_msg("%s", verdict.reasons[0].text);
    assert_true(verdict.final);
    assert_true(fabs(verdict.decided_at_s - 6) < 0.05);
    assert_true(fabs(verdict.final_draw_A - 0.40) < 0.004);
    assert_int_equal(verdict.reason_count, 0);
}

static void no_draw(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(8);
    scene.steps[0] = (struct scene_step){0, 100, 0};
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_NO_DRAW);
    assert_true(verdict.decided_at_s < 0.5);
}

/* Nothing from before onset, the voltage up at the first reading. */
static void no_draw_without_a_rise(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(26);
    scene.steps[0] = (struct scene_step){0, 100, 0};
    scene.volts_before = true;
    scene.resting_A = 0;
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_NO_DRAW);
    assert_true(verdict.final);
    assert_true(fabs(verdict.decided_at_s - 6) < 0.05);
    scene.end_s = 3;
    verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_UNSURE, REASON_NO_ONSET);
}

static void no_wake(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(9);
    scene.steps[0] = (struct scene_step){0.018, 100, 0};
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_NO_WAKE);
    assert_true(fabs(reason->measured - 0.018) < 0.002);
}

static void short_and_reversed(void **state)
{
    (void)state;
    static const struct {
        double volts;
        enum reason_code code;
    } cases[] = {{0.2, REASON_AT_LIMIT}, {0.8, REASON_REVERSED}};
    for (size_t k = 0; k < 2; k++) {
        struct judge_scene scene = scene_good(10);
        struct trace trace = {0};
        scene_trace(&scene, &trace);
        for (size_t i = 0; i < trace.count; i++) {
            if (trace.readings[i].voltage_V < 5)
                continue;
            trace.readings[i].voltage_V = cases[k].volts;
            trace.readings[i].current_A = 3;
            trace.readings[i].limited = FLAG_YES;
        }
        struct verdict verdict = judge_with(taught, NULL, &trace);
        expect(&verdict, VERDICT_BAD, cases[k].code);
        assert_true(verdict.decided_at_s < 0.5);
        trace_clear(&trace);
    }
}

static void final_levels(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(11);
    scene.steps[2].level_A = 0.355;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_LOW_FINAL);
    assert_int_equal(reason->phase, 2);
    assert_true(fabs(reason->measured - 0.355) < 0.003);
    assert_true(reason->low > 0.355 && reason->high > reason->low);
    assert_true(fabs(reason->beyond - (reason->low - reason->measured)) < 1e-9);
    assert_int_equal(reason->basis, LIMITS_OF_UNIT);
    assert_non_null(strstr(reason->text, "settles at 0.35"));
    assert_non_null(strstr(reason->text, "its other phases foretell"));
    assert_non_null(strstr(reason->text, "too low"));
    scene.steps[2].level_A = 0.445;
    verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_HIGH_FINAL);
    assert_true(verdict.decided_at_s < 3.6);
}

static void stalled(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(12);
    scene.steps[1].length_s = 100;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_STALLED);
    assert_int_equal(reason->phase, 1);
    assert_true(reason->measured > reason->high);
    assert_non_null(strstr(reason->text, "has not left phase 2 of 3 after"));
    assert_non_null(strstr(reason->text, "late or stalled"));
    assert_non_null(strstr(reason->details, "common practice"));
    assert_string_equal(reason->pattern->name, "stays in one step");
    assert_int_equal(verdict.reason_count, 1);
    assert_true(fabs(reason->beyond - (reason->measured - reason->high)) < 1e-9);
}

/* A gap of the readings hides when the phase ended. */
static void late(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(27);
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    for (size_t i = 0; i < trace.count; i++) {
        double since = trace.readings[i].time_s - 0.6;
        if (since > 0.9 && since < 1.85)
            trace.readings[i].valid = false;
    }
    struct verdict verdict = judge_with(taught, NULL, &trace);
    const struct reason *reason = expect(&verdict, VERDICT_UNSURE, REASON_LATE);
    assert_int_equal(reason->phase, 0);
    trace_clear(&trace);
}

static void early(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(13);
    scene.steps[1].length_s = 0.8;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_EARLY);
    assert_true(reason->measured < reason->low);
}

static void missing_phase(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(14);
    scene.steps[1] = scene.steps[2];
    scene.count = 2;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_MISSING_PHASE);
    assert_int_equal(reason->phase, 1);
}

static void extra_phase(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(15);
    scene.count = 5;
    scene.steps[4] = scene.steps[2];
    scene.steps[3] = (struct scene_step){0.25, 1, 0};
    scene.steps[2] = (struct scene_step){0.33, 0.6, 0};
    scene.steps[1].length_s = 1;
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_EXTRA_PHASE);
}

static void restarts(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(16);
    scene.count = 9;
    for (int k = 0; k < 9; k++)
        scene.steps[k] = scene.steps[k % 3];
    scene.steps[2].length_s = scene.steps[5].length_s = 0.8;
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_RESTARTS);
}

static void unsteady(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(17);
    scene.steps[2].swing_A = 0.12;
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_UNSTEADY);
}

static void intermittent(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(18);
    scene.count = 5;
    scene.steps[2].length_s = 1;
    scene.steps[3] = (struct scene_step){0, 0.5, 0};
    scene.steps[4] = (struct scene_step){0.40, 100, 0};
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_INTERMITTENT);
    assert_int_equal(reason->phase, 2);
}

static void leakage_at_rest(void **state)
{
    (void)state;
    struct reference *reference = scene_reference(3, true);
    struct judge_scene scene = scene_good(19);
    struct trace trace = {0};
    scene.volts_before = true;
    scene_trace(&scene, &trace);
    struct verdict verdict = judge_with(reference, NULL, &trace);
    assert_int_equal(verdict.kind, VERDICT_GOOD);
    trace_clear(&trace);
    scene.resting_A = 0.022;
    scene_trace(&scene, &trace);
    verdict = judge_with(reference, NULL, &trace);
    const struct reason *reason = expect(&verdict, VERDICT_BAD, REASON_LEAKAGE);
    assert_true(fabs(reason->measured - 0.022) < 0.002);
    trace_clear(&trace);
    reference_destroy(reference);
}

static void leakage_throughout(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(20);
    for (int k = 0; k < 3; k++)
        scene.steps[k].level_A += 0.01;
    struct verdict verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_BAD, REASON_LEAKAGE);
}

/* The condition an unsure names is met, and it settles. */
static void outside_voltage(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(21);
    scene.volts = 12.0;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_UNSURE, REASON_OUTSIDE_VOLTAGE);
    assert_true(fabs(reason->measured - 12.0) < 0.05);
    scene.volts = 0.5 * (reason->low + reason->high);
    verdict = judge_scene(&scene);
    assert_int_equal(verdict.kind, VERDICT_GOOD);
}

static void cannot_resolve(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(22);
    scene.resolution_A = 0.05;
    scene.noise_A = 0.001;
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    struct accuracy coarse = {.profile = "coarse", .current_resolution_A = 0.05};
    struct verdict verdict = judge_with(taught, &coarse, &trace);
    const struct reason *reason = expect(&verdict, VERDICT_UNSURE, REASON_CANNOT_RESOLVE);
    assert_true(verdict.final);
    assert_non_null(strstr(reason->text, "finer would do"));
    trace_clear(&trace);
}

static void incomplete_and_no_onset(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(23);
    scene.end_s = 4;
    struct verdict verdict = judge_scene(&scene);
    const struct reason *reason = expect(&verdict, VERDICT_UNSURE, REASON_INCOMPLETE);
    assert_false(verdict.final);
    assert_true(isnan(verdict.decided_at_s));
    assert_true(fabs(reason->measured - 4) < 0.05);
    scene.never_on = true;
    verdict = judge_scene(&scene);
    expect(&verdict, VERDICT_UNSURE, REASON_NO_ONSET);
    assert_true(isnan(verdict.onset_s));
}

static void no_reference(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(24);
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    struct verdict verdict = judge_with(NULL, NULL, &trace);
    expect(&verdict, VERDICT_UNSURE, REASON_NO_REFERENCE);
    assert_true(fabs(verdict.onset_s - 0.6) < 0.05);
    trace_clear(&trace);
}

static void other_conditions(void **state)
{
    (void)state;
    static char feed[] = "30";
    static char bench_feed[] = "15";
    static char *feeds = feed;
    static char *bench_feeds = bench_feed;
    struct judge_scene scene = scene_good(26);
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    static char a[] = "A";
    static char b[] = "B";
    struct reference other = *taught;
    other.conditions = (struct conditions){{&feeds, 1}, a, a};
    struct conditions on_bench = {{&bench_feeds, 1}, b, b};
    struct verdict verdict;
    assert_int_equal(
        judge_trace_under(&on_bench, &other, NULL, trace.readings, trace.count, &verdict, NULL), 0);
    expect(&verdict, VERDICT_UNSURE, REASON_OTHER_FEEDS);
    expect(&verdict, VERDICT_UNSURE, REASON_OTHER_REVISION);
    expect(&verdict, VERDICT_UNSURE, REASON_OTHER_SET_UP);
    trace_clear(&trace);
}

static void all_codes_were_reached(void **state)
{
    (void)state;
    for (int code = 0; code <= LAST_REASON; code++)
        if (!seen[code])
            fail_msg("%s was not reached", reason_code_name((enum reason_code)code));
}

static void json_says_the_same(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(25);
    scene.steps[2].level_A = 0.35;
    struct verdict verdict = judge_scene(&scene);
    json_t *object = verdict_to_json(&verdict);
    assert_string_equal(json_string_value(json_object_get(object, "verdict")), "bad");
    const json_t *reason = json_array_get(json_object_get(object, "reasons"), 0);
    assert_string_equal(json_string_value(json_object_get(reason, "code")), "low_final");
    double measured = json_number_value(json_object_get(reason, "measured_A"));
    assert_true(fabs(measured - verdict.reasons[0].measured) < 1e-9);
    assert_true(json_is_integer(json_object_get(reason, "phase")));
    json_decref(object);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_at_the_watchs_end),
        cmocka_unit_test(no_draw),
        cmocka_unit_test(no_draw_without_a_rise),
        cmocka_unit_test(no_wake),
        cmocka_unit_test(short_and_reversed),
        cmocka_unit_test(final_levels),
        cmocka_unit_test(stalled),
        cmocka_unit_test(late),
        cmocka_unit_test(early),
        cmocka_unit_test(missing_phase),
        cmocka_unit_test(extra_phase),
        cmocka_unit_test(restarts),
        cmocka_unit_test(unsteady),
        cmocka_unit_test(intermittent),
        cmocka_unit_test(leakage_at_rest),
        cmocka_unit_test(leakage_throughout),
        cmocka_unit_test(outside_voltage),
        cmocka_unit_test(cannot_resolve),
        cmocka_unit_test(incomplete_and_no_onset),
        cmocka_unit_test(no_reference),
        cmocka_unit_test(other_conditions),
        cmocka_unit_test(json_says_the_same),
        cmocka_unit_test(all_codes_were_reached),
    };
    return cmocka_run_group_tests(tests, teach, forget);
}
