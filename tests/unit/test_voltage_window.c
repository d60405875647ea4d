/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The window of voltages a reference compares in: its edges, what lies outside,
 * a voltage that drops on the way, none read back at all; and that the voltage
 * it asks for settles the verdict.
 */
#include "reference/reference_model.h"
#include "support/judge_scene.h"
#include "verdict/judge.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const double onset_s = 0.6; /* of a scene's record */
static const double taught_V = 13.8;

static struct reference *taught; /* by four units, at 13.8 V */

static uint64_t state;

static double even(double low, double high)
{
    state = state * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * ((double)(state >> 11) + 0.5) / 9007199254740992.0;
}

static int teach(void **unused)
{
    (void)unused;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    state = given ? strtoull(given, NULL, 10) : 20261125;
    printf("seed %llu\n", (unsigned long long)state);
    taught = scene_reference(4, false);
    return taught && !isnan(taught->voltage_low_V) ? 0 : -1;
}

static int forget(void **unused)
{
    (void)unused;
    reference_destroy(taught);
    return 0;
}

/* A voltage from onset on, another between two instants, and how the draw goes
 * with it: -1 behind a switching converter, 0 behind a linear regulator, +1
 * resistive. */
struct volts {
    double usual_V, other_V, from_s, to_s, law;
    double rise_s; /* to the usual one, straight */
};

static double volts_at(const struct volts *volts, double since_s)
{
    if (since_s >= volts->from_s && since_s < volts->to_s)
        return volts->other_V;
    if (since_s < volts->rise_s)
        return volts->usual_V * since_s / volts->rise_s;
    return volts->usual_V;
}

static struct verdict judge_at(const struct reference *reference, const struct judge_scene *scene,
                               const struct volts *volts)
{
    struct trace trace = {0};
    scene_trace(scene, &trace);
    for (size_t i = 0; i < trace.count; i++) {
        struct reading *reading = &trace.readings[i];
        double since_s = reading->time_s - onset_s;
        if (since_s < 0)
            continue;
        reading->voltage_V = volts_at(volts, since_s);
        if (reading->voltage_V > 5)
            reading->current_A *= pow(reading->voltage_V / taught_V, volts->law);
        reading->current_A = nearbyint(reading->current_A / 0.001) * 0.001;
        reading_quantise(reading);
    }
    struct verdict verdict;
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL), 0);
    trace_clear(&trace);
    return verdict;
}

static const struct reason *refused(const struct verdict *verdict)
{
    if (verdict->kind != VERDICT_UNSURE || !verdict->final ||
        verdict->reasons[0].code != REASON_OUTSIDE_VOLTAGE)
        fail_msg("%s, \"%s\" where the voltage should be refused", verdict_kind_name(verdict->kind),
                 verdict->reason_count ? verdict->reasons[0].text : "");
    return &verdict->reasons[0];
}

static void expect_kind(const struct verdict *verdict, enum verdict_kind kind)
{
    if (verdict->kind != kind)
        fail_msg("%s, \"%s\" where %s was expected", verdict_kind_name(verdict->kind),
                 verdict->reason_count ? verdict->reasons[0].text : "", verdict_kind_name(kind));
}

/* A reading on the edge is inside, and so is one a step of the readback beyond. */
static void edges(void **unused)
{
    (void)unused;
    struct judge_scene scene = scene_good(51);
    double step_V = taught->accuracy.voltage_resolution_V;
    const double inside[] = {taught->voltage_low_V, taught->voltage_high_V,
                             taught->voltage_low_V - 0.99 * step_V,
                             taught->voltage_high_V + 0.99 * step_V};
    const double outside[] = {taught->voltage_low_V - step_V - 0.002,
                              taught->voltage_high_V + step_V + 0.002};
    for (size_t i = 0; i < sizeof inside / sizeof *inside; i++) {
        struct verdict verdict = judge_at(taught, &scene, &(struct volts){.usual_V = inside[i]});
        expect_kind(&verdict, VERDICT_GOOD);
    }
    for (size_t i = 0; i < sizeof outside / sizeof *outside; i++) {
        struct verdict verdict = judge_at(taught, &scene, &(struct volts){.usual_V = outside[i]});
        const struct reason *reason = refused(&verdict);
        assert_true(fabs(reason->measured - outside[i]) < 1e-6);
        assert_true(reason->low == taught->voltage_low_V);
        assert_true(reason->high == taught->voltage_high_V);
        assert_true(fabs(reason->beyond - step_V - 0.002) < 1e-6);
    }
}

