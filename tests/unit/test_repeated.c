/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One unit judged on several power-ups.
 */
#include "reference/reference_model.h"
#include "reference/spread.h"
#include "support/judge_scene.h"
#include "verdict/repeated_means.h"
#include "verdict/settle.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

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

static struct repeated_power_up power_up_of(const struct judge_scene *scene)
{
    struct trace trace = {0};
    struct repeated_power_up power_up;
    struct verdict verdict;
    struct verdict alone;
    struct phases phases = {0};
    scene_trace(scene, &trace);
    assert_int_equal(repeated_judge_trace(taught, NULL, trace.readings, trace.count, &verdict,
                                          &phases, &power_up),
                     0);
    /* The verdict of the power-up is the one it has without the unit. */
    assert_int_equal(judge_trace(taught, NULL, trace.readings, trace.count, &alone, NULL), 0);
    assert_int_equal(verdict.kind, alone.kind);
    assert_true(isnan(alone.decided_at_s) ? isnan(verdict.decided_at_s)
                                          : verdict.decided_at_s == alone.decided_at_s);
    phases_clear(&phases);
    trace_clear(&trace);
    return power_up;
}

static struct unit_verdict judge_all(const struct repeated_power_up *power_ups, size_t count)
{
    struct unit_verdict unit;
    assert_int_equal(repeated_judge(taught, NULL, power_ups, count, &unit), 0);
    assert_int_equal(unit.power_ups, count);
    assert_int_equal(unit.good + unit.bad + unit.unsure, count);
    return unit;
}

static void expect(const struct unit_verdict *unit, enum verdict_kind kind)
{
    if (unit->kind != kind)
        fail_msg("expected %s, found %s: %s", verdict_kind_name(kind),
                 verdict_kind_name(unit->kind),
                 unit->reason_count ? unit->reasons[0].text : "no reason");
}

static void all_good(void **state)
{
    (void)state;
    struct repeated_power_up power_ups[10];
    for (uint64_t i = 0; i < 10; i++) {
        struct judge_scene scene = scene_good(100 + i);
        power_ups[i] = power_up_of(&scene);
        assert_int_equal(power_ups[i].phase_count, 3);
        assert_true(fabs(power_ups[i].log_duration[0]) < 0.05);
        assert_true(isnan(power_ups[i].log_duration[2]));
    }
    struct unit_verdict unit = judge_all(power_ups, 10);
    expect(&unit, VERDICT_GOOD);
    assert_int_equal(unit.good, 10);
    assert_int_equal(unit.reason_count, 0);
    assert_false(unit.intermittent);
    assert_int_equal(unit.failure_rate.sides, 1);
    assert_true(unit.failure_rate.low == 0);
    assert_true(fabs(unit.failure_rate.high - (1 - pow(0.05, 0.1))) < 1e-12);
    assert_non_null(strstr(unit.failure_rate.text, "zero failures in 10 bound the failure rate "
                                                   "below 26 %"));
    assert_non_null(strstr(unit.failure_rate.text, "one-sided"));
    assert_non_null(strstr(unit.failure_rate.text, "independent cycles"));
    assert_non_null(strstr(unit.failure_rate.text, "59 in all"));
}

static void one_of_ten_bad_is_intermittent(void **state)
{
    (void)state;
    struct repeated_power_up power_ups[10];
    for (uint64_t i = 0; i < 10; i++) {
        struct judge_scene scene = scene_good(200 + i);
        if (i == 6)
            scene.steps[2].level_A = 0.33;
        power_ups[i] = power_up_of(&scene);
    }
    struct unit_verdict unit = judge_all(power_ups, 10);
    expect(&unit, VERDICT_BAD);
    assert_true(unit.intermittent);
    assert_int_equal(unit.bad, 1);
    assert_int_equal(unit.reason_count, 2);
    assert_int_equal(unit.reasons[0].code, REASON_INTERMITTENT);
    assert_non_null(strstr(unit.reasons[0].text, "bad in 1 of 10 power-ups"));
    assert_true(strlen(unit.reasons[0].details) > 0);
    assert_int_equal(unit.reasons[1].code, REASON_LOW_FINAL);
    /* Clopper and Pearson, 1 of 10, two-sided 95 %: 0.253 to 44.5 %. */
    assert_int_equal(unit.failure_rate.sides, 2);
    assert_true(fabs(unit.failure_rate.low - 0.00253) < 5e-6);
    assert_true(fabs(unit.failure_rate.high - 0.44502) < 5e-6);
}

