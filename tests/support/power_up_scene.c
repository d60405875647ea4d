/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/power_up_scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

double scene_uniform(uint64_t *state)
{
    /* splitmix64 */
    uint64_t z = (*state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    z ^= z >> 31;
    return ((double)(z >> 11) + 0.5) / 9007199254740992.0;
}

double scene_normal(uint64_t *state)
{
    double u = scene_uniform(state);
    double v = scene_uniform(state);
    return sqrt(-2 * log(u)) * cos(6.283185307179586 * v);
}

struct scene scene_usual(void)
{
    static const struct scene_phase boot[] = {{0.5, 0.05}, {0.8, 0.12}, {0.6, 0.19}, {1, 0.25}};
    return (struct scene){.to_s = 10,
                          .rate_hz = 20,
                          .jitter = 0.1,
                          .set_V = 12,
                          .slew_V_per_s = 2400,
                          .decay_s = 0.02,
                          .resolution_A = 1e-3,
                          .resolution_V = 1e-2,
                          .noise_A = 3e-4,
                          .inrush_A = 0.8,
                          .inrush_s = 0.004,
                          .feed = true,
                          .plug = true,
                          .sag_from_s = 1,
                          .phases = boot,
                          .phase_count = 4};
}

/* The switches at an instant, and since when the output and the module are on. */
struct state {
    bool output, feed, plug;
    double output_s, off_s, fed_s;
};

static struct state state_at(const struct scene *scene, double time_s)
{
    struct state s = {scene->output, scene->feed, scene->plug, -1e9, -1e9, -1e9};
    for (size_t i = 0; i < scene->turn_count && scene->turns[i].at_s <= time_s; i++) {
        const struct scene_turn *turn = &scene->turns[i];
        bool was_fed = s.output && s.feed && s.plug;
        if (turn->which == SCENE_OUTPUT) {
            if (turn->on && !s.output)
                s.output_s = turn->at_s;
            if (!turn->on && s.output)
                s.off_s = turn->at_s;
            s.output = turn->on;
        } else if (turn->which == SCENE_FEED) {
            s.feed = turn->on;
        } else {
            s.plug = turn->on;
        }
        if (s.output && s.feed && s.plug && !was_fed)
            s.fed_s = turn->at_s;
    }
    return s;
}

static double phase_draw_A(const struct scene *scene, double since_s)
{
    if (since_s < scene->inrush_s)
        return scene->inrush_A;
    double length_s = 0;
    for (size_t i = 0; i < scene->phase_count; i++)
        length_s += scene->phases[i].lasts_s;
    if (scene->loops)
        since_s = fmod(since_s, length_s);
    for (size_t i = 0; i < scene->phase_count; i++) {
        if (since_s < scene->phases[i].lasts_s)
            return scene->phases[i].draw_A;
        since_s -= scene->phases[i].lasts_s;
    }
    return scene->phases[scene->phase_count - 1].draw_A;
}

static struct reading read_at(const struct scene *scene, double time_s, uint64_t *random)
{
    struct state s = state_at(scene, time_s);
    double volts = 0;
    double amps = 0;
    if (s.output) {
        volts = fmin(scene->set_V, (time_s - s.output_s) * scene->slew_V_per_s);
        if (s.plug && s.feed)
            amps = phase_draw_A(scene, time_s - s.fed_s);
        else if (s.plug)
            amps = scene->resting_A;
        if (time_s >= scene->sag_from_s && time_s < scene->sag_to_s) {
            volts = scene->sag_V;
            amps = scene->sag_A;
        }
    } else if (s.off_s > -1e8) {
        volts = scene->set_V * exp(-(time_s - s.off_s) / scene->decay_s);
    }
    bool sags = s.output && time_s >= scene->sag_from_s && time_s < scene->sag_to_s;
    amps += scene->offset_A + scene->noise_A * scene_normal(random);
    if (scene_uniform(random) < scene->stray_share)
        amps += (scene_uniform(random) - 0.3) * 1.0;
    struct reading r = {.time_s = time_s,
                        .voltage_V = nearbyint(volts / scene->resolution_V) * scene->resolution_V,
                        .current_A = nearbyint(amps / scene->resolution_A) * scene->resolution_A,
                        .valid = true,
                        .output_on =
                            scene->has_flag ? (s.output ? FLAG_YES : FLAG_NO) : FLAG_UNKNOWN,
                        .limited = scene->has_limited ? (sags ? FLAG_YES : FLAG_NO) : FLAG_UNKNOWN};
    if (scene_uniform(random) < scene->invalid_share) {
        r.valid = false;
        r.current_A = NAN;
    }
    reading_quantise(&r);
    return r;
}

void scene_play(const struct scene *scene, uint64_t seed, struct trace *trace)
{
    uint64_t random = seed;
    double time_s = scene->from_s + scene_uniform(&random) / scene->rate_hz;
    while (time_s < scene->to_s) {
        struct reading r = read_at(scene, time_s, &random);
        if (!trace_append(trace, &r)) {
            fprintf(stderr, "memory is out\n");
            exit(1);
        }
        double step = 1 + scene->jitter * (2 * scene_uniform(&random) - 1);
        time_s += fmax(step / scene->rate_hz, 1e-5);
    }
}

size_t scene_watch(const struct reading *readings, size_t count, const struct power_up_rules *rules,
                   struct scene_power_up *found)
{
    struct power_up_machine *m = power_up_create(rules);
    if (!m) {
        fprintf(stderr, "memory is out\n");
        exit(1);
    }
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        enum power_up_event event = power_up_step(m, &readings[i]);
        struct scene_power_up *now = n && n <= SCENE_MOST ? &found[n - 1] : NULL;
        if (event == POWER_UP_BEGAN) {
            if (n++ >= SCENE_MOST)
                continue;
            now = &found[n - 1];
            *now = (struct scene_power_up){.began_at_s = readings[i].time_s,
                                           .onset_s = power_up_onset_s(m),
                                           .keep_from_s = power_up_keep_from_s(m),
                                           .watched_at_s = (double)NAN,
                                           .ended_at_s = (double)NAN,
                                           .ended_s = (double)NAN};
            now->baseline_A = power_up_baseline_A(m, &now->baseline_readings);
        } else if (event == POWER_UP_WATCHED && now) {
            now->watched_at_s = readings[i].time_s;
        } else if (event == POWER_UP_ENDED && now) {
            now->ended_at_s = readings[i].time_s;
            now->ended_s = power_up_ended_s(m);
            now->end = power_up_end(m);
        }
    }
    power_up_destroy(m);
    return n;
}
