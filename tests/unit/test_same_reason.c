/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The same reason for the same cause, whatever the rate and the resolution: every
 * cause is made at 8 to 100 readings/s and 0.1 to 10 mA, and the first reason's
 * code is compared with the one the cause should get.
 */
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

enum { PHASES = 4, LAST = PHASES - 1, AGAIN = 4 };

static const double rates_hz[] = {8, 13, 28, 60, 100};
static const double resolutions_A[] = {0.0001, 0.001, 0.01};
enum { RATES = 5, RESOLUTIONS = 3 };

enum kind {
    STALL,
    LEVEL,
    DOUBLED,
    MISSING,
    EXTRA,
    LOOP,
    SHORT,
    OPEN,
    DROP,
    SWING,
    ASLEEP,
    REVERSED
};

struct cause {
    const char *name;
    enum kind kind;
    int phase;
    double size;
    enum reason_code code; /* expected */
    int told_phase;        /* expected; -1: not looked at */
    long same, bad, unsure, good;
};

static struct cause causes[] = {
    {"stall in phase 1", STALL, 0, 0, REASON_STALLED, 0, 0, 0, 0, 0},
    {"stall in phase 2", STALL, 1, 0, REASON_STALLED, 1, 0, 0, 0, 0},
    {"stall in phase 3", STALL, 2, 0, REASON_STALLED, 2, 0, 0, 0, 0},
    {"final draw 10 % low", LEVEL, LAST, 0.90, REASON_LOW_FINAL, LAST, 0, 0, 0, 0},
    {"final draw 20 % low", LEVEL, LAST, 0.80, REASON_LOW_FINAL, LAST, 0, 0, 0, 0},
    {"final draw 10 % high", LEVEL, LAST, 1.10, REASON_HIGH_FINAL, LAST, 0, 0, 0, 0},
    {"final draw 20 % high", LEVEL, LAST, 1.20, REASON_HIGH_FINAL, LAST, 0, 0, 0, 0},
    {"phase 2 10 % low", LEVEL, 1, 0.90, REASON_LOW_FINAL, 1, 0, 0, 0, 0},
    {"phase 2 20 % low", LEVEL, 1, 0.80, REASON_LOW_FINAL, 1, 0, 0, 0, 0},
    {"phase 3 20 % low", LEVEL, 2, 0.80, REASON_LOW_FINAL, 2, 0, 0, 0, 0},
    {"phase 2 20 % high", LEVEL, 1, 1.20, REASON_HIGH_FINAL, 1, 0, 0, 0, 0},
    {"phase 1 doubled", DOUBLED, 0, 2, REASON_STALLED, 0, 0, 0, 0, 0},
    {"phase 2 doubled", DOUBLED, 1, 2, REASON_STALLED, 1, 0, 0, 0, 0},
    {"phase 3 doubled", DOUBLED, 2, 2, REASON_STALLED, 2, 0, 0, 0, 0},
    {"phase 2 missing", MISSING, 1, 0, REASON_MISSING_PHASE, 1, 0, 0, 0, 0},
    {"phase 3 missing", MISSING, 2, 0, REASON_MISSING_PHASE, 2, 0, 0, 0, 0},
    {"extra step in phase 1", EXTRA, 0, 0.60, REASON_EXTRA_PHASE, 0, 0, 0, 0, 0},
    {"extra step in phase 2", EXTRA, 1, 0.60, REASON_EXTRA_PHASE, 1, 0, 0, 0, 0},
    {"restarts from phase 2", LOOP, 1, 0, REASON_RESTARTS, -1, 0, 0, 0, 0},
    {"restarts from phase 3", LOOP, 2, 0, REASON_RESTARTS, -1, 0, 0, 0, 0},
    {"restarts from the last", LOOP, LAST, 0, REASON_RESTARTS, -1, 0, 0, 0, 0},
    {"short", SHORT, 0, 0.2, REASON_AT_LIMIT, -1, 0, 0, 0, 0},
    {"reversed", REVERSED, 0, 0.8, REASON_REVERSED, -1, 0, 0, 0, 0},
    {"open", OPEN, 0, 0, REASON_NO_DRAW, -1, 0, 0, 0, 0},
    {"drop-out at the end", DROP, LAST, 0, REASON_INTERMITTENT, LAST, 0, 0, 0, 0},
    {"drop-out in phase 2", DROP, 1, 0, REASON_INTERMITTENT, 1, 0, 0, 0, 0},
    {"unsteady at the end", SWING, LAST, 0.25, REASON_UNSTEADY, LAST, 0, 0, 0, 0},
    {"asleep", ASLEEP, 0, 0.035, REASON_NO_WAKE, -1, 0, 0, 0, 0},
};
enum { CAUSES = sizeof causes / sizeof *causes };

static struct judge_scene module_at(double rate_hz, double resolution_A)
{
    return (struct judge_scene){
        .steps = {{0.12, 1.0, 0}, {0.30, 1.5, 0}, {0.21, 1.2, 0}, {0.45, 100, 0}},
        .count = PHASES,
        .volts = 13.8,
        .end_s = 8.5,
        .interval_s = 1 / rate_hz,
        .resolution_A = resolution_A,
        .noise_A = 0.0008,
        .told = true};
}

static void insert(struct judge_scene *scene, int at, struct scene_step step)
{
    for (int k = scene->count; k > at; k--)
        scene->steps[k] = scene->steps[k - 1];
    scene->steps[at] = step;
    scene->count++;
}

