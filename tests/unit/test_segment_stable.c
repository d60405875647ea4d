/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The cut must not hang on its penalty: changes that matter are found where they
 * are with half of it and with twice. Random boots of levels, ramps and decays,
 * by supplies of 8 to 100 readings a second and 0.1 to 10 mA.
 * WAKEDRAW_TEST_SEED=N repeats a run.
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

enum { BOOTS = 400, MOST_STEPS = 7, MOST_READINGS = 4000 };

struct boot {
    struct reading readings[MOST_READINGS];
    size_t count;
    double change_s[MOST_STEPS];
    double jump_A[MOST_STEPS], size_A[MOST_STEPS];
    size_t steps; /* a change before each but the first */
    double interval_s, noise_A, step_A;
};

static double between(uint64_t *random, double low, double high)
{
    return low + (high - low) * scene_uniform(random);
}

static void make_boot(uint64_t *random, struct boot *boot)
{
    static const double rates[] = {8, 28, 60, 100};
    static const double steps_A[] = {0.0001, 0.001, 0.01};
    boot->interval_s = 1 / rates[(size_t)(scene_uniform(random) * 4)];
    boot->step_A = steps_A[(size_t)(scene_uniform(random) * 3)];
    boot->noise_A = boot->step_A * between(random, 0.2, 2);
    boot->steps = 3 + (size_t)(scene_uniform(random) * 4);
    boot->count = 0;
    double time_s = 0;
    double until_s = 0;
    double before_A = NAN;
    for (size_t k = 0; k < boot->steps; k++) {
        double level = between(random, 0.05, 0.6);
        double ends = scene_uniform(random) < 0.2 ? level * between(random, 1.3, 2) : level;
        double decay = scene_uniform(random) < 0.2 ? level * 0.5 : 0;
        double length_s = fmax(between(random, 0.4, 2.5), 8 * boot->interval_s);
        boot->change_s[k] = until_s;
        boot->jump_A[k] = fabs(level + decay - before_A);
        boot->size_A[k] = fmax(level + decay, before_A);
        double from_s = until_s;
        until_s += length_s;
        for (; time_s < until_s && boot->count < MOST_READINGS; time_s += boot->interval_s) {
            double since = time_s - from_s;
            double draw = level + (ends - level) * since / length_s + decay * exp(-since / 0.15);
            draw += boot->noise_A * scene_normal(random);
            draw = nearbyint(draw / boot->step_A) * boot->step_A;
            boot->readings[boot->count++] = (struct reading){.time_s = time_s,
                                                             .voltage_V = 24,
                                                             .current_A = draw,
                                                             .valid = true,
                                                             .output_on = FLAG_UNKNOWN,
                                                             .limited = FLAG_UNKNOWN};
        }
        before_A = ends + decay * exp(-length_s / 0.15);
    }
}

/* Beyond six standard deviations, one count and a half and a share of the level. */
static bool matters(const struct boot *boot, size_t k)
{
    double noise = hypot(boot->noise_A, boot->step_A / sqrt(12));
    return boot->jump_A[k] > fmax(fmax(6 * noise, 1.5 * boot->step_A), 0.06 * boot->size_A[k]);
}

static bool is_found(const struct phases *phases, const struct boot *boot, size_t k)
{
    for (size_t i = 1; i < phases->count; i++)
        if (fabs(phases->items[i].from_s - boot->change_s[k]) <= 2.1 * boot->interval_s)
            return true;
    return false;
}

static void test_changes_that_matter_stay_when_the_penalty_moves(void **state)
{
    (void)state;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : (uint64_t)time(NULL);
    uint64_t random = seed;
    static const double factors[] = {1, 0.5, 2};
    size_t found[3] = {0};
    size_t phases_seen[3] = {0};
    size_t mattering = 0;
    struct boot *boot = calloc(1, sizeof *boot);
    assert_non_null(boot);
    for (int b = 0; b < BOOTS; b++) {
        make_boot(&random, boot);
        for (size_t k = 1; k < boot->steps; k++)
            mattering += matters(boot, k);
        for (size_t f = 0; f < 3; f++) {
            struct segment_options options = {.resolution_A = boot->step_A,
                                              .penalty_factor = factors[f]};
            struct phases phases = {0};
            assert_int_equal(segment_readings(boot->readings, boot->count, &options, &phases), 0);
            for (size_t k = 1; k < boot->steps; k++)
                found[f] += matters(boot, k) && is_found(&phases, boot, k);
            phases_seen[f] += phases.count;
            phases_clear(&phases);
        }
    }
    free(boot);
    for (size_t f = 0; f < 3; f++)
        print_message(
            "penalty x %.1f: %.2f %% of %zu changes found, %.2f phases a boot (seed %llu)\n",
            factors[f], 100.0 * (double)found[f] / (double)mattering, mattering,
            (double)phases_seen[f] / BOOTS, (unsigned long long)seed);
    for (size_t f = 0; f < 3; f++)
        assert_true((double)found[f] >= 0.96 * (double)mattering);
    /* Half the penalty adds little, twice takes little away. */
    assert_true((double)phases_seen[1] <= 1.15 * (double)phases_seen[0]);
    assert_true((double)phases_seen[2] >= 0.93 * (double)phases_seen[0]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_changes_that_matter_stay_when_the_penalty_moves)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
