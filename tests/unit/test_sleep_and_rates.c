/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Modules that go to sleep by themselves, and supplies that read faster than the
 * one that taught: made-up power-ups of a small generator of its own.
 */
#include "reference/reference_model.h"
#include "signature/power_up.h"
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

enum { STEPS = 4, UNITS = 4, POWER_UPS = 4, SEEDS = 12 };

/* Levels one after the other; the last goes on. */
struct maker {
    double level_A[STEPS], duration_s[STEPS];
    int steps;
    double interval_s, resolution_A, noise_A, length_s;
    double leave_s; /* the plug is pulled then, the output still on; NAN: it is not */
};

static const double lead_s = 0.6;
static uint64_t state;

static double even(double low, double high)
{
    state = state * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * (double)(state >> 11) / 9007199254740992.0;
}

/* Near enough to normal, of standard deviation one. */
static double spread(void)
{
    return even(-1, 1) + even(-1, 1) + even(-1, 1);
}

static double draw_A(const struct maker *maker, const double *factors, double since_s)
{
    double from_s = 0;
    int k = 0;
    if (since_s < 0 || since_s > maker->leave_s)
        return 0;
    while (k + 1 < maker->steps && since_s >= from_s + maker->duration_s[k] * factors[2])
        from_s += maker->duration_s[k++] * factors[2];
    return maker->level_A[k] * factors[0] * factors[1];
}

static void make(const struct maker *maker, const double *factors, struct trace *trace)
{
    double offset_s = even(0, maker->interval_s);
    size_t count = (size_t)ceil((lead_s + maker->length_s) / maker->interval_s);
    for (size_t i = 0; i < count; i++) {
        double time_s = maker->interval_s * (double)i;
        double since_s = time_s - lead_s - offset_s;
        double current_A = draw_A(maker, factors, since_s) + maker->noise_A * spread();
        struct reading reading = {.time_s = round(time_s * 1e6) / 1e6,
                                  .voltage_V = since_s < 0 ? 0 : 12,
                                  .current_A =
                                      maker->resolution_A * round(current_A / maker->resolution_A),
                                  .valid = true,
                                  .output_on = FLAG_UNKNOWN,
                                  .limited = FLAG_UNKNOWN};
        assert_true(trace_append(trace, &reading));
    }
}

static struct accuracy accuracy_of(const struct maker *maker)
{
    return (struct accuracy){.profile = "made up",
                             .current_resolution_A = maker->resolution_A,
                             .voltage_resolution_V = 0.01};
}

/* A unit's factors: of levels, of this power-up, of durations. */
static void draw_unit(double *factors)
{
    factors[0] = 1 + 0.012 * spread();
    factors[2] = 1 + 0.02 * spread();
}

static struct reference *teach(const struct maker *maker)
{
    struct trace traces[UNITS][POWER_UPS];
    struct known_good units[UNITS];
    static const char *const names[UNITS] = {"a", "b", "c", "d"};
    memset(traces, 0, sizeof traces);
    for (size_t u = 0; u < UNITS; u++) {
        double factors[3];
        draw_unit(factors);
        for (size_t p = 0; p < POWER_UPS; p++) {
            struct maker one = *maker;
            factors[1] = 1 + 0.002 * spread();
            /* A hand is not as regular as a module. */
            one.leave_s *= even(0.75, 1.35);
            make(&one, factors, &traces[u][p]);
        }
        units[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = POWER_UPS};
    }
    struct accuracy accuracy = accuracy_of(maker);
    struct reference_request request = {
        .module_type = "made up", .nominal_voltage_V = NAN, .watch_s = NAN, .accuracy = &accuracy};
    struct error error = {0};
    struct reference *reference = reference_build(&request, units, UNITS, &error);
    assert_non_null(reference);
    for (size_t u = 0; u < UNITS; u++)
        for (size_t p = 0; p < POWER_UPS; p++)
            trace_clear(&traces[u][p]);
    return reference;
}

static struct verdict judge(const struct reference *reference, const struct maker *maker)
{
    double factors[3];
    struct trace trace = {0};
    struct verdict verdict;
    struct accuracy accuracy = accuracy_of(maker);
    draw_unit(factors);
    factors[1] = 1 + 0.002 * spread();
    make(maker, factors, &trace);
    assert_int_equal(judge_trace(reference, &accuracy, trace.readings, trace.count, &verdict, NULL),
                     0);
    trace_clear(&trace);
    return verdict;
}

static void expect(const struct reference *reference, const struct maker *maker,
                   enum verdict_kind kind, const char *what)
{
    struct verdict verdict = judge(reference, maker);
    if (verdict.kind != kind)
        print_error("%s: verdict %d, %s\n", what, (int)verdict.kind,
                    verdict.reason_count ? verdict.reasons[0].text : "no reason");
    assert_int_equal(verdict.kind, kind);
}

static void seed_at(int seed)
{
    state = (uint64_t)seed * 2654435761u + 17;
    print_message("seed %d\n", seed);
}

static struct maker sleeper(void)
{
    double size_A = even(0.1, 0.4);
    return (struct maker){.level_A = {size_A, 0.6 * size_A, 1.4 * size_A, even(0.003, 0.009)},
                          .duration_s = {0.8, even(1, 2), even(0.6, 1)},
                          .steps = 4,
                          .interval_s = even(0, 1) < 0.5 ? 0.02 : 0.066,
                          .resolution_A = even(0, 1) < 0.5 ? 0.001 : 0.0001,
                          .noise_A = 0.0006,
                          .length_s = 8,
                          .leave_s = INFINITY};
}