/* What it says to set is set, and settles it: at both ends, good units and bad. */
static void the_voltage_asked_for_settles(void **unused)
{
    (void)unused;
    for (int round = 0; round < 40; round++) {
        struct judge_scene scene = scene_good(500 + (uint64_t)round);
        bool bad = round % 2 == 1;
        if (bad)
            scene.steps[2].level_A = 0.25;
        struct volts volts = {.usual_V = even(0, 1) < 0.5 ? even(0.6, 0.95) * taught->voltage_low_V
                                                          : even(1.05, 2) * taught->voltage_high_V};
        struct verdict verdict = judge_at(taught, &scene, &volts);
        refused(&verdict);
        assert_int_equal(verdict.settle_count, 1);
        struct settle settle = verdict.settles[0];
        assert_int_equal(settle.code, SETTLE_VOLTAGE);
        assert_non_null(strstr(verdict.reasons[0].text, settle.text));
        const double asked[] = {settle.low, 0.5 * (settle.low + settle.high), settle.high};
        for (size_t i = 0; i < sizeof asked / sizeof *asked; i++) {
            volts.usual_V = asked[i];
            verdict = judge_at(taught, &scene, &volts);
            expect_kind(&verdict, bad ? VERDICT_BAD : VERDICT_GOOD);
        }
    }
}

/* Whatever the load, the rate and the rise: outside the window a good unit is
 * never called bad, nor good; inside never bad. */
static void outside_nothing_is_compared(void **unused)
{
    (void)unused;
    static const double intervals_s[] = {0.005, 0.02, 0.05, 0.125};
    long outside = 0;
    long inside_good = 0;
    long inside = 0;
    for (int round = 0; round < 400; round++) {
        struct judge_scene scene = scene_good(1000 + (uint64_t)round);
        scene.interval_s = intervals_s[round % 4];
        struct volts volts = {.usual_V = exp(even(log(6), log(32))),
                              .law = floor(even(-1, 2)),
                              .rise_s = even(0, 1) < 0.5 ? 0 : even(0.001, 0.15)};
        bool is_inside =
            volts.usual_V >= taught->voltage_low_V && volts.usual_V <= taught->voltage_high_V;
        if (round % 3 == 0) {
            is_inside = true;
            volts.usual_V = even(taught->voltage_low_V, taught->voltage_high_V);
        }
        if (fabs(volts.usual_V - taught->voltage_low_V) < 0.02 ||
            fabs(volts.usual_V - taught->voltage_high_V) < 0.02)
            continue;
        struct verdict verdict = judge_at(taught, &scene, &volts);
        if (verdict.kind == VERDICT_BAD)
            fail_msg("bad at %.3g V, law %g, every %g s: %s", volts.usual_V, volts.law,
                     scene.interval_s, verdict.reasons[0].text);
        if (!is_inside) {
            outside++;
            refused(&verdict);
        } else {
            inside++;
            inside_good += verdict.kind == VERDICT_GOOD;
        }
    }
    printf("outside %ld, inside %ld, of these good %ld\n", outside, inside, inside_good);
    assert_true(outside > 200 && inside > 100);
    assert_true(inside_good >= 0.9 * (double)inside);
}

/* The voltage drops on the way: for long, and it is refused from there; for a
 * moment, and the rest is compared. */
static void a_drop_on_the_way(void **unused)
{
    (void)unused;
    for (int law = -1; law <= 1; law++) {
        struct judge_scene scene = scene_good(71);
        struct volts volts = {
            .usual_V = taught_V, .other_V = 11, .from_s = 2, .to_s = 3.5, .law = law};
        struct verdict verdict = judge_at(taught, &scene, &volts);
        const struct reason *reason = refused(&verdict);
        assert_true(fabs(reason->measured - 11) < 1e-6);
        assert_true(verdict.decided_at_s > 2 && verdict.decided_at_s < 2.2);
        /* Bad before it is bad. */
        scene.steps[0].level_A = 0.2;
        verdict = judge_at(taught, &scene, &volts);
        expect_kind(&verdict, VERDICT_BAD);
        assert_true(verdict.decided_at_s < 2);
    }
    struct judge_scene scene = scene_good(72);
    struct volts moment = {.usual_V = taught_V, .other_V = 13, .from_s = 2, .to_s = 2.05};
    struct verdict verdict = judge_at(taught, &scene, &moment);
    expect_kind(&verdict, VERDICT_GOOD);
}

/* A power-up whose voltage is never read back is not judged, and it says so; a
 * stretch without one is left out. */
