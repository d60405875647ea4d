/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What can be wrong with the simulated module, as text:
 *
 *   none
 *   stall:PHASE              stays in that phase (from 1)
 *   low:PERCENT high:PERCENT the final draw is that much lower or higher
 *   restart:SECONDS          begins again every so often
 *   short open reversed no-wake
 *   late:PHASE:FACTOR        that phase lasts FACTOR times as long
 *   missing:PHASE            that phase does not come
 *   leakage:AMPERES          a resistive draw across the input, at nominal voltage
 *   joint:CELSIUS            an intermittent joint that opens above that temperature
 *   unsteady:PERCENT         the draw wanders by that much (rms)
 *
 * Several at once are joined by "+": "low:15+late:2:2".
 */
#ifndef WAKEDRAW_SIMULATE_FAULT_H
#define WAKEDRAW_SIMULATE_FAULT_H

#include "base/error.h"

#include <stdbool.h>

struct fault {
    int stall_phase;    /* 0: none; phases count from 1 */
    double final_scale; /* 1: as it should be */
    double restart_s;   /* 0: none */
    bool short_circuit, open_feed, reversed, no_wake;
    int late_phase; /* 0: none */
    double late_factor;
    int missing_phase; /* 0: none */
    double leakage_A;
    bool joint;
    double joint_opens_C;
    double unsteady_share; /* rms; 0: steady */
};

/* -1 with what was found and what is expected; *fault is then unchanged. */
int fault_parse(const char *text, int phase_count, struct fault *fault, struct error *error);

#endif