static void all_bad_is_not_intermittent(void **state)
{
    (void)state;
    struct repeated_power_up power_ups[3];
    for (uint64_t i = 0; i < 3; i++) {
        struct judge_scene scene = scene_good(300 + i);
        scene.steps[2].level_A = 0.33;
        power_ups[i] = power_up_of(&scene);
    }
    struct unit_verdict unit = judge_all(power_ups, 3);
    expect(&unit, VERDICT_BAD);
    assert_false(unit.intermittent);
    assert_int_equal(unit.reason_count, 1);
    assert_int_equal(unit.reasons[0].code, REASON_LOW_FINAL);
    assert_true(unit.failure_rate.high == 1);
    assert_true(fabs(unit.failure_rate.low - pow(0.025, 1.0 / 3)) < 1e-9);
}

/* One of another draw among so many. */
static struct unit_verdict judge_kinds(size_t count, size_t others)
{
    static struct repeated_power_up power_ups[FAILURE_TEST_MOST];
    for (size_t i = 0; i < count; i++) {
        struct judge_scene scene = scene_good(400 + i);
        scene.steps[2].level_A = i > 1 && i < 2 + others ? 0.389 : 0.412;
        power_ups[i] = power_up_of(&scene);
        assert_int_not_equal(power_ups[i].kind, VERDICT_BAD);
    }
    return judge_all(power_ups, count);
}

/* None is bad, and yet they are of two kinds: by how often. */
static void two_clusters(void **state)
{
    (void)state;
    struct unit_verdict unit = judge_kinds(8, 3);
    expect(&unit, VERDICT_BAD);
    assert_true(unit.intermittent);
    assert_int_equal(unit.reasons[0].code, REASON_INTERMITTENT);
    assert_int_equal(unit.reasons[0].phase, 2);
    assert_non_null(strstr(unit.reasons[0].text, "3 of 8 draw 5.5"));
    assert_non_null(strstr(unit.reasons[0].text, "phase 3"));
    assert_int_equal(unit.failure_test.state, SEQUENTIAL_SECOND);
    unit = judge_kinds(8, 1);
    expect(&unit, VERDICT_UNSURE);
    assert_true(unit.intermittent);
    assert_int_equal(unit.settle_count, 1);
    assert_int_equal(unit.settles[0].code, SETTLE_WITHOUT_FAILURE);
    int more = unit.settles[0].count;
    unit = judge_kinds(8 + (size_t)more - 1, 1);
    expect(&unit, VERDICT_UNSURE);
    unit = judge_kinds(8 + (size_t)more, 1);
    expect(&unit, VERDICT_GOOD);
    assert_true(unit.intermittent);
    unit = judge_kinds(9, 2);
    expect(&unit, VERDICT_BAD);
}

/* Probability that the failure test ends at either rate, exactly: over the number
 * of failures after each power-up. */
static void failure_test_errors(double rate, double *at_low, double *at_high)
{
    double alive[FAILURE_TEST_MOST + 1] = {1};
    *at_low = *at_high = 0;
    for (size_t n = 1; n <= FAILURE_TEST_MOST; n++) {
        double next[FAILURE_TEST_MOST + 1] = {0};
        for (size_t k = 0; k < n; k++) {
            next[k] += alive[k] * (1 - rate);
            next[k + 1] += alive[k] * rate;
        }
        for (size_t k = 0; k <= n; k++) {
            double ratio = (double)k * log(10) + (double)(n - k) * log(0.9 / 0.99);
            bool cut = n == FAILURE_TEST_MOST;
            bool high = ratio >= log(0.955 / 0.05) || (cut && ratio > 0);
            bool low = ratio <= log(0.045 / 0.95) || (cut && ratio <= 0);
            *at_high += high ? next[k] : 0;
            *at_low += low ? next[k] : 0;
            alive[k] = high || low ? 0 : next[k];
        }
    }
}

