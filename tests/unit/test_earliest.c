/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The instants told in advance against what the judge does with units made up at
 * random: never earlier, and usually within a few readings.
 */
#include "reference/reference_model.h"
#include "support/judge_scene.h"
#include "verdict/earliest.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

enum { AGAIN = 12, FEW = 4 };

static const double intervals_s[] = {0.01, 0.02, 0.05, 0.1};
enum { INTERVALS = sizeof intervals_s / sizeof *intervals_s };

static double even(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (double)(*state >> 11) / 9007199254740992.0 * 2 - 1;
}

static void spoil(struct judge_scene *scene, const struct earliest *fault)
{
    struct scene_step *step = &scene->steps[fault->phase < 0 ? 0 : fault->phase];
    switch (fault->fault) {
    case EARLIEST_NO_DRAW:
        *step = (struct scene_step){0, 100, 0};
        break;
    case EARLIEST_LOW:
        step->level_A *= 0.9;
        break;
    case EARLIEST_HIGH:
        step->level_A *= 1.1;
        break;
    case EARLIEST_STALLED:
        step->length_s = 100;
        break;
    case EARLIEST_MISSING:
        for (int k = fault->phase; k + 1 < scene->count; k++)
            scene->steps[k] = scene->steps[k + 1];
        scene->count--;
        break;
    case EARLIEST_RESTART:
    case EARLIEST_DROP_OUT:
        if (fault->phase + 1 == scene->count)
            step->length_s = 1.5;
        scene->count = fault->phase + 2;
        scene->steps[fault->phase + 1] = scene->steps[0];
        scene->steps[fault->phase + 1].length_s = 100;
        if (fault->fault == EARLIEST_DROP_OUT)
            scene->steps[fault->phase + 1].level_A = 0;
        break;
    default:
        break;
    }
}

static struct verdict judge_fault(const struct reference *reference, struct judge_scene scene,
                                  const struct earliest *fault, bool varied, uint64_t seed)
{
    uint64_t state = seed;
    (void)even(&state);
    double common = varied ? 0.015 * even(&state) : 0;
    for (int k = 0; k < scene.count; k++) {
        scene.steps[k].level_A *= 1 + common + (varied ? 0.005 * even(&state) : 0);
        scene.steps[k].length_s *= varied ? 1 + 0.03 * even(&state) : 1;
    }
    spoil(&scene, fault);
    scene.seed = seed;
    struct trace trace = {0};
    struct verdict verdict;
    scene_trace(&scene, &trace);
    for (size_t i = 0; fault->fault == EARLIEST_SHORT && i < trace.count; i++) {
        if (trace.readings[i].voltage_V < 5)
            continue;
        trace.readings[i].voltage_V = 0.2;
        trace.readings[i].current_A = 5;
    }
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, &verdict, NULL), 0);
    trace_clear(&trace);
    return verdict;
}

static long early, all, near, usual;

static void compare(const struct reference *reference, const struct judge_scene *scene,
                    const struct earliest *one, uint64_t seed)
{
    enum verdict_kind wanted = one->fault == EARLIEST_NONE ? VERDICT_GOOD : VERDICT_BAD;
    for (uint64_t i = 0; i < AGAIN; i++) {
        struct verdict verdict = judge_fault(reference, *scene, one, true, seed + i);
        if (verdict.kind != wanted)
            continue;
        all++;
        if (verdict.decided_at_s >= one->earliest_s)
            continue;
        early++;
        printf("  every %g ms, %s in phase %d: at %.3f s, told %.3f s\n", 1000 * scene->interval_s,
               earliest_fault_name(one->fault), one->phase + 1, verdict.decided_at_s,
               one->earliest_s);
    }
    struct verdict mean = judge_fault(reference, *scene, one, false, seed);
    if (mean.kind != wanted || isnan(one->usual_s))
        return;
    usual++;
    near += fabs(mean.decided_at_s - one->usual_s) <= FEW * scene->interval_s + 0.02;
}

static void never_earlier_and_usually_near(void **state)
{
    (void)state;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : 20260205;
    printf("seed %llu\n", (unsigned long long)seed);
    struct earliest *found = calloc(EARLIEST_MOST, sizeof *found);
    assert_non_null(found);
    for (int k = 0; k < INTERVALS; k++) {
        struct judge_scene scene = scene_good(1);
        scene.interval_s = intervals_s[k];
        scene.told = true;
        struct reference *reference = scene_reference_like(&scene, 4, 6);
        assert_non_null(reference);
        size_t count = earliest_find(reference, found);
        assert_true(count > 10 && count <= EARLIEST_MOST);
        assert_int_equal(found[count - 1].fault, EARLIEST_NONE);
        assert_true(fabs(found[count - 1].usual_s - 6) <= 2 * scene.interval_s);
        for (size_t i = 0; i < count; i++) {
            assert_true(isnan(found[i].usual_s) || found[i].usual_s >= found[i].earliest_s);
            compare(reference, &scene, &found[i], seed + 100 * i);
        }
        reference_destroy(reference);
    }
    free(found);
    printf("%ld verdicts, %ld earlier than told; %ld of %ld within %d readings of the usual\n", all,
           early, near, usual, FEW);
    assert_true(all > 500 && usual > 40);
    assert_int_equal(early, 0);
    assert_true((double)near >= 0.75 * (double)usual);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(never_earlier_and_usually_near)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
