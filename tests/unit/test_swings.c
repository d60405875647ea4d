/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Draws that swing smoothly (sine, triangle, rounded pulses) at 8 to 100 uneven
 * readings a second are one periodic phase; noise, drift, ramps, decays and boots
 * have no period. WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "signature/segment.h"
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

enum { MOST_READINGS = 4000, SWINGS = 1000, STILL = 1000 };

enum wave_form { SINE, TRIANGLE, ROUNDED, WAVE_FORMS };

struct made {
    double rate_hz, jitter, count_A, noise_A;
    double repeats; /* of a conversion */
    double boot_A[2], boot_s[2];
    double level_A, swing_A, period_s, phase, lasts_s;
    enum wave_form form;
};

static uint64_t seed_of_run(void)
{
    const char *text = getenv("WAKEDRAW_TEST_SEED");
    return text ? strtoull(text, NULL, 10) : (uint64_t)time(NULL);
}

static double between(uint64_t *random, double low, double high)
{
    return low + (high - low) * scene_uniform(random);
}

/* From -1 to 1; its mean over a period is 0. */
static double form_at(enum wave_form form, double turns)
{
    double part = turns - floor(turns);
    switch (form) {
    case TRIANGLE:
        return part < 0.5 ? 4 * part - 1 : 3 - 4 * part;
    case ROUNDED: {
        /* A raised cosine over six tenths of the period, none between. */
        double bump = part < 0.6 ? 0.5 - 0.5 * cos(2 * M_PI * part / 0.6) : 0;
        return 2 * (bump - 0.3);
    }
    case SINE:
    case WAVE_FORMS:
        break;
    }
    return sin(2 * M_PI * turns);
}

static double draw_A(const struct made *made, double time_s)
{
    if (time_s < made->boot_s[0])
        return made->boot_A[0];
    if (time_s < made->boot_s[0] + made->boot_s[1])
        return made->boot_A[1];
    return made->level_A +
           made->swing_A * form_at(made->form, time_s / made->period_s + made->phase);
}

static size_t read_made(const struct made *made, uint64_t *random, struct reading *readings)
{
    double end_s = made->boot_s[0] + made->boot_s[1] + made->lasts_s;
    double time_s = scene_uniform(random) / made->rate_hz;
    double shown = 0;
    size_t count = 0;
    for (; time_s < end_s && count < MOST_READINGS; count++) {
        if (count == 0 || made->repeats <= 1 || scene_uniform(random) < 1 / made->repeats)
            shown = draw_A(made, time_s) + made->noise_A * scene_normal(random);
        readings[count] =
            (struct reading){.time_s = time_s,
                             .voltage_V = 12,
                             .current_A = nearbyint(shown / made->count_A) * made->count_A,
                             .valid = true,
                             .output_on = FLAG_UNKNOWN,
                             .limited = FLAG_UNKNOWN};
        time_s += (1 + made->jitter * (2 * scene_uniform(random) - 1)) / made->rate_hz;
    }
    return count;
}

static struct made any_swing(uint64_t *random)
{
    static const double rates[] = {8, 14, 20, 50, 100};
    static const double counts[] = {1e-4, 1e-3, 1e-2};
    struct made made = {.rate_hz = rates[(size_t)(5 * scene_uniform(random))],
                        .jitter = between(random, 0, 0.4),
                        .count_A = counts[(size_t)(3 * scene_uniform(random))],
                        .level_A = between(random, 0.2, 0.6),
                        .phase = scene_uniform(random),
                        .form = (enum wave_form)(WAVE_FORMS * scene_uniform(random))};
    made.swing_A = fmax(made.level_A * between(random, 0.05, 0.3), 1.5 * made.count_A);
    made.noise_A = hypot(made.swing_A * between(random, 0.02, 0.35), 0.1 * made.count_A);
    made.period_s = between(random, fmax(0.5, 5 / made.rate_hz), 5);
    made.lasts_s = made.period_s * between(random, 4, 12);
    made.boot_A[0] = made.level_A * between(random, 0.1, 0.4);
    made.boot_A[1] = made.level_A * between(random, 0.45, 0.6);
    made.boot_s[0] = fmax(between(random, 0.5, 2), 6 / made.rate_hz);
    made.boot_s[1] = fmax(between(random, 0.5, 2), 6 / made.rate_hz);
    return made;
}

struct tally {
    size_t made, found, near, one_phase, level;
    double worst_period; /* share */
};

static void look_at(const struct made *made, const struct phases *phases, struct tally *tally)
{
    const struct phase *last = &phases->items[phases->count - 1];
    double boot_s = made->boot_s[0] + made->boot_s[1];
    tally->made++;
    bool found = last->kind == PHASE_PERIODIC && fabs(last->period_s / made->period_s - 1) < 0.05;
    tally->found += found;
    double slack_s = fmax(2.5 / made->rate_hz, 0.35 * made->period_s);
    bool one = found && fabs(last->from_s - boot_s) <= slack_s;
    tally->one_phase += one;
    if (!found)
        return;
    double off = fabs(last->period_s / made->period_s - 1);
    tally->near += off < 0.01;
    tally->worst_period = fmax(tally->worst_period, off);
    double level_slack_A = 0.1 * made->swing_A + 0.5 * made->count_A;
    tally->level += fabs(last->level_A - made->level_A) < level_slack_A;
}