static void failure_test_keeps_its_errors(void **state)
{
    (void)state;
    double low = 0;
    double high = 0;
    failure_test_errors(0.01, &low, &high);
    printf("at 1 %%: called 10 %% in %.2f %%\n", 100 * high);
    assert_true(fabs(low + high - 1) < 1e-12 && high <= 0.05);
    failure_test_errors(0.10, &low, &high);
    printf("at 10 %%: called 1 %% in %.2f %%\n", 100 * low);
    assert_true(fabs(low + high - 1) < 1e-12 && low <= 0.05);
    /* The program's own: ends where the ratio passes its bounds, once. */
    bool failed[FAILURE_TEST_MOST] = {false};
    struct failure_test test = failure_test_take(failed, FAILURE_TEST_MOST);
    assert_int_equal(test.state, SEQUENTIAL_FIRST);
    assert_int_equal(test.power_ups, ceil(log(0.95 / 0.045) / log(0.99 / 0.9)));
    test = failure_test_take(failed, 10);
    assert_int_equal(test.state, SEQUENTIAL_GO_ON);
    assert_int_equal(test.more_without_failure + 10, 32);
    failed[3] = failed[7] = true;
    test = failure_test_take(failed, 10);
    assert_int_equal(test.state, SEQUENTIAL_SECOND);
    assert_int_equal(test.power_ups, 8);
    /* Every 26th fails: the cut decides. */
    for (size_t i = 0; i < FAILURE_TEST_MOST; i++)
        failed[i] = i % 26 == 25;
    test = failure_test_take(failed, FAILURE_TEST_MOST);
    assert_int_not_equal(test.state, SEQUENTIAL_GO_ON);
}

static struct repeated_power_up off_in_second(const struct repeated_power_up *like, double off)
{
    struct repeated_power_up one = *like;
    one.levels[1].log_ratio = off;
    one.levels[1].current_A = taught->phases[1].level_A * exp(off);
    return one;
}

static bool a_larger_fault_settles(const struct unit_verdict *unit,
                                   const struct repeated_power_up *power_ups, size_t count)
{
    struct reference other = *taught;
    struct unit_verdict then;
    const struct settle *settle = &unit->settles[unit->settle_count - 1];
    if (settle->code != SETTLE_FAULT)
        return false;
    other.smallest_level_fault = settle->value;
    assert_int_equal(repeated_judge(&other, NULL, power_ups, count, &then), 0);
    expect(&then, VERDICT_GOOD);
    return true;
}

/* A mean too near to its limit: as many more as it says, of a unit that may be
 * good or off, settle it nearly always, and a quarter of them less often. */
static void more_power_ups_settle_a_mean(void **state)
{
    (void)state;
    enum { SEEN = 2, MOST = 320, RUNS = 200 };
    static const double u = 0.05;
    const unsigned long seed = 20260205;
    static struct repeated_power_up all[MOST];
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    struct judge_scene scene = scene_good(7000);
    struct repeated_power_up like = power_up_of(&scene);
    like.kind = VERDICT_UNSURE;
    like.has_reason = true;
    like.reason.code = REASON_CANNOT_RESOLVE;
    like.levels[1].u = u;
    long told = 0;
    long followed = 0;
    long settled = 0;
    long settled_by_less = 0;
    long settled_by_fault = 0;
    for (int off = 0; off < 100; off++) {
        double mean = -0.001 * off;
        all[0] = off_in_second(&like, mean - 0.005);
        all[1] = off_in_second(&like, mean + 0.005);
        struct unit_verdict unit = judge_all(all, SEEN);
        if (unit.kind != VERDICT_UNSURE)
            continue;
        assert_true(unit.settle_count > 0);
        settled_by_fault += a_larger_fault_settles(&unit, all, SEEN);
        if (unit.settles[0].code != SETTLE_POWER_UPS)
            continue;
        size_t more = (size_t)unit.settles[0].count;
        told++;
        for (int run = 0; run < RUNS; run++) {
            double prior2 = 0.05 * 0.05;
            double share = prior2 / (prior2 + u * u / SEEN);
            double own = share * mean + gsl_ran_gaussian(random, sqrt(prior2 * (1 - share)));
            for (size_t i = SEEN; i < SEEN + more; i++)
                all[i] = off_in_second(&like, own + gsl_ran_gaussian(random, u));
            followed++;
            settled += judge_all(all, SEEN + more).kind != VERDICT_UNSURE;
            settled_by_less += judge_all(all, SEEN + (more + 3) / 4).kind != VERDICT_UNSURE;
        }
    }
    printf("told %ld times; followed, %.1f %% settle, and %.1f %% by a quarter of it\n", told,
           100.0 * (double)settled / (double)followed,
           100.0 * (double)settled_by_less / (double)followed);
    assert_true(told >= 5 && settled_by_fault > 20);
    assert_true((double)settled >= 0.93 * (double)followed);
    assert_true(settled_by_less < settled);
    gsl_rng_free(random);
}

