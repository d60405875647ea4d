/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/judge_scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static double even(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return ((double)(*state >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(uint64_t *state)
{
    double radius = sqrt(-2 * log(even(state)));
    return radius * cos(2 * M_PI * even(state));
}

struct judge_scene scene_good(uint64_t seed)
{
    return (struct judge_scene){.steps = {{0.10, 1, 0}, {0.25, 2, 0}, {0.40, 100, 0}},
                                .count = 3,
                                .volts = 13.8,
                                .resting_A = 0.005,
                                .end_s = 8,
                                .interval_s = 0.02,
                                .resolution_A = 0.001,
                                .noise_A = 0.0006,
                                .seed = seed};
}

static const struct scene_step *step_at(const struct judge_scene *scene, double since_s)
{
    int k = 0;
    while (k + 1 < scene->count && since_s >= scene->steps[k].length_s) {
        since_s -= scene->steps[k].length_s;
        k++;
    }
    return &scene->steps[k];
}

void scene_trace(const struct judge_scene *scene, struct trace *trace)
{
    uint64_t state = scene->seed * 2654435761u + 12345;
    for (int i = 0; i < 8; i++)
        (void)even(&state);
    double onset = 0.6;
    double wave_place = (double)(scene->seed * 40503 % 1009) / 1009;
    long index = 0;
    double next_t = 0;
    for (index = 0; next_t < onset + scene->end_s; index++) {
        double t = next_t;
        next_t += scene->interval_s * (0.95 + 0.1 * even(&state));
        bool on = t >= onset && !scene->never_on;
        const struct scene_step *step = step_at(scene, t - onset);
        double current = scene->volts_before ? scene->resting_A : 0;
        if (on)
            current = step->level_A + (index % 2 ? step->swing_A : -step->swing_A);
        /* Each power-up finds it at another place. */
        if (on && scene->wave_s > 0 && step == &scene->steps[scene->count - 1])
            current += scene->wave_A * sin(2 * M_PI * (t / scene->wave_s + wave_place));
        current += scene->noise_A * normal(&state);
        double volts = on || scene->volts_before ? scene->volts + 0.003 * normal(&state) : 0;
        struct reading reading = {.time_s = t,
                                  .voltage_V = nearbyint(volts / 0.01) * 0.01,
                                  .current_A = nearbyint(current / scene->resolution_A) *
                                               scene->resolution_A,
                                  .valid = true,
                                  .output_on = FLAG_UNKNOWN,
                                  .limited = FLAG_UNKNOWN};
        reading_quantise(&reading);
        if (!trace_append(trace, &reading))
            abort();
    }
}

struct reference *scene_reference_like(const struct judge_scene *module, int units, double watch_s)
{
    enum { AGAIN = 3 };
    static const double factors[SCENE_MOST_UNITS] = {1.0,   1.012, 0.99,  1.004, 0.985, 1.016,
                                                     0.997, 1.008, 1.005, 0.993, 1.01,  0.988};
    static const char *const names[SCENE_MOST_UNITS] = {"a", "b", "c", "d", "e", "f",
                                                        "g", "h", "i", "j", "k", "l"};
    struct trace traces[SCENE_MOST_UNITS][AGAIN] = {0};
    struct known_good goods[SCENE_MOST_UNITS] = {0};
    for (int u = 0; u < units; u++) {
        for (int j = 0; j < AGAIN; j++) {
            struct judge_scene scene = *module;
            scene.seed = 100 * (uint64_t)u + (uint64_t)j;
            for (int k = 0; k < scene.count; k++) {
                scene.steps[k].level_A *= factors[u];
                scene.steps[k].length_s *= 1 + 0.02 * ((u + k) % 3 - 1) + 0.004 * (j - 1);
            }
            scene_trace(&scene, &traces[u][j]);
        }
        goods[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = AGAIN};
    }
    struct accuracy accuracy = {.profile = "scene",
                                .current_resolution_A = module->resolution_A,
                                .voltage_resolution_V = 0.01};
    struct reference_request request = {.module_type = "steps",
                                        .nominal_voltage_V = NAN,
                                        .watch_s = watch_s,
                                        .accuracy = module->told ? &accuracy : NULL};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, (size_t)units, &error);
    if (!reference)
        error_print(&error);
    for (int u = 0; u < units; u++)
        for (int j = 0; j < AGAIN; j++)
            trace_clear(&traces[u][j]);
    return reference;
}

struct reference *scene_reference(int units, bool volts_before)
{
    struct judge_scene scene = scene_good(0);
    scene.volts_before = volts_before;
    return scene_reference_like(&scene, units, 6);
}
