/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Phases of records whose phases are known, at many rates and resolutions.
 * WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "signature/segment.h"
#include "support/phase_trace.h"
#include "support/power_up_scene.h"

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

static const double rates[] = {8, 20, 50, 100};
static const double counts[] = {1e-4, 1e-3, 1e-2};

static uint64_t seed_of_run(void)
{
    const char *text = getenv("WAKEDRAW_TEST_SEED");
    return text ? strtoull(text, NULL, 10) : (uint64_t)time(NULL);
}

/* Cuts the record at every rate and resolution; kinds must be as made, ends
 * near, levels (of levels) within a count or the noise. */
static void expect_as_made(const struct made_phase *made, size_t count, double slack_s)
{
    for (size_t a = 0; a < sizeof rates / sizeof *rates; a++) {
        for (size_t b = 0; b < sizeof counts / sizeof *counts; b++) {
            struct made_record record = {.phases = made,
                                         .count = count,
                                         .rate_hz = rates[a],
                                         .jitter = 0.1,
                                         .resolution_A = counts[b],
                                         .noise_A = 2e-4 + 0.2 * counts[b]};
            struct trace trace = {0};
            made_record_read(&record, 11 + a + 10 * b, &trace);
            struct segment_options options = {.resolution_A = b % 2 ? counts[b] : 0};
            struct phases phases;
            assert_int_equal(segment_readings(trace.readings, trace.count, &options, &phases), 0);
            bool same = phases.count == count;
            double end_s = 0;
            for (size_t i = 0; same && i < count; i++) {
                end_s += made[i].lasts_s;
                same = phases.items[i].kind == made[i].kind &&
                       (i + 1 == count ||
                        fabs(phases.items[i].to_s - end_s) <= slack_s + 1.2 / rates[a]);
                if (same && made[i].kind == PHASE_LEVEL)
                    same = fabs(phases.items[i].level_A - made[i].from_A) <= 0.5 * counts[b] + 3e-3;
                if (same && made[i].kind == PHASE_PERIODIC)
                    same = fabs(phases.items[i].period_s - made[i].time_s) <= 1.0 / rates[a];
            }
            if (!same) {
                print_error("%g readings/s, %g A:", rates[a], counts[b]);
                for (size_t i = 0; i < phases.count; i++)
                    print_error(" %s to %.2f at %.4f", phase_kind_name(phases.items[i].kind),
                                phases.items[i].to_s, phases.items[i].level_A);
                print_error("\n");
            }
            assert_true(same);
            phases_clear(&phases);
            trace_clear(&trace);
        }
    }
}

static void boot_of_levels(void **state)
{
    (void)state;
    static const struct made_phase boot[] = {{.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0.05},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.8, .from_A = 0.12},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.6, .from_A = 0.19},
                                             {.kind = PHASE_LEVEL, .lasts_s = 4, .from_A = 0.25}};
    expect_as_made(boot, 5, 0);
}

static void a_ramp_is_no_staircase(void **state)
{
    (void)state;
    static const struct made_phase ramp[] = {
        {.kind = PHASE_LEVEL, .lasts_s = 1.5, .from_A = 0.05},
        {.kind = PHASE_RAMP, .lasts_s = 2.5, .from_A = 0.05, .to_A = 0.4},
        {.kind = PHASE_LEVEL, .lasts_s = 4, .from_A = 0.4}};
    expect_as_made(ramp, 3, 0.25);
}

static void pulses_are_one_phase(void **state)
{
    (void)state;
    static const struct made_phase pulses[] = {{.kind = PHASE_LEVEL, .lasts_s = 1, .from_A = 0.05},
                                               {.kind = PHASE_PERIODIC,
                                                .lasts_s = 9,
                                                .from_A = 0.2,
                                                .to_A = 0.3,
                                                .time_s = 1.5,
                                                .share = 0.5}};
    expect_as_made(pulses, 2, 0);
}

/* Polled faster than the supply converts: a conversion shown four times is one
 * reading, an edge it averages over no phase. (Noise far under a count would not
 * tell repeats from a steady draw.) */