/* What a unit's power-ups repeat is not averaged away: where pulses fall, or what
 * a mean of them hides, speaks no louder for being seen thirty times. */
static void what_is_repeated_does_not_average(void **state)
{
    (void)state;
    enum { MANY = 30 };
    struct repeated_power_up all[MANY];
    struct judge_scene scene = scene_good(7100);
    struct repeated_power_up like = power_up_of(&scene);
    like.kind = VERDICT_UNSURE;
    like.has_reason = true;
    like.reason.code = REASON_CANNOT_RESOLVE;
    like.levels[1].u = 0.04;
    for (int lasting = 0; lasting < 2; lasting++) {
        like.levels[1].lasting_u = lasting ? 0.04 : 0;
        for (size_t i = 0; i < MANY; i++)
            all[i] = off_in_second(&like, 0.01);
        struct unit_verdict unit = judge_all(all, MANY);
        expect(&unit, lasting ? VERDICT_UNSURE : VERDICT_GOOD);
        for (size_t i = 0; i < unit.settle_count; i++)
            assert_int_not_equal(unit.settles[i].code, SETTLE_POWER_UPS);
    }
}

/* Pulses that are read too seldom to stand anywhere, ramps: all their uncertainty
 * comes again. A steady level's noise does not. */
static void slopes_and_pulses_repeat(void **state)
{
    (void)state;
    struct judge_scene scene = scene_good(7200);
    struct repeated_power_up power_up = power_up_of(&scene);
    for (size_t p = 0; p < 3; p++)
        assert_true(power_up.levels[p].lasting_u < 0.8 * power_up.levels[p].u);
    enum phase_kind kinds[] = {PHASE_RAMP, PHASE_DECAY, PHASE_PERIODIC};
    enum phase_kind was = taught->phases[1].kind;
    for (size_t k = 0; k < 3; k++) {
        taught->phases[1].kind = kinds[k];
        taught->phases[1].repeat_u = 0.03;
        power_up = power_up_of(&scene);
        if (power_up.phase_count == 3 && power_up.levels[1].usable)
            assert_true(power_up.levels[1].lasting_u == power_up.levels[1].u);
        assert_int_equal(power_up.phase_count, 3);
    }
    taught->phases[1].kind = was;
    taught->phases[1].repeat_u = 0;
}

/* One of four off in a level by the smallest fault, by readings that put it
 * beyond its limit and leave chance possible: not called good for the mean. */
static void a_bad_one_is_not_averaged_away(void **state)
{
    (void)state;
    struct repeated_power_up all[80];
    struct judge_scene scene = scene_good(7300);
    struct repeated_power_up like = power_up_of(&scene);
    assert_int_equal(like.kind, VERDICT_GOOD);
    like.levels[1].u = 0.022;
    for (size_t i = 0; i < 80; i++)
        all[i] = off_in_second(&like, 0);
    all[1] = off_in_second(&like, -0.105);
    all[1].kind = VERDICT_BAD;
    all[1].level_alone = all[1].has_reason = true;
    all[1].reason.code = REASON_LOW_FINAL;
    all[1].reason.phase = 1;
    struct unit_verdict unit = judge_all(all, 4);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.reasons[0].code, REASON_INTERMITTENT);
    assert_int_equal(unit.reasons[0].phase, 1);
    assert_int_equal(unit.settles[0].code, SETTLE_WITHOUT_FAILURE);
    int more = unit.settles[0].count;
    unit = judge_all(all, 4 + (size_t)more - 1);
    expect(&unit, VERDICT_UNSURE);
    unit = judge_all(all, 4 + (size_t)more);
    expect(&unit, VERDICT_GOOD);
    /* One more of the other kind. */
    all[5] = all[1];
    unit = judge_all(all, 6);
    expect(&unit, VERDICT_BAD);
    assert_true(unit.intermittent);
    /* Where it could not have been a fault, it lay at its limit by chance. */
    all[1].levels[1].log_ratio = all[5].levels[1].log_ratio = -0.04;
    all[1].levels[1].u = all[5].levels[1].u = 0.01;
    unit = judge_all(all, 6);
    expect(&unit, VERDICT_GOOD);
}

