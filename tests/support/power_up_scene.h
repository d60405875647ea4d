/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bench in a few lines, for the tests of the power-up machine: switches that
 * somebody throws, a module that draws its phases while it is fed, a supply
 * that reads all of it back with its own faults.
 */
#ifndef WAKEDRAW_TESTS_POWER_UP_SCENE_H
#define WAKEDRAW_TESTS_POWER_UP_SCENE_H

#include "base/reading.h"
#include "signature/power_up.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum scene_switch { SCENE_OUTPUT, SCENE_FEED, SCENE_PLUG };

struct scene_turn {
    double at_s;
    enum scene_switch which;
    bool on;
};

struct scene_phase {
    double lasts_s, draw_A; /* the last one lasts for ever */
};

struct scene {
    double from_s, to_s, rate_hz, jitter; /* jitter: share of an interval */
    double set_V, slew_V_per_s, decay_s;  /* decay_s: voltage's time constant once off */
    double resolution_A, noise_A, offset_A, resolution_V;
    double resting_A; /* drawn with the feed off */
    double inrush_A, inrush_s;
    bool output, feed, plug; /* before the first turn */
    bool has_flag;           /* the supply tells its output state */
    double invalid_share, stray_share;
    double sag_from_s, sag_to_s, sag_V, sag_A; /* a stretch in current limit; from > to: none */
    bool has_limited;
    const struct scene_turn *turns;
    size_t turn_count;
    const struct scene_phase *phases;
    size_t phase_count;
    bool loops; /* the phases repeat */
};

/* A plain bench at 12 V: 20 readings/s, 1 mA, quiet; everything on but the output. */
struct scene scene_usual(void);

/* Readings of the scene, appended to an empty trace. */
void scene_play(const struct scene *scene, uint64_t seed, struct trace *trace);

/* What the machine said about a row. */
struct scene_power_up {
    double began_at_s, onset_s, keep_from_s, watched_at_s, ended_at_s, ended_s; /* NAN: not */
    enum power_up_end end;
    double baseline_A;
    size_t baseline_readings;
};

enum { SCENE_MOST = 64 };

/* Runs a fresh machine over the readings; how many power-ups, the first
 * SCENE_MOST of them in found. */
size_t scene_watch(const struct reading *readings, size_t count, const struct power_up_rules *rules,
                   struct scene_power_up *found);

/* Uniform in 0..1, normal; state is any number. */
double scene_uniform(uint64_t *state);
double scene_normal(uint64_t *state);

#endif