static void repeats_make_no_phases(void **state)
{
    (void)state;
    static const struct made_phase boot[] = {{.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0.05},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.8, .from_A = 0.12},
                                             {.kind = PHASE_LEVEL, .lasts_s = 0.6, .from_A = 0.19},
                                             {.kind = PHASE_LEVEL, .lasts_s = 4, .from_A = 0.25}};
    static const double conversions_hz[] = {10, 25, 50};
    for (size_t i = 0; i < (size_t)3 * 3 * 3 * 2; i++) {
        double conversion_hz = conversions_hz[i % 3];
        struct made_record record = {.phases = boot,
                                     .count = 5,
                                     .rate_hz = conversion_hz * (double)(2 + 2 * (i / 3 % 3)),
                                     .jitter = 0.1,
                                     .resolution_A = counts[i / 9 % 3],
                                     .noise_A = 2e-4 + 0.35 * counts[i / 9 % 3],
                                     .conversion_hz = conversion_hz,
                                     .averages_s = i / 27 ? 1 / conversion_hz : 0};
        struct trace trace = {0};
        made_record_read(&record, 5 + i, &trace);
        struct phases phases;
        assert_int_equal(segment_readings(trace.readings, trace.count, NULL, &phases), 0);
        if (phases.count != 5)
            print_error("%g conversions/s, %g readings/s, %g A, averages %g s: %zu phases\n",
                        conversion_hz, record.rate_hz, record.resolution_A, record.averages_s,
                        phases.count);
        assert_int_equal(phases.count, 5);
        double end_s = 0;
        for (size_t k = 0; k < 4; k++) {
            end_s += boot[k].lasts_s;
            double late_s = phases.items[k].to_s - end_s;
            if (late_s < -1e-6 || late_s > 1.5 / conversion_hz + 1.2 / record.rate_hz)
                print_error("%g conversions/s, %g readings/s, %g A, averages %g s: end %zu %.4f s "
                            "late\n",
                            conversion_hz, record.rate_hz, record.resolution_A, record.averages_s,
                            k, late_s);
            assert_true(late_s > -1e-6 && late_s < 1.5 / conversion_hz + 1.2 / record.rate_hz);
        }
        phases_clear(&phases);
        trace_clear(&trace);
    }
}

/* An input capacitor charges within 80 to 120 ms: that is one short phase, or
 * part of the next, and no row of levels a conversion long. */
static void a_charging_start_is_no_staircase(void **state)
{
    (void)state;
    static const struct made_phase starts[] = {
        {.kind = PHASE_LEVEL, .lasts_s = 0.08, .from_A = 1},
        {.kind = PHASE_RAMP, .lasts_s = 0.08, .from_A = 1, .to_A = 0.3},
        {.kind = PHASE_DECAY, .lasts_s = 0.12, .from_A = 1, .to_A = 0.12, .time_s = 0.03}};
    for (size_t i = 0; i < (size_t)3 * 2 * 2 * 2; i++) {
        const struct made_phase record_phases[] = {
            {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0},
            starts[i % 3],
            {.kind = PHASE_LEVEL, .lasts_s = 2, .from_A = 0.12},
            {.kind = PHASE_LEVEL, .lasts_s = 3, .from_A = 0.25}};
        bool repeated = i / 3 % 2;
        struct made_record record = {.phases = record_phases,
                                     .count = 4,
                                     .rate_hz = repeated ? 200 : 50,
                                     .jitter = 0.1,
                                     .resolution_A = i / 6 % 2 ? 1e-3 : 1e-4,
                                     .noise_A = 4e-4,
                                     .conversion_hz = repeated ? 50 : 0,
                                     .averages_s = i / 12 ? 0.02 : 0};
        struct trace trace = {0};
        made_record_read(&record, 5 + i, &trace);
        struct phases phases;
        assert_int_equal(segment_readings(trace.readings, trace.count, NULL, &phases), 0);
        if (phases.count != 3 && phases.count != 4)
            print_error("start %zu, repeated %d: %zu phases\n", i % 3, repeated, phases.count);
        assert_in_range(phases.count, 3, 4);
        assert_true(fabs(phases.items[0].to_s - 0.5) < 0.05);
        assert_true(fabs(phases.items[phases.count - 1].level_A - 0.25) < 1e-3);
        assert_true(fabs(phases.items[phases.count - 2].level_A - 0.12) < 0.01);
        phases_clear(&phases);
        trace_clear(&trace);
    }
}

static void a_spike_is_kept_as_evidence(void **state)
{
    (void)state;
    static const struct made_phase level[] = {{.kind = PHASE_LEVEL, .lasts_s = 5, .from_A = 0.2}};
    struct made_record record = {
        .phases = level, .count = 1, .rate_hz = 50, .resolution_A = 1e-3, .noise_A = 1e-3};
    struct trace trace = {0};
    made_record_read(&record, 3, &trace);
    trace.readings[100].current_A = 0.9;
    struct phases phases;
    assert_int_equal(segment_readings(trace.readings, trace.count, NULL, &phases), 0);
    assert_int_equal(phases.count, 1);
    assert_int_equal(phases.spike_count, 1);
    assert_int_equal(phases.spikes[0].reading, 100);
    assert_true(phases.spikes[0].current_A == 0.9);
    assert_true(fabs(phases.items[0].level_A - 0.2) < 5e-4);
    assert_true(phases.items[0].spread_A < 1.5e-3);
    phases_clear(&phases);
    trace_clear(&trace);
}