/* An undecided power-up that lies where a fault would, well away from the others,
 * is not settled by their mean; one that might be one of them is. */
static void an_undecided_one_apart_is_not_averaged_away(void **state)
{
    (void)state;
    struct repeated_power_up all[8];
    struct judge_scene scene = scene_good(7600);
    struct repeated_power_up like = power_up_of(&scene);
    like.levels[1].u = 0.012;
    for (size_t i = 0; i < 8; i++)
        all[i] = off_in_second(&like, 0.002);
    for (int apart = 0; apart < 2; apart++) {
        all[3] = off_in_second(&like, apart ? -0.07 : -0.035);
        all[3].kind = VERDICT_UNSURE;
        all[3].has_reason = true;
        all[3].reason.code = REASON_CANNOT_RESOLVE;
        all[3].settle_count = 1;
        all[3].settles[0] = settle_of(SETTLE_FAULT);
        all[3].settles[0].value = 0.13;
        struct unit_verdict unit = judge_all(all, 8);
        expect(&unit, apart ? VERDICT_UNSURE : VERDICT_GOOD);
        if (apart)
            assert_int_equal(unit.settles[0].code, SETTLE_FAULT);
        else
            assert_true(unit.settled_by_mean);
    }
}

/* A power-up that did not come through in a whole watch is not left out as a
 * record that was cut short is. */
static void a_unit_too_slow_is_not_left_out(void **state)
{
    (void)state;
    struct repeated_power_up all[4];
    for (uint64_t i = 0; i < 4; i++) {
        struct judge_scene scene = scene_good(7400 + i);
        all[i] = power_up_of(&scene);
    }
    all[2].kind = VERDICT_UNSURE;
    all[2].has_reason = true;
    all[2].reason.code = REASON_INCOMPLETE;
    all[2].settle_count = 1;
    all[2].settles[0] = settle_of(SETTLE_READ_ON);
    struct unit_verdict unit = judge_all(all, 4);
    expect(&unit, VERDICT_GOOD);
    all[2].settles[0] = settle_of(SETTLE_WATCH);
    unit = judge_all(all, 4);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.settles[0].code, SETTLE_WATCH);
}

/* What was read in current limit, or outside the voltage, is not in the means. */
static void what_says_nothing_is_not_in_the_mean(void **state)
{
    (void)state;
    struct repeated_power_up all[3];
    struct judge_scene scene = scene_good(7500);
    struct repeated_power_up like = power_up_of(&scene);
    for (size_t i = 0; i < 3; i++)
        all[i] = like;
    all[1] = off_in_second(&like, -0.4);
    all[1].kind = VERDICT_UNSURE;
    all[1].has_reason = true;
    all[1].reason.code = REASON_AT_LIMIT;
    struct unit_means means;
    unit_means_take(taught, NULL, all, 3, &means);
    assert_int_equal(means.power_ups, 2);
    assert_true(means.levels[1].log_ratio == like.levels[1].log_ratio);
}

/* Beside good ones, bad by a level that lies at its limit: one kind, by the mean,
 * which is good where it lies inside the limit by its guard band. */
static void at_a_limit_is_not_intermittent(void **state)
{
    (void)state;
    long mixed = 0;
    long unsure = 0;
    for (uint64_t seed = 0; seed < 40; seed++) {
        struct repeated_power_up power_ups[6];
        for (size_t i = 0; i < 6; i++) {
            struct judge_scene scene = scene_good(9000 + 10 * seed + i);
            scene.noise_A = 0.004;
            scene.interval_s = 0.1;
            scene.steps[1].level_A = 0.2365;
            power_ups[i] = power_up_of(&scene);
        }
        struct unit_verdict unit = judge_all(power_ups, 6);
        if (unit.good == 0 || unit.bad == 0)
            continue;
        mixed++;
        assert_false(unit.intermittent);
        struct unit_means means;
        unit_means_take(taught, NULL, power_ups, 6, &means);
        if (unit.kind == VERDICT_GOOD)
            assert_true(means.inside && means.resolves);
        if (unit.kind != VERDICT_UNSURE)
            continue;
        unsure++;
        assert_true(unit.settle_count > 0);
        (void)a_larger_fault_settles(&unit, power_ups, 6);
    }
    printf("%ld of 40 mixed, of which %ld unsure\n", mixed, unsure);
    assert_true(mixed > 10 && unsure > 3);
}