static void a_module_that_stays_awake_is_bad(void **unused)
{
    (void)unused;
    for (int seed = 1; seed <= SEEDS; seed++) {
        seed_at(seed);
        struct maker module = sleeper();
        struct reference *reference = teach(&module);
        assert_true(reference_sleeps(reference));
        assert_int_equal(reference->phase_count, 4);
        expect(reference, &module, VERDICT_GOOD, "healthy");
        struct maker awake = module;
        awake.steps = 3;
        expect(reference, &awake, VERDICT_BAD, "stays awake");
        struct verdict verdict = judge(reference, &awake);
        assert_int_equal(verdict.reasons[0].code, REASON_STALLED);
        assert_non_null(verdict.reasons[0].pattern);
        assert_string_equal(verdict.reasons[0].pattern->name, "never sleeps");
        struct maker late = module;
        late.duration_s[2] *= 2;
        expect(reference, &late, VERDICT_BAD, "sleeps late");
        struct maker restless = module;
        restless.level_A[3] = 0.3 * module.level_A[0];
        expect(reference, &restless, VERDICT_BAD, "draws much asleep");
        reference_destroy(reference);
    }
}

/* The plug pulled with the output on looks like sleep, but nothing is drawn, and
 * at no time of its own: no sleep is learned. */
static void a_plug_pulled_is_no_sleep(void **unused)
{
    (void)unused;
    for (int seed = 1; seed <= SEEDS; seed++) {
        seed_at(seed);
        struct maker module = sleeper();
        module.steps = 3;
        module.leave_s = 6;
        module.length_s = 11;
        struct reference *reference = teach(&module);
        assert_false(reference_sleeps(reference));
        assert_int_equal(reference->phase_count, 3);
        struct maker stays = module;
        stays.leave_s = INFINITY;
        expect(reference, &stays, VERDICT_GOOD, "stays on");
        reference_destroy(reference);
    }
}

/* Within the watch a sleep ends nothing; after it the power-up ends where the
 * draw went to rest. */
static void a_sleep_ends_the_power_up_after_the_watch(void **unused)
{
    (void)unused;
    seed_at(1);
    struct maker module = sleeper();
    double factors[3] = {1, 1, 1};
    struct trace trace = {0};
    make(&module, factors, &trace);
    for (int sleeps = 0; sleeps < 2; sleeps++) {
        struct power_up_rules rules = {.watch_s = 6, .resolution_A = 0.001, .sleeps = sleeps};
        struct power_up_machine *machine = power_up_create(&rules);
        assert_non_null(machine);
        double ended_at_s = NAN;
        for (size_t i = 0; i < trace.count && isnan(ended_at_s); i++)
            if (power_up_step(machine, &trace.readings[i]) == POWER_UP_ENDED)
                ended_at_s = trace.readings[i].time_s - power_up_onset_s(machine);
        double asleep_s = module.duration_s[0] + module.duration_s[1] + module.duration_s[2];
        assert_int_equal(power_up_end(machine), END_DRAW_OFF);
        double off_s = power_up_ended_s(machine) - power_up_onset_s(machine);
        assert_true(fabs(off_s - asleep_s) <= 2 * module.interval_s);
        if (sleeps)
            assert_true(ended_at_s >= 6);
        else
            assert_true(ended_at_s < asleep_s + POWER_UP_REST_S + 3 * module.interval_s);
        power_up_destroy(machine);
    }
    trace_clear(&trace);
}

static void a_supply_that_reads_faster_than_was_taught_judges_alike(void **unused)
{
    (void)unused;
    static const double faster[] = {1, 4, 20};
    for (int seed = 1; seed <= SEEDS; seed++) {
        seed_at(seed);
        double size_A = even(0.2, 1);
        struct maker module = {.level_A = {0.4 * size_A, size_A, 0.7 * size_A},
                               .duration_s = {even(0.6, 1.2), even(1, 2)},
                               .steps = 3,
                               .interval_s = 0.02,
                               .resolution_A = 0.001,
                               .noise_A = 0.001,
                               .length_s = 5,
                               .leave_s = INFINITY};
        struct reference *reference = teach(&module);
        assert_int_equal(reference->phase_count, 3);
        for (size_t k = 0; k < sizeof faster / sizeof *faster; k++) {
            struct maker read = module;
            read.interval_s = module.interval_s / faster[k];
            for (int unit = 0; unit < 3; unit++)
                expect(reference, &read, VERDICT_GOOD, "healthy");
            for (int p = 0; p < 3; p++) {
                struct maker off = read;
                off.level_A[p] *= even(0, 1) < 0.5 ? 0.9 : 1.1;
                expect(reference, &off, VERDICT_BAD, "one level off by a tenth");
            }
        }
        reference_destroy(reference);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_module_that_stays_awake_is_bad),
        cmocka_unit_test(a_plug_pulled_is_no_sleep),
        cmocka_unit_test(a_sleep_ends_the_power_up_after_the_watch),
        cmocka_unit_test(a_supply_that_reads_faster_than_was_taught_judges_alike),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
