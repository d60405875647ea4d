/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Learning, printing and parsing references.
 */
#include "reference/reference_json.h"
#include "reference/reference_model.h"
#include "reference/spread.h"
#include "reference/stated_range.h"
#include "support/judge_scene.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct reference *taught;

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

static bool claims(const struct reference *reference, const char *text)
{
    for (size_t i = 0; i < reference_claim_count(reference); i++)
        if (strstr(reference_claim(reference, i), text))
            return true;
    return false;
}

static void three_phases_are_found(void **state)
{
    (void)state;
    assert_int_equal(taught->phase_count, 3);
    static const double levels[] = {0.10, 0.25, 0.40};
    for (size_t p = 0; p < 3; p++) {
        assert_int_equal(taught->phases[p].kind, PHASE_LEVEL);
        assert_true(fabs(taught->phases[p].level_A / levels[p] - 1) < 0.01);
        assert_true(taught->phases[p].low_A < taught->phases[p].level_A);
    }
    assert_true(fabs(taught->phases[0].duration_s - 1) < 0.03);
    assert_true(fabs(taught->phases[1].duration_s - 2) < 0.05);
    assert_true(isnan(taught->phases[2].duration_s));
    assert_true(fabs(taught->accuracy.current_resolution_A - 0.001) < 1e-9);
    assert_true(fabs(taught->compared_at_V - 13.8) < 0.01);
    assert_int_equal(taught->unit_count, 4);
    assert_int_equal(taught->power_ups, 12);
    assert_true(claims(taught, "assumed"));
    assert_true(claims(taught, "one more known-good"));
}

static void printed_reads_back_the_same(void **state)
{
    (void)state;
    char *text = reference_print(taught);
    assert_non_null(text);
    struct error error = {0};
    struct reference *again = reference_parse(text, strlen(text), "again", &error);
    assert_non_null(again);
    char *twice = reference_print(again);
    assert_string_equal(text, twice);
    /* Readable: short lines, and short at that. */
    size_t lines = 0;
    for (const char *at = text; at; at = strchr(at + 1, '\n'))
        lines++;
    assert_true(lines < 200);
    free(text);
    free(twice);
    reference_destroy(again);
}

static void envelope_encloses_the_levels(void **state)
{
    (void)state;
    assert_true(taught->envelope_count > 10);
    for (size_t i = 0; i < taught->envelope_count; i++) {
        assert_true(isfinite(taught->envelope_low_A[i]) && isfinite(taught->envelope_high_A[i]));
        assert_true(taught->envelope_low_A[i] < taught->envelope_high_A[i]);
        if (i > 0)
            assert_true(taught->envelope_time_s[i] > taught->envelope_time_s[i - 1]);
        double t = taught->envelope_time_s[i];
        double level = t < 0.8 ? 0.10 : t > 1.2 && t < 2.6 ? 0.25 : t > 3.4 ? 0.40 : (double)NAN;
        if (t > 0.05 && !isnan(level))
            assert_true(taught->envelope_low_A[i] < level && taught->envelope_high_A[i] > level);
    }
}

/* Each broken file is refused, and the error names what is wrong. */
static void broken_files_are_refused_by_name(void **state)
{
    (void)state;
    static const struct {
        const char *find, *replace, *named;
    } cases[] = {
        {"\"major\": 1", "\"major\": 2", "major version 2"},
        {"\"wakedraw reference\"", "\"something\"", "format.name"},
        {"\"watch_s\": 6", "\"watch_s\": \"six\"", "watch_s"},
        {"\"watch_s\": 6", "\"watch_s\": -6", "watch_s"},
        {"\"version\": 1", "\"version\": 1.5", "version"},
        {"\"kind\": \"level\"", "\"kind\": \"flat\"", "phases[0].kind"},
        {"\"claims\"", "\"remarks\"", "claims"},
        {"\"module_type\"", "\"type\"", "module_type"},
        {"\"prior_assumed\": true", "\"prior_assumed\": 1", "prior_assumed"},
        {"\"duration_s\": {", "\"duration_s\": null, \"x\": {", "phases[0].duration_s"},
        {"\"phases\": [", "\"phases\": [,", NULL},
    };
    char *text = reference_print(taught);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char *at = strstr(text, cases[i].find);
        assert_non_null(at);
        char *broken = NULL;
        assert_true(asprintf(&broken, "%.*s%s%s", (int)(at - text), text, cases[i].replace,
                             at + strlen(cases[i].find)) > 0);
        struct error error = {0};
        assert_null(reference_parse(broken, strlen(broken), "broken.json", &error));
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_string_equal(error.file, "broken.json");
        if (cases[i].named && !strstr(error.found, cases[i].named))
            fail_msg("\"%s\" does not name %s", error.found, cases[i].named);
        if (!cases[i].named)
            assert_true(error.line > 0);
        free(broken);
    }
    free(text);
}