static void what_could_not_be_judged_is_left_out(void **state)
{
    (void)state;
    struct repeated_power_up power_ups[4];
    for (uint64_t i = 0; i < 4; i++) {
        struct judge_scene scene = scene_good(500 + i);
        if (i == 2)
            scene.end_s = 4;
        power_ups[i] = power_up_of(&scene);
    }
    assert_int_equal(power_ups[2].kind, VERDICT_UNSURE);
    struct unit_verdict unit = judge_all(power_ups, 4);
    expect(&unit, VERDICT_GOOD);
    assert_int_equal(unit.good, 3);
    assert_int_equal(unit.reason_count, 1);
    assert_int_equal(unit.reasons[0].code, REASON_INCOMPLETE);
    assert_non_null(strstr(unit.reasons[0].text, "1 of 4 power-ups"));
    assert_true(fabs(unit.failure_rate.high - (1 - pow(0.05, 1.0 / 3))) < 1e-12);
    unit = judge_all(power_ups + 2, 1);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.reasons[0].code, REASON_INCOMPLETE);
    assert_true(isnan(unit.failure_rate.high));
}

static void nothing_to_judge(void **state)
{
    (void)state;
    struct unit_verdict unit;
    assert_int_equal(repeated_judge(NULL, NULL, NULL, 0, &unit), 0);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.reason_count, 1);
    assert_true(isnan(unit.failure_rate.high));
    struct judge_scene scene = scene_good(1);
    struct trace trace = {0};
    scene_trace(&scene, &trace);
    struct repeated_power_up power_up;
    struct verdict verdict;
    struct phases phases = {0};
    assert_int_equal(
        repeated_judge_trace(NULL, NULL, trace.readings, trace.count, &verdict, &phases, &power_up),
        0);
    assert_int_equal(repeated_judge(NULL, NULL, &power_up, 1, &unit), 0);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.reasons[0].code, REASON_NO_REFERENCE);
    phases_clear(&phases);
    trace_clear(&trace);
}

/* A power-up measured so badly that it cannot be judged by itself. */
static struct repeated_power_up noisy(gsl_rng *random, double off, double u)
{
    struct repeated_power_up power_up = {
        .kind = VERDICT_UNSURE, .has_reason = true, .final_draw_A = NAN, .phase_count = 3};
    power_up.reason.code = REASON_CANNOT_RESOLVE;
    for (size_t p = 0; p < 3; p++) {
        double ratio = off + gsl_ran_gaussian(random, u);
        power_up.levels[p] =
            (struct measured_level){.usable = true,
                                    .log_ratio = ratio,
                                    .u = u,
                                    .current_A = taught->phases[p].level_A * exp(ratio),
                                    .voltage_V = 13.8,
                                    .effective = 1};
        power_up.log_duration[p] = power_up.log_duration_u[p] = NAN;
    }
    return power_up;
}

static void the_mean_settles_what_one_cannot(void **state)
{
    (void)state;
    const unsigned long seed = 20260203;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    enum { MANY = 60, FEW = 3 };
    struct repeated_power_up power_ups[MANY];
    for (size_t i = 0; i < MANY; i++)
        power_ups[i] = noisy(random, 0, 0.06);
    struct unit_verdict unit = judge_all(power_ups, FEW);
    expect(&unit, VERDICT_UNSURE);
    assert_int_equal(unit.reasons[0].code, REASON_CANNOT_RESOLVE);
    unit = judge_all(power_ups, MANY);
    expect(&unit, VERDICT_GOOD);
    assert_true(unit.settled_by_mean);
    assert_true(isnan(unit.failure_rate.high));
    /* A tenth low, it is the mean that says bad. */
    for (size_t i = 0; i < MANY; i++)
        power_ups[i] = noisy(random, -0.12, 0.06);
    unit = judge_all(power_ups, MANY);
    expect(&unit, VERDICT_BAD);
    assert_int_equal(unit.reasons[0].code, REASON_LOW_FINAL);
    assert_true(unit.reasons[0].measured < unit.reasons[0].low);
    assert_non_null(strstr(unit.reasons[0].text, "mean"));
    gsl_rng_free(random);
}

