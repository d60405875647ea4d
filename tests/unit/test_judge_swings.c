/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A type whose final phase swings smoothly, taught by four units of four power-ups:
 * good units are good, a mean off by a tenth is bad, and a swing that is gone or of
 * another period does not pass. WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "reference/reference_model.h"
#include "support/judge_scene.h"
#include "support/power_up_scene.h"
#include "verdict/judge.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

enum { UNITS = 4, AGAIN = 4, GOOD = 200, FAULTY = 100 };

static const double watch_s = 14;

struct kind {
    double interval_s, resolution_A, wave_share, wave_s;
};

static const struct kind kinds[] = {{0.02, 0.001, 0.08, 1.3},
                                    {0.05, 0.001, 0.2, 2.2},
                                    {0.1, 0.001, 0.05, 0.9},
                                    {0.01, 0.0001, 0.3, 0.7}};

static uint64_t seed_of_run(void)
{
    const char *text = getenv("WAKEDRAW_TEST_SEED");
    return text ? strtoull(text, NULL, 10) : (uint64_t)time(NULL);
}

/* A unit of the type, as it is. */
static struct judge_scene unit_of(const struct kind *kind, uint64_t *random)
{
    struct judge_scene unit = scene_good(0);
    double own = 1 + 0.015 * scene_normal(random);
    unit.interval_s = kind->interval_s;
    unit.resolution_A = kind->resolution_A;
    unit.noise_A = 0.6 * kind->resolution_A + 0.001;
    unit.end_s = watch_s + 2;
    for (int k = 0; k < unit.count; k++)
        unit.steps[k].level_A *= own * (1 + 0.005 * scene_normal(random));
    unit.wave_A =
        kind->wave_share * unit.steps[unit.count - 1].level_A * (1 + 0.05 * scene_normal(random));
    unit.wave_s = kind->wave_s * (1 + 0.02 * scene_normal(random));
    return unit;
}

static void read_unit(const struct judge_scene *unit, uint64_t *random, struct trace *trace)
{
    struct judge_scene again = *unit;
    again.seed = (uint64_t)(1e9 * scene_uniform(random));
    for (int k = 0; k < again.count; k++)
        again.steps[k].length_s *= 1 + 0.01 * scene_normal(random);
    scene_trace(&again, trace);
}

static struct reference *teach(const struct kind *kind, uint64_t *random)
{
    static const char *const names[UNITS] = {"a", "b", "c", "d"};
    static struct trace traces[UNITS][AGAIN];
    struct known_good goods[UNITS] = {0};
    for (int u = 0; u < UNITS; u++) {
        struct judge_scene unit = unit_of(kind, random);
        for (int j = 0; j < AGAIN; j++) {
            traces[u][j] = (struct trace){0};
            read_unit(&unit, random, &traces[u][j]);
        }
        goods[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = AGAIN};
    }
    struct accuracy accuracy = {.profile = "scene",
                                .current_resolution_A = kind->resolution_A,
                                .voltage_resolution_V = 0.01};
    struct reference_request request = {.module_type = "swings",
                                        .nominal_voltage_V = NAN,
                                        .watch_s = watch_s,
                                        .accuracy = &accuracy};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, UNITS, &error);
    if (!reference)
        error_print(&error);
    assert_non_null(reference);
    for (int u = 0; u < UNITS; u++)
        for (int j = 0; j < AGAIN; j++)
            trace_clear(&traces[u][j]);
    return reference;
}

struct outcome {
    size_t count[3]; /* by verdict */
    char text[512];  /* of the last reason */
};

static void judge_unit(const struct reference *reference, const struct judge_scene *unit,
                       uint64_t *random, struct outcome *outcome)
{
    struct trace trace = {0};
    read_unit(unit, random, &trace);
    struct verdict verdict;
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL), 0);
    outcome->count[verdict.kind]++;
    if (verdict.reason_count > 0)
        snprintf(outcome->text, sizeof outcome->text, "%s", verdict.reasons[0].text);
    trace_clear(&trace);
}

static void print_outcome(const char *what, const struct kind *kind, const struct outcome *o)
{
    print_message("  %s, %g s at %g readings/s: %zu good, %zu bad, %zu unsure; %s\n", what,
                  kind->wave_s, 1 / kind->interval_s, o->count[VERDICT_GOOD], o->count[VERDICT_BAD],
                  o->count[VERDICT_UNSURE], o->text);
}

/* A unit of the type with its last level off by a factor. */
static void judge_off(const struct reference *reference, const struct judge_scene *unit,
                      double factor, uint64_t *random, struct outcome *outcome)
{
    struct judge_scene other = *unit;
    other.steps[other.count - 1].level_A *= factor;
    other.wave_A *= factor;
    judge_unit(reference, &other, random, outcome);
}

/* Or with its swing at another pace, or none. */
static void judge_otherwise(const struct reference *reference, const struct judge_scene *unit,
                            double height, double pace, uint64_t *random, struct outcome *outcome)
{
    struct judge_scene other = *unit;
    other.wave_A *= height;
    other.wave_s *= pace;
    judge_unit(reference, &other, random, outcome);
}

static void swings_are_judged_by_their_mean(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    uint64_t random = seed;
    print_message("seed %llu\n", (unsigned long long)seed);
    size_t false_bad = 0;
    size_t missed = 0;
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        const struct kind *kind = &kinds[k];
        struct reference *reference = teach(kind, &random);
        const struct reference_phase *last = &reference->phases[reference->phase_count - 1];
        assert_int_equal(reference->phase_count, 3);
        assert_int_equal(last->kind, PHASE_PERIODIC);
        /* Units' own periods differ by 2 %. */
        assert_true(fabs(last->period_s / kind->wave_s - 1) < 0.05);
        struct outcome good = {0};
        struct outcome low = {0};
        struct outcome high = {0};
        struct outcome gone = {0};
        struct outcome faster = {0};
        struct outcome slower = {0};
        for (int i = 0; i < GOOD; i++) {
            struct judge_scene unit = unit_of(kind, &random);
            judge_unit(reference, &unit, &random, &good);
        }
        for (int i = 0; i < FAULTY; i++) {
            struct judge_scene unit = unit_of(kind, &random);
            judge_off(reference, &unit, 0.9, &random, &low);
            judge_off(reference, &unit, 1 / 0.9, &random, &high);
            judge_otherwise(reference, &unit, 0, 1, &random, &gone);
            judge_otherwise(reference, &unit, 1, 0.5, &random, &faster);
            judge_otherwise(reference, &unit, 1, 2, &random, &slower);
        }
        print_outcome("good", kind, &good);
        print_outcome("10 % low", kind, &low);
        print_outcome("10 % high", kind, &high);
        print_outcome("swing gone", kind, &gone);
        print_outcome("twice as fast", kind, &faster);
        print_outcome("half as fast", kind, &slower);
        false_bad += good.count[VERDICT_BAD];
        missed += low.count[VERDICT_GOOD] + high.count[VERDICT_GOOD];
        assert_true(good.count[VERDICT_UNSURE] <= GOOD / 50);
        /* Known-goods of one reference err together: one in a hundred may pass. */
        assert_true(gone.count[VERDICT_GOOD] <= FAULTY / 100);
        assert_true(faster.count[VERDICT_GOOD] <= FAULTY / 100);
        assert_true(slower.count[VERDICT_GOOD] <= FAULTY / 100);
        reference_destroy(reference);
    }
    assert_in_range(false_bad, 0, 1);
    assert_int_equal(missed, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(swings_are_judged_by_their_mean),
    };
    return cmocka_run_group_tests_name("swings", tests, NULL, NULL);
}