static void no_voltage_read_back(void **unused)
{
    (void)unused;
    for (int bad = 0; bad < 2; bad++) {
        struct judge_scene scene = scene_good(81);
        if (bad)
            scene.steps[2].level_A = 0.25;
        struct trace trace = {0};
        scene_trace(&scene, &trace);
        struct verdict verdict;
        for (size_t i = 0; i < trace.count; i++) {
            struct reading *reading = &trace.readings[i];
            if (reading->time_s > 1.8 && reading->time_s < 2.4) {
                reading->voltage_V = NAN;
                reading->valid = false;
            }
        }
        assert_int_equal(judge_trace(taught, NULL, trace.readings, trace.count, &verdict, NULL), 0);
        expect_kind(&verdict, bad ? VERDICT_BAD : VERDICT_GOOD);
        for (int valid = 0; valid < 2; valid++) {
            for (size_t i = 0; i < trace.count; i++) {
                trace.readings[i].voltage_V = NAN;
                trace.readings[i].valid = valid == 1;
            }
            assert_int_equal(judge_trace(taught, NULL, trace.readings, trace.count, &verdict, NULL),
                             0);
            expect_kind(&verdict, VERDICT_UNSURE);
            assert_int_equal(verdict.reasons[0].code, REASON_NO_ONSET);
            assert_non_null(strstr(verdict.reasons[0].text, "no voltage was read back"));
        }
        trace_clear(&trace);
    }
}

/* A stated range with the voltage it was stated at. */
static void a_stated_range(void **unused)
{
    (void)unused;
    struct reference_request request = {.module_type = "steps",
                                        .nominal_voltage_V = taught_V,
                                        .watch_s = 6,
                                        .has_range = true,
                                        .range_low_A = 0.36,
                                        .range_high_A = 0.44};
    struct error error = {0};
    struct reference *stated = reference_build(&request, NULL, 0, &error);
    assert_non_null(stated);
    assert_true(stated->voltage_low_V < taught_V && stated->voltage_high_V > taught_V);
    struct judge_scene scene = scene_good(91);
    for (int law = -1; law <= 1; law++) {
        const double inside[] = {stated->voltage_low_V, taught_V, stated->voltage_high_V};
        for (size_t i = 0; i < 3; i++) {
            struct volts volts = {.usual_V = inside[i], .law = law};
            struct verdict verdict = judge_at(stated, &scene, &volts);
            expect_kind(&verdict, VERDICT_GOOD);
        }
        const double outside[] = {0.7 * taught_V, stated->voltage_low_V - 0.05,
                                  stated->voltage_high_V + 0.05, 2 * taught_V};
        for (size_t i = 0; i < 4; i++) {
            struct volts volts = {.usual_V = outside[i], .law = law};
            struct verdict verdict = judge_at(stated, &scene, &volts);
            assert_true(fabs(refused(&verdict)->measured - outside[i]) < 1e-6);
            assert_int_equal(verdict.settles[0].code, SETTLE_VOLTAGE);
            volts.usual_V = 0.5 * (verdict.settles[0].low + verdict.settles[0].high);
            verdict = judge_at(stated, &scene, &volts);
            expect_kind(&verdict, VERDICT_GOOD);
        }
    }
    /* A drop that is over before the draw it judges says nothing; one that stays
     * does. */
    struct volts over = {.usual_V = taught_V, .other_V = 11, .from_s = 1.2, .to_s = 2};
    struct verdict verdict = judge_at(stated, &scene, &over);
    expect_kind(&verdict, VERDICT_GOOD);
    struct volts stays = {.usual_V = taught_V, .other_V = 11, .from_s = 2.5, .to_s = 100};
    verdict = judge_at(stated, &scene, &stays);
    refused(&verdict);
    reference_destroy(stated);
    /* Where none is stated there is no window. */
    request.nominal_voltage_V = NAN;
    stated = reference_build(&request, NULL, 0, &error);
    assert_non_null(stated);
    assert_true(isnan(stated->voltage_low_V));
    verdict = judge_at(stated, &scene, &(struct volts){.usual_V = 2 * taught_V});
    expect_kind(&verdict, VERDICT_GOOD);
    reference_destroy(stated);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(edges),
        cmocka_unit_test(the_voltage_asked_for_settles),
        cmocka_unit_test(outside_nothing_is_compared),
        cmocka_unit_test(a_drop_on_the_way),
        cmocka_unit_test(no_voltage_read_back),
        cmocka_unit_test(a_stated_range),
    };
    return cmocka_run_group_tests(tests, teach, forget);
}
