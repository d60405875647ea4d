/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The circuit between a bench supply and a module: a source with a current
 * limit behind a resistance, a capacitor at the module's input, and what draws
 * from that capacitor. Pure; time comes in as steps.
 *
 * Each step is solved exactly (it is linear once the load current is held), the
 * change between constant voltage and constant current included, so the step
 * may be longer than the circuit's own time constant.
 */
#ifndef WAKEDRAW_SIMULATE_CIRCUIT_H
#define WAKEDRAW_SIMULATE_CIRCUIT_H

#include <stdbool.h>

struct circuit {
    double capacitor_F;  /* > 0 */
    double series_ohm;   /* > 0: source and leads */
    double shunt_S;      /* conductance across the capacitor; 0: none */
    double shunt_from_V; /* it conducts above this only (a diode); 0: a resistor */
    double capacitor_V;  /* the state */
    bool connected;      /* the plug is in */
};

struct circuit_source {
    double emf_V;
    double limit_A; /* most it gives */
    double sink_A;  /* most it takes back */
};

struct circuit_flow {
    double charge_C;  /* out of the source during the step; negative: into it */
    double current_A; /* at the step's end */
    bool limited;     /* in current limit at the step's end */
};

/* Draws `load_A` (held) from the capacitor for step_s. The capacitor never goes
 * below 0 V. */
struct circuit_flow circuit_step(struct circuit *circuit, const struct circuit_source *source,
                                 double load_A, double step_s);

/* What draws from the capacitor at a voltage. */
typedef double circuit_load(const void *context, double voltage_V);

/* As circuit_step with a load that depends on the voltage: it is taken at the
 * voltage in the middle of the step (second order in the step). */
struct circuit_flow circuit_step_load(struct circuit *circuit, const struct circuit_source *source,
                                      circuit_load *load, const void *context, double step_s);

/* The load law: `level_A` at the nominal voltage, exponent -1 constant power,
 * 0 constant current (a linear regulator), +1 resistive, or between. 0 at 0 V. */
double load_current_A(double level_A, double nominal_V, double exponent, double voltage_V);

#endif