/* Keys that came with a later minor may be absent. */
static void an_earlier_minor_is_read(void **state)
{
    (void)state;
    char *text = reference_print(taught);
    for (char *at = strstr(text, "\"repeat_u\""); at; at = strstr(at + 1, "\"repeat_u\""))
        at[1] = 'x';
    struct error error = {0};
    struct reference *reference = reference_parse(text, strlen(text), "earlier", &error);
    assert_non_null(reference);
    assert_true(reference->phases[0].repeat_u == 0);
    reference_destroy(reference);
    free(text);
}

/* Cut anywhere, a file is refused, never a crash. */
static void cut_files_are_refused(void **state)
{
    (void)state;
    char *text = reference_print(taught);
    size_t length = strlen(text);
    for (size_t cut = 0; cut + 3 < length; cut += 37) {
        struct error error = {0};
        assert_null(reference_parse(text, cut, "cut", &error));
        assert_int_equal(error.status, EXIT_BAD_DATA);
    }
    free(text);
}

static void a_stated_range_is_enough(void **state)
{
    (void)state;
    struct reference_request request = {.module_type = "stated",
                                        .nominal_voltage_V = NAN,
                                        .watch_s = NAN,
                                        .has_range = true,
                                        .range_low_A = 0.38,
                                        .range_high_A = 0.41};
    struct error error = {0};
    struct reference *reference = reference_build(&request, NULL, 0, &error);
    assert_non_null(reference);
    assert_int_equal(reference->phase_count, 0);
    assert_true(reference->watch_s == 30);
    assert_true(reference->final_low_A == 0.38 && reference->final_high_A == 0.41);
    assert_true(claims(reference, "stated range"));
    reference_destroy(reference);
    request.has_range = false;
    assert_null(reference_build(&request, NULL, 0, &error));
    assert_int_equal(error.status, EXIT_USAGE);
}

static void a_known_good_without_onset_is_named(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(3);
    struct trace traces[2] = {0};
    scene_trace(&scene, &traces[0]);
    scene.never_on = true;
    scene_trace(&scene, &traces[1]);
    struct known_good good = {.unit = "HL-0042", .traces = traces, .count = 2};
    struct reference_request request = {
        .module_type = "x", .nominal_voltage_V = NAN, .watch_s = NAN};
    struct error error = {0};
    assert_null(reference_build(&request, &good, 1, &error));
    assert_int_equal(error.status, EXIT_BAD_DATA);
    assert_non_null(strstr(error.found, "HL-0042"));
    assert_non_null(strstr(error.found, "power-up 2"));
    trace_clear(&traces[0]);
    trace_clear(&traces[1]);
}