static void a_swing_is_one_phase(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    uint64_t random = seed;
    struct tally tally = {0};
    static struct reading readings[MOST_READINGS];
    for (size_t k = 0; k < SWINGS; k++) {
        struct made made = any_swing(&random);
        size_t count = read_made(&made, &random, readings);
        struct segment_options options = {.resolution_A = k % 2 ? made.count_A : 0};
        struct phases phases;
        assert_int_equal(segment_readings(readings, count, &options, &phases), 0);
        look_at(&made, &phases, &tally);
        phases_clear(&phases);
    }
    print_message("seed %llu: of %zu swings %zu have their period within 5 %%, %zu within 1 %% (at "
                  "most %.4f off), %zu are one phase from their beginning on, %zu with their "
                  "mean\n",
                  (unsigned long long)seed, tally.made, tally.found, tally.near, tally.worst_period,
                  tally.one_phase, tally.level);
    assert_true(100 * tally.found >= 97 * tally.made);
    assert_true(100 * tally.near >= 95 * tally.made);
    assert_true(100 * tally.one_phase >= 95 * tally.made);
    assert_true(100 * tally.level >= 94 * tally.made);
}

enum still { NOISE, CORRELATED, DRIFT, RAMP, DECAY, WANDER, BOOT, STILL_KINDS };

static const char *const still_names[STILL_KINDS] = {"noise", "correlated noise", "drift", "ramp",
                                                     "decay", "wandering",        "boots"};

/* Without a period, however it moves. */
static size_t read_still(enum still kind, uint64_t *random, struct reading *readings)
{
    static const double rates[] = {8, 14, 20, 50, 100};
    static const double counts[] = {1e-4, 1e-3, 1e-2};
    double rate_hz = rates[(size_t)(5 * scene_uniform(random))];
    double count_A = counts[(size_t)(3 * scene_uniform(random))];
    double level_A = between(random, 0.1, 0.6);
    double noise_A = level_A * between(random, 0.002, 0.05) + 0.2 * count_A;
    double lasts_s = between(random, 5, 40);
    double correlation = between(random, 0.3, 0.9);
    double change_A = level_A * between(random, -0.5, 1);
    double time_s = 0;
    double before = scene_normal(random);
    double next_s = 0;
    double step_A = level_A;
    size_t count = 0;
    for (; time_s < lasts_s && count < MOST_READINGS; count++) {
        double part = time_s / lasts_s;
        double draw = level_A;
        before = kind == CORRELATED ? correlation * before +
                                          sqrt(1 - correlation * correlation) * scene_normal(random)
                                    : scene_normal(random);
        if (kind == DRIFT)
            draw += 0.05 * change_A * part + 0.05 * change_A * part * part;
        if (kind == RAMP)
            draw += change_A * fmin(1, part * 2);
        if (kind == DECAY)
            draw += change_A * exp(-part * 6);
        if ((kind == BOOT || kind == WANDER) && time_s >= next_s) {
            step_A = kind == BOOT ? level_A * between(random, 0.3, 1)
                                  : fmax(0.05, step_A + 0.15 * level_A * scene_normal(random));
            next_s = time_s + between(random, 0.05, 0.25) * lasts_s;
        }
        if (kind == BOOT || kind == WANDER)
            draw = step_A;
        draw = nearbyint((draw + noise_A * before) / count_A) * count_A;
        readings[count] = (struct reading){.time_s = time_s,
                                           .voltage_V = 12,
                                           .current_A = draw,
                                           .valid = true,
                                           .output_on = FLAG_UNKNOWN,
                                           .limited = FLAG_UNKNOWN};
        time_s += between(random, 0.7, 1.3) / rate_hz;
    }
    return count;
}

static void what_has_no_period_gets_none(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    uint64_t random = seed + 1;
    static struct reading readings[MOST_READINGS];
    for (int kind = 0; kind < STILL_KINDS; kind++) {
        size_t periodic = 0;
        for (size_t k = 0; k < STILL; k++) {
            size_t count = read_still((enum still)kind, &random, readings);
            struct phases phases;
            assert_int_equal(segment_readings(readings, count, NULL, &phases), 0);
            bool any = false;
            for (size_t i = 0; i < phases.count; i++)
                any = any || phases.items[i].kind == PHASE_PERIODIC;
            periodic += any;
            phases_clear(&phases);
        }
        print_message("seed %llu: %s: %zu of %d with a period\n", (unsigned long long)seed,
                      still_names[kind], periodic, STILL);
        assert_in_range(periodic, 0, kind == CORRELATED ? STILL / 100 : STILL / 200);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_swing_is_one_phase),
        cmocka_unit_test(what_has_no_period_gets_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
