/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How well a supply reads back: what its profile states and what the judging
 * needs. Percent in the profile file, shares here.
 */
#ifndef WAKEDRAW_BASE_ACCURACY_H
#define WAKEDRAW_BASE_ACCURACY_H

struct accuracy {
    char profile[64];            /* the profile's name; empty: not known */
    double current_resolution_A; /* one count of the readback; 0: not stated */
    double current_gain;         /* share of reading, 0.001 is 0.1 % */
    double current_offset_A;
    double voltage_resolution_V; /* 0: not stated */
    double voltage_gain;
    double voltage_offset_V;
};

#endif
