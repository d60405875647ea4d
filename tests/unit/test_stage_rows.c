/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A unit across its stages, as rows: the draw that comes up with the repair, and
 * what stays within the unit's own spread.
 */
#include "record/stage_rows.h"

#include "reference/reference_model.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const char *const stages[] = {"intake", "heat check", "after rework", "final"};
enum { STAGES = 4, POWER_UPS = 9 };

/* The common check value of the trade (common practice, no source): 0.20 A where
 * 0.24 to 0.26 A is expected, 0.25 A once the joint is healed. */
static const double draws_A[POWER_UPS] = {0.2003, 0.1998, 0.2001, 0.2498, 0.2503,
                                          0.2497, 0.2505, 0.2501, 0.2494};
static const size_t at_stage[POWER_UPS] = {0, 0, 0, 2, 2, 2, 3, 3, 3};

static struct reference *make_reference(void)
{
    struct reference *reference = reference_create("cold-store gateway");
    assert_non_null(reference);
    reference->phases = calloc(2, sizeof *reference->phases);
    assert_non_null(reference->phases);
    reference->phase_count = 2;
    reference->phases[0] = (struct reference_phase){.level_A = 0.1,
                                                    .low_A = 0.095,
                                                    .high_A = 0.105,
                                                    .duration_s = 2,
                                                    .duration_low_s = 1.8,
                                                    .duration_high_s = 2.2};
    reference->phases[1] =
        (struct reference_phase){.level_A = 0.25, .low_A = 0.24, .high_A = 0.26, .duration_s = NAN};
    reference->final_low_A = 0.24;
    reference->final_high_A = 0.26;
    reference->level_own = (struct spread){.prior_within = 0.003};
    reference->level_common = (struct spread){.prior_within = 0.004};
    reference->duration = (struct spread){.prior_within = 0.01};
    return reference;
}

static void make_power_ups(struct stage_power_up *power_ups)
{
    memset(power_ups, 0, POWER_UPS * sizeof *power_ups);
    for (size_t i = 0; i < POWER_UPS; i++) {
        power_ups[i].stage = at_stage[i];
        power_ups[i].final_draw_A = draws_A[i];
        struct repeated_power_up *told = &power_ups[i].told;
        told->phase_count = 2;
        told->levels[0] = (struct measured_level){.usable = true, .log_ratio = 0, .u = 0.001};
        told->levels[1] = (struct measured_level){
            .usable = true, .log_ratio = log(draws_A[i] / 0.25), .u = 0.001};
        told->log_duration[0] = i == 0 ? (double)NAN : log(1.05);
        told->log_duration_u[0] = i == 0 ? (double)NAN : 0.004;
        told->log_duration[1] = NAN;
    }
}

static const json_t *find_row(const json_t *rows, const char *of, int phase)
{
    for (size_t i = 0; i < json_array_size(rows); i++) {
        const json_t *row = json_array_get(rows, i);
        const json_t *here = json_object_get(row, "phase");
        if (strcmp(json_string_value(json_object_get(row, "of")), of) == 0 &&
            (phase < 0 ? json_is_null(here) : json_integer_value(here) == phase))
            return row;
    }
    return NULL;
}

static double figure(const json_t *row, const char *list, size_t index, const char *key)
{
    return json_number_value(
        json_object_get(json_array_get(json_object_get(row, list), index), key));
}

static bool is_more(const json_t *row, size_t index)
{
    return json_is_true(json_object_get(json_array_get(json_object_get(row, "changes"), index),
                                        "more_than_own_spread"));
}

static void assert_near(double value, double expected, double slack)
{
    if (!(fabs(value - expected) <= slack))
        fail_msg("found %.9g, expected %.9g +- %g", value, expected, slack);
}