/* Units whose power-ups spread as the reference says are hardly ever of two
 * kinds, however many power-ups there are. */
static void like_power_ups_are_of_one_kind(void **state)
{
    (void)state;
    const unsigned long seed = 20260204;
    print_message("seed %lu\n", seed);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    gsl_rng_set(random, seed);
    enum { MOST = 40, RUNS = 3000 };
    static struct repeated_power_up power_ups[MOST];
    size_t of_two_kinds = 0;
    for (int run = 0; run < RUNS; run++) {
        size_t count = 2 + gsl_rng_uniform_int(random, MOST - 1);
        double unit_off = gsl_ran_gaussian(random, 0.01);
        for (size_t i = 0; i < count; i++) {
            power_ups[i] = noisy(random, unit_off, 0.003);
            power_ups[i].kind = VERDICT_GOOD;
            power_ups[i].has_reason = false;
        }
        struct unit_verdict unit = judge_all(power_ups, count);
        of_two_kinds += unit.intermittent;
        assert_int_not_equal(unit.kind, VERDICT_BAD);
    }
    assert_true(of_two_kinds <= 2);
    gsl_rng_free(random);
}

static double within2(const struct spread *spread)
{
    return shrink_variance(spread->within * spread->within, spread->within_df,
                           spread->prior_within * spread->prior_within, SPREAD_PRIOR_DF);
}

/* The widest gap allowed is the difference of two power-ups at a tail of 5e-5
 * shared out over power-ups, phases, and draw and duration. */
static void two_kinds_begin_where_stated(void **state)
{
    (void)state;
    static const double u = 0.008;
    double steps = 2 * 0.001 / sqrt(12) / taught->phases[0].level_A;
    double spread = sqrt(within2(&taught->level_common) + within2(&taught->level_own) + u * u);
    assert_true(steps < u);
    double df = SPREAD_PRIOR_DF + taught->level_common.within_df;
    double allowed = gsl_cdf_tdist_Qinv(5e-5 / (6 * 6), df) * spread * sqrt(2);
    for (int wide = 0; wide < 2; wide++) {
        struct repeated_power_up power_ups[6];
        double gap = allowed * (wide ? 1.02 : 0.98);
        for (size_t i = 0; i < 6; i++) {
            power_ups[i] = (struct repeated_power_up){.kind = VERDICT_GOOD, .phase_count = 3};
            for (size_t p = 0; p < 3; p++) {
                power_ups[i].levels[p] = (struct measured_level){
                    .usable = true, .u = u, .log_ratio = p == 0 && i % 3 == 0 ? gap : 0};
                power_ups[i].log_duration[p] = NAN;
            }
        }
        struct two_kinds kinds;
        assert_int_equal(two_kinds_find(taught, NULL, power_ups, 6, &kinds), 0);
        assert_int_equal(kinds.found, wide);
        if (wide) {
            assert_int_equal(kinds.low_count, 4);
            assert_int_equal(kinds.high_count, 2);
            assert_int_equal(kinds.phase, 0);
            assert_true(fabs(kinds.allowed - allowed) < 1e-9);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_good),
        cmocka_unit_test(one_of_ten_bad_is_intermittent),
        cmocka_unit_test(all_bad_is_not_intermittent),
        cmocka_unit_test(two_clusters),
        cmocka_unit_test(failure_test_keeps_its_errors),
        cmocka_unit_test(more_power_ups_settle_a_mean),
        cmocka_unit_test(what_is_repeated_does_not_average),
        cmocka_unit_test(slopes_and_pulses_repeat),
        cmocka_unit_test(a_bad_one_is_not_averaged_away),
        cmocka_unit_test(an_undecided_one_apart_is_not_averaged_away),
        cmocka_unit_test(a_unit_too_slow_is_not_left_out),
        cmocka_unit_test(what_says_nothing_is_not_in_the_mean),
        cmocka_unit_test(at_a_limit_is_not_intermittent),
        cmocka_unit_test(what_could_not_be_judged_is_left_out),
        cmocka_unit_test(nothing_to_judge),
        cmocka_unit_test(the_mean_settles_what_one_cannot),
        cmocka_unit_test(like_power_ups_are_of_one_kind),
        cmocka_unit_test(two_kinds_begin_where_stated),
    };
    return cmocka_run_group_tests_name("repeated power-ups", tests, teach, forget);
}
