/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A made-up module in three steps, as traces for tests of learning and judging:
 * 0.10 A for 1 s, 0.25 A for 2 s, then 0.40 A, at 13.8 V and 50 readings/s.
 */
#ifndef TESTS_SUPPORT_JUDGE_SCENE_H
#define TESTS_SUPPORT_JUDGE_SCENE_H

#include "reference/reference.h"

#include <stdint.h>

enum { SCENE_MOST_STEPS = 12, SCENE_MOST_UNITS = 12 };

struct scene_step {
    double level_A, length_s; /* the last goes on to the end */
    double swing_A;           /* up and down by this every other reading */
};

struct judge_scene {
    struct scene_step steps[SCENE_MOST_STEPS];
    int count;
    double volts, resting_A, end_s; /* end_s: of the record, from onset */
    bool volts_before;              /* the voltage is up before onset */
    bool never_on;
    bool told; /* the reference is told the supply's resolution; else it finds it */
    double interval_s, resolution_A, noise_A;
    double wave_A, wave_s; /* a sine about the last step's level: amplitude and period */
    uint64_t seed;
};

/* The module as it should be. */
struct judge_scene scene_good(uint64_t seed);

/* The readings, 0.6 s from before onset included. */
void scene_trace(const struct judge_scene *scene, struct trace *trace);

/* A reference taught by so many units of the module, three power-ups each, at its
 * rate and resolution. */
struct reference *scene_reference_like(const struct judge_scene *module, int units, double watch_s);

/* A reference taught by `units` units of three power-ups each. */
struct reference *scene_reference(int units, bool volts_before);

#endif