/* One of four known-goods draws 12 % less in its last phase. */
static void a_known_good_that_is_not_is_doubted(void **state)
{
    (void)state;
    enum { UNITS = 5 };
    struct trace traces[UNITS] = {0};
    struct known_good goods[UNITS];
    static const char *const names[UNITS] = {"a", "b", "c", "d", "odd"};
    for (int u = 0; u < UNITS; u++) {
        struct judge_scene scene = scene_good(50 + (uint64_t)u);
        if (u == UNITS - 1)
            scene.steps[2].level_A *= 0.88;
        scene_trace(&scene, &traces[u]);
        goods[u] = (struct known_good){.unit = names[u], .traces = &traces[u], .count = 1};
    }
    struct reference_request request = {.module_type = "x", .nominal_voltage_V = NAN, .watch_s = 6};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, UNITS, &error);
    assert_non_null(reference);
    assert_true(claims(reference, "known-good odd"));
    assert_false(claims(reference, "known-good b"));
    reference_destroy(reference);
    for (int u = 0; u < UNITS; u++)
        trace_clear(&traces[u]);
}

static void default_watch_is_the_shortest_less_its_gap(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(60);
    struct trace traces[2] = {0};
    scene.end_s = 9;
    scene_trace(&scene, &traces[0]);
    scene.end_s = 7;
    scene_trace(&scene, &traces[1]);
    struct known_good good = {.unit = "a", .traces = traces, .count = 2};
    struct reference_request request = {
        .module_type = "x", .nominal_voltage_V = NAN, .watch_s = NAN};
    struct error error = {0};
    struct reference *reference = reference_build(&request, &good, 1, &error);
    assert_non_null(reference);
    assert_true(reference->watch_s < 7 && reference->watch_s > 6.9);
    reference_destroy(reference);
    trace_clear(&traces[0]);
    trace_clear(&traces[1]);
}

/* (4 x 1.5^2 + 3 x 3^2) / 7, and one that was not seen. */
static void variances_shrink_to_the_prior(void **state)
{
    (void)state;
    assert_true(fabs(shrink_variance(9, 3, 2.25, 4) - 36.0 / 7) < 1e-12);
    assert_true(shrink_variance(0, 0, 2.25, 4) == 2.25);
    assert_true(fabs(predictive_variance(4, 1, 4, 4) - (4 * 1.25 + 1.0625)) < 1e-12);
}

static void a_pool_lends_its_spread(void **state)
{
    (void)state;
    const struct reference *pool[] = {taught};
    struct judge_scene scene = scene_good(70);
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    struct known_good good = {.unit = "a", .traces = &trace, .count = 1};
    struct reference_request request = {
        .module_type = "x", .nominal_voltage_V = NAN, .watch_s = 6, .pool = pool, .pool_count = 1};
    struct error error = {0};
    struct reference *reference = reference_build(&request, &good, 1, &error);
    assert_non_null(reference);
    assert_false(reference->level_common.prior_assumed);
    assert_true(reference->level_common.prior_df == SPREAD_PRIOR_DF);
    assert_true(claims(reference, "borrowed"));
    /* The default's 4 degrees and the other type's, pooled. */
    const struct spread *other = &taught->level_common;
    double pooled2 = (SPREAD_PRIOR_DF * SPREAD_COMMON * SPREAD_COMMON +
                      other->between_df * other->between * other->between) /
                     (SPREAD_PRIOR_DF + other->between_df);
    assert_true(fabs(reference->level_common.prior_between - sqrt(pooled2)) < 1e-6);
    reference_destroy(reference);
    /* An earlier version of the same type saw the same units. */
    request.module_type = taught->module_type;
    reference = reference_build(&request, &good, 1, &error);
    assert_non_null(reference);
    assert_true(reference->level_common.prior_assumed);
    assert_true(reference->level_common.prior_between == SPREAD_COMMON);
    reference_destroy(reference);
    trace_clear(&trace);
}

/* Teaches `count` units of one power-up each; unit "a" has its last level
 * multiplied, or stops in its second phase where that is 0. */
