/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A type of simulated module as an INI file: what it draws as it wakes, and
 * how much its units and its power-ups differ. Levels are stated at the
 * nominal voltage. The keys are listed in
 * signatures/harbour-lane/modules/README.md.
 */
#ifndef WAKEDRAW_SIMULATE_MODULE_TYPE_H
#define WAKEDRAW_SIMULATE_MODULE_TYPE_H

#include "base/error.h"

#include <stdbool.h>

enum { MOST_PHASES = 16 };

struct module_phase {
    char name[80];
    double duration_s; /* INFINITY: the last one, which stays */
    double level_A;
    double end_level_A; /* a ramp from level_A where it differs, over duration_s */
    double exponent;    /* the load law: -1 constant power, 0 linear, +1 resistive */
    double decay_A;     /* on top, dying away; 0: none */
    double decay_s;
    double pulse_A; /* on top, at the start of each period; 0: none */
    double pulse_period_s, pulse_width_s;
    double ripple_A; /* rms, around 100 Hz */
};

struct module_type {
    char path[512];
    char name[128];
    double nominal_V;
    double limit_A; /* what a hand would set on the supply */
    double input_capacitor_F;
    double wakes_above_V, drops_below_V; /* undervoltage lock-out */
    double resets_below_V;               /* the rail must fall so low for a power-on reset */
    bool hangs_without_reset;            /* after a sag that was none; else it boots again */
    bool ignition;                       /* has an ignition feed (15); it sleeps without */
    double sleep_A;                      /* battery feed (30) alone */
    double quiescent_A;                  /* powered, nothing awake */
    double after_run_A, after_run_s;
    double warm_up_share, warm_up_s; /* the draw drifts by this share as it warms */
    double self_heating_C, self_heating_s;
    /* relative standard deviations */
    double unit_level, unit_phase_level, unit_duration;
    double power_up_level, power_up_duration;
    struct module_phase phases[MOST_PHASES];
    int phase_count;
};

/* -1 with file, line, key and what was expected. */
int module_type_read(const char *path, struct module_type *type, struct error *error);

/* A name among the invented types (bilge-pump) or a path (with a slash or
 * ending in .ini), read. */
int module_type_find(const char *name_or_path, struct module_type *type, struct error *error);

#endif