static void test_the_repair_shows_and_the_rest_does_not(void **state)
{
    (void)state;
    struct stage_power_up power_ups[POWER_UPS];
    struct reference *reference = make_reference();
    make_power_ups(power_ups);
    json_t *rows = stage_rows_to_json(reference, NULL, stages, STAGES, power_ups, POWER_UPS);
    assert_int_equal(json_array_size(rows), 4);
    const json_t *final = find_row(rows, "final_draw_A", -1);
    assert_non_null(final);
    assert_int_equal(json_array_size(json_object_get(final, "points")), 3);
    assert_near(figure(final, "points", 0, "mean"), 0.20007, 1e-4);
    assert_near(figure(final, "points", 2, "mean"), 0.2500, 1e-4);
    assert_true(figure(final, "points", 0, "high") < 0.21);
    assert_int_equal(json_array_size(json_object_get(final, "changes")), 2);
    assert_near(figure(final, "changes", 0, "difference_share"), 0.25, 0.002);
    assert_true(is_more(final, 0));
    assert_false(is_more(final, 1));
    const json_t *level = find_row(rows, "level_A", 0);
    assert_near(figure(level, "points", 1, "mean"), 0.1, 1e-9);
    assert_false(is_more(level, 0) || is_more(level, 1));
    const json_t *duration = find_row(rows, "duration_s", 0);
    assert_near(figure(duration, "points", 0, "mean"), 2.1, 1e-9);
    assert_int_equal((int)figure(duration, "points", 0, "n"), 2);
    assert_near(json_number_value(json_object_get(json_object_get(duration, "limits"), "high")),
                2.2, 1e-12);
    assert_null(find_row(rows, "duration_s", 1));
    json_decref(rows);
    reference_destroy(reference);
}

static void test_without_a_reference_the_final_draw_alone(void **state)
{
    (void)state;
    struct stage_power_up power_ups[POWER_UPS];
    make_power_ups(power_ups);
    for (size_t i = 0; i < POWER_UPS; i++)
        power_ups[i].told.phase_count = 0;
    json_t *rows = stage_rows_to_json(NULL, NULL, stages, STAGES, power_ups, POWER_UPS);
    assert_int_equal(json_array_size(rows), 1);
    const json_t *final = find_row(rows, "final_draw_A", -1);
    assert_true(json_is_null(json_object_get(final, "limits")));
    assert_true(is_more(final, 0));
    assert_false(is_more(final, 1));
    json_decref(rows);
    rows = stage_rows_to_json(NULL, NULL, stages, STAGES, power_ups, 1);
    final = find_row(rows, "final_draw_A", -1);
    assert_true(
        json_is_null(json_object_get(json_array_get(json_object_get(final, "points"), 0), "low")));
    json_decref(rows);
    rows = stage_rows_to_json(NULL, NULL, stages, STAGES, power_ups, 0);
    assert_int_equal(json_array_size(rows), 0);
    json_decref(rows);
}

/* A supply that reads in steps of 10 mA: 0.25 and 0.26 A are one step apart. */
static void test_one_step_of_the_readback_is_no_change(void **state)
{
    (void)state;
    struct stage_power_up power_ups[POWER_UPS];
    struct accuracy coarse = {.current_resolution_A = 0.01};
    make_power_ups(power_ups);
    for (size_t i = 0; i < POWER_UPS; i++)
        power_ups[i].final_draw_A = power_ups[i].stage == 3 ? 0.26 : 0.25;
    json_t *rows = stage_rows_to_json(NULL, &coarse, stages, STAGES, power_ups, POWER_UPS);
    assert_false(is_more(find_row(rows, "final_draw_A", -1), 1));
    json_decref(rows);
    rows = stage_rows_to_json(NULL, NULL, stages, STAGES, power_ups, POWER_UPS);
    assert_true(is_more(find_row(rows, "final_draw_A", -1), 1));
    json_decref(rows);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_repair_shows_and_the_rest_does_not),
        cmocka_unit_test(test_without_a_reference_the_final_draw_alone),
        cmocka_unit_test(test_one_step_of_the_readback_is_no_change),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