static struct reference *teach_units(int count, double factor_of_a, double low_A, double high_A)
{
    enum { MOST = 4 };
    static const char *const names[MOST] = {"a", "b", "c", "d"};
    struct trace traces[MOST] = {0};
    struct known_good goods[MOST] = {0};
    for (int u = 0; u < count; u++) {
        struct judge_scene scene = scene_good(150 + (uint64_t)u);
        if (u == 0 && factor_of_a > 0)
            scene.steps[2].level_A *= factor_of_a;
        else if (u == 0)
            scene.steps[2].level_A = scene.steps[1].level_A;
        scene_trace(&scene, &traces[u]);
        goods[u] = (struct known_good){.unit = names[u], .traces = &traces[u], .count = 1};
    }
    struct reference_request request = {.module_type = "x",
                                        .nominal_voltage_V = NAN,
                                        .watch_s = 6,
                                        .has_range = high_A > 0,
                                        .range_low_A = low_A,
                                        .range_high_A = high_A};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, (size_t)count, &error);
    assert_non_null(reference);
    for (int u = 0; u < count; u++)
        trace_clear(&traces[u]);
    return reference;
}

/* It is left out, and the others' phases stay as they are. */
static void a_stalled_known_good_is_left_out(void **state)
{
    (void)state;
    struct reference *reference = teach_units(3, 0, 0, 0);
    assert_int_equal(reference->phase_count, 3);
    assert_true(claims(reference, "doubt: known-good a does not follow"));
    assert_false(claims(reference, "known-good b"));
    reference_destroy(reference);
}

static void of_two_it_cannot_be_said_which(void **state)
{
    (void)state;
    static const double factors[] = {0.85, 0};
    for (size_t i = 0; i < 2; i++) {
        struct reference *reference = teach_units(2, factors[i], 0, 0);
        assert_true(claims(reference, "doubt: of two known-goods"));
        assert_true(claims(reference, "two cannot say which"));
        reference_destroy(reference);
    }
    struct reference *alike = teach_units(2, 1, 0, 0);
    assert_false(claims(alike, "doubt"));
    reference_destroy(alike);
}

/* A range pulls by what it is worth, at most two units, and not at all where the
 * known-goods contradict it. */
static void a_range_beside_known_goods_is_a_prior(void **state)
{
    (void)state;
    struct reference *alone = teach_units(1, 1, 0, 0);
    struct reference *agreed = teach_units(1, 1, 0.39, 0.43);
    struct reference *narrow = teach_units(1, 1, 0.399, 0.401);
    struct reference *against = teach_units(1, 1, 0.58, 0.62);
    assert_true(agreed->range_weight > 0.3 && agreed->range_weight < RANGE_MOST_UNITS);
    assert_true(narrow->range_weight > 0.9 * RANGE_MOST_UNITS &&
                narrow->range_weight <= RANGE_MOST_UNITS);
    assert_true(agreed->final_expected_A > alone->final_expected_A &&
                agreed->final_expected_A < 0.41);
    assert_true(agreed->level_common.predictive < alone->level_common.predictive);
    assert_true(agreed->level_common.predictive_df == alone->level_common.predictive_df);
    assert_true(claims(agreed, "as the stated range"));
    assert_true(against->range_weight == 0);
    assert_true(against->final_expected_A == alone->final_expected_A);
    assert_true(against->level_common.predictive == alone->level_common.predictive);
    assert_true(claims(against, "doubt: the known-good units settle at"));
    reference_destroy(alone);
    reference_destroy(agreed);
    reference_destroy(narrow);
    reference_destroy(against);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(three_phases_are_found),
        cmocka_unit_test(printed_reads_back_the_same),
        cmocka_unit_test(envelope_encloses_the_levels),
        cmocka_unit_test(broken_files_are_refused_by_name),
        cmocka_unit_test(an_earlier_minor_is_read),
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(a_stated_range_is_enough),
        cmocka_unit_test(a_known_good_without_onset_is_named),
        cmocka_unit_test(a_known_good_that_is_not_is_doubted),
        cmocka_unit_test(default_watch_is_the_shortest_less_its_gap),
        cmocka_unit_test(variances_shrink_to_the_prior),
        cmocka_unit_test(a_pool_lends_its_spread),
        cmocka_unit_test(a_stalled_known_good_is_left_out),
        cmocka_unit_test(of_two_it_cannot_be_said_which),
        cmocka_unit_test(a_range_beside_known_goods_is_a_prior),
    };
    return cmocka_run_group_tests(tests, teach, forget);
}