static void loop_from(struct judge_scene *scene, int phase)
{
    struct scene_step steps[PHASES];
    memcpy(steps, scene->steps, sizeof steps);
    if (phase == LAST)
        steps[LAST].length_s = 1.5;
    scene->count = 0;
    while (scene->count + phase + 1 <= SCENE_MOST_STEPS)
        for (int k = 0; k <= phase; k++)
            scene->steps[scene->count++] = steps[k];
}

static void spoil(struct judge_scene *scene, const struct cause *cause)
{
    struct scene_step *step = &scene->steps[cause->phase];
    switch (cause->kind) {
    case STALL:
        step->length_s = 100;
        break;
    case LEVEL:
        step->level_A *= cause->size;
        break;
    case DOUBLED:
        step->length_s *= cause->size;
        break;
    case MISSING:
        memmove(step, step + 1, (size_t)(LAST - cause->phase) * sizeof *step);
        scene->count--;
        break;
    case EXTRA:
        insert(scene, cause->phase + 1, (struct scene_step){cause->size, 0.8, 0});
        break;
    case LOOP:
        loop_from(scene, cause->phase);
        break;
    case OPEN:
    case ASLEEP:
        *step = (struct scene_step){cause->size, 100, 0};
        break;
    case DROP:
        insert(scene, cause->phase + 1, *step);
        insert(scene, cause->phase + 1, (struct scene_step){0, 0.6, 0});
        scene->steps[cause->phase].length_s = 0.8;
        break;
    case SWING:
        step->swing_A = cause->size * step->level_A;
        break;
    default:
        break;
    }
}

/* A unit of its own: all levels together, each, and the times. */
static void vary(struct judge_scene *scene, uint64_t seed)
{
    uint64_t state = seed * 6364136223846793005u + 1442695040888963407u;
    double common = 0;
    for (int k = -1; k < scene->count; k++) {
        double draws[2];
        for (int i = 0; i < 2; i++) {
            state = state * 6364136223846793005u + 1442695040888963407u;
            draws[i] = (double)(state >> 11) / 9007199254740992.0 * 2 - 1;
        }
        if (k < 0) {
            common = 0.015 * draws[0];
            continue;
        }
        scene->steps[k].level_A *= 1 + common + 0.006 * draws[0];
        scene->steps[k].length_s *= 1 + 0.03 * draws[1];
    }
}

static void short_it(const struct cause *cause, struct trace *trace)
{
    if (cause->kind != SHORT && cause->kind != REVERSED)
        return;
    for (size_t i = 0; i < trace->count; i++) {
        if (trace->readings[i].voltage_V < 5)
            continue;
        trace->readings[i].voltage_V = cause->size;
        trace->readings[i].current_A = 3;
    }
}

static void judge_cause(const struct reference *reference, const struct judge_scene *module,
                        struct cause *cause, uint64_t seed)
{
    struct judge_scene scene = *module;
    struct trace trace = {0};
    struct verdict verdict;
    vary(&scene, seed);
    spoil(&scene, cause);
    scene.seed = seed;
    scene_trace(&scene, &trace);
    short_it(cause, &trace);
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL), 0);
    trace_clear(&trace);
    cause->good += verdict.kind == VERDICT_GOOD;
    cause->unsure += verdict.kind == VERDICT_UNSURE;
    if (verdict.kind != VERDICT_BAD)
        return;
    const struct reason *reason = &verdict.reasons[0];
    bool same = reason->code == cause->code &&
                (cause->told_phase < 0 || reason->phase == cause->told_phase);
    cause->bad++;
    cause->same += same;
    if (!same)
        printf("  %s at %.0f readings/s, %g mA, seed %llu: %s, \"%s\"\n", cause->name,
               1 / module->interval_s, 1000 * module->resolution_A, (unsigned long long)seed,
               reason_code_name(reason->code), reason->text);
    assert_int_equal(verdict.reason_count, 1);
}

static void every_cause_at_every_rate_and_resolution(void **state)
{
    (void)state;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : 20260131;
    printf("seed %llu\n", (unsigned long long)seed);
    for (int r = 0; r < RATES; r++) {
        for (int q = 0; q < RESOLUTIONS; q++) {
            struct judge_scene module = module_at(rates_hz[r], resolutions_A[q]);
            struct reference *reference = scene_reference_like(&module, 4, 8);
            assert_non_null(reference);
            for (int c = 0; c < CAUSES; c++)
                for (uint64_t i = 0; i < AGAIN; i++)
                    judge_cause(reference, &module, &causes[c], seed + 97 * (uint64_t)c + i);
            reference_destroy(reference);
        }
    }
    long same = 0;
    long bad = 0;
    for (int c = 0; c < CAUSES; c++) {
        const struct cause *cause = &causes[c];
        printf("%-24s %-14s %3ld of %3ld bad, %ld unsure, %ld good\n", cause->name,
               reason_code_name(cause->code), cause->same, cause->bad, cause->unsure, cause->good);
        same += cause->same;
        bad += cause->bad;
    }
    printf("the same reason in %.2f %% of %ld\n", 100 * (double)same / (double)bad, bad);
    for (int c = 0; c < CAUSES; c++) {
        assert_int_equal(causes[c].good, 0);
        assert_true(causes[c].bad >= RATES * RESOLUTIONS * AGAIN / 2);
        assert_true((double)causes[c].same >= 0.85 * (double)causes[c].bad);
    }
    assert_true((double)same >= 0.97 * (double)bad);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_cause_at_every_rate_and_resolution),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