static void nothing_and_next_to_nothing(void **state)
{
    (void)state;
    struct phases phases;
    assert_int_equal(segment_readings(NULL, 0, NULL, &phases), 0);
    assert_int_equal(phases.count, 0);
    struct reading r[3] = {{0, 12, 0.1, false, FLAG_UNKNOWN, FLAG_UNKNOWN},
                           {1, 12, 0.1, true, FLAG_UNKNOWN, FLAG_UNKNOWN},
                           {2, 12, NAN, false, FLAG_UNKNOWN, FLAG_UNKNOWN}};
    assert_int_equal(segment_readings(r, 3, NULL, &phases), 0);
    assert_int_equal(phases.count, 1);
    assert_int_equal(phases.items[0].first, 1);
    assert_int_equal(phases.items[0].count, 1);
    assert_true(phases.items[0].level_A == 0.1 && phases.items[0].charge_C == 0);
    phases_clear(&phases);
}

/* Whatever the record, phases cover it once, in order, and lose no charge. */
static void covers_any_record(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    print_message("seed %llu\n", (unsigned long long)seed);
    uint64_t random = seed;
    for (int round = 0; round < 1500; round++) {
        enum { MOST = 160 };
        struct reading r[MOST] = {{0}};
        size_t n = 1 + (size_t)(scene_uniform(&random) * (MOST - 1));
        double time_s = 0;
        double level = 0;
        double noise = pow(10, -4 + 3 * scene_uniform(&random));
        double slope = 0;
        for (size_t i = 0; i < n; i++) {
            time_s += 0.001 + 0.1 * scene_uniform(&random);
            if (scene_uniform(&random) < 0.1)
                level = scene_uniform(&random);
            if (scene_uniform(&random) < 0.05)
                slope = scene_uniform(&random) < 0.5 ? 0 : 0.1 * scene_normal(&random);
            level += slope;
            r[i] = (struct reading){time_s,
                                    12,
                                    level + noise * scene_normal(&random),
                                    scene_uniform(&random) > 0.05,
                                    FLAG_UNKNOWN,
                                    FLAG_UNKNOWN};
            if (round % 3 == 0)
                r[i].current_A = nearbyint(r[i].current_A * 100) / 100;
            reading_quantise(&r[i]);
        }
        struct phases phases;
        assert_int_equal(segment_readings(r, n, NULL, &phases), 0);
        double charge = 0;
        double charge_of_phases = 0;
        size_t first = n;
        size_t last = n;
        for (size_t i = 0; i < n; i++) {
            if (!r[i].valid)
                continue;
            if (last < n)
                charge +=
                    0.5 * (r[i].current_A + r[last].current_A) * (r[i].time_s - r[last].time_s);
            else
                first = i;
            last = i;
        }
        assert_int_equal(phases.count > 0, first < n);
        for (size_t k = 0; k < phases.count; k++) {
            const struct phase *p = &phases.items[k];
            assert_true(isfinite(p->level_A) && isfinite(p->charge_C) && p->spread_A >= 0);
            assert_true(p->from_s == (k ? phases.items[k - 1].to_s : r[first].time_s));
            assert_true(p->count > 0 && r[p->first].time_s == p->from_s);
            charge_of_phases += p->charge_C;
        }
        if (phases.count) {
            assert_true(phases.items[phases.count - 1].to_s == r[last].time_s);
            assert_true(fabs(charge - charge_of_phases) < 1e-9 * (1 + fabs(charge)));
        }
        phases_clear(&phases);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_and_next_to_nothing),
        cmocka_unit_test(boot_of_levels),
        cmocka_unit_test(a_ramp_is_no_staircase),
        cmocka_unit_test(pulses_are_one_phase),
        cmocka_unit_test(a_spike_is_kept_as_evidence),
        cmocka_unit_test(repeats_make_no_phases),
        cmocka_unit_test(a_charging_start_is_no_staircase),
        cmocka_unit_test(covers_any_record),
    };
    return cmocka_run_group_tests_name("segmentation", tests, NULL, NULL);
}
