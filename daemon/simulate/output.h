/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One output of the simulated supply with what hangs on it: settings,
 * protection, physics, and the readback with its conversion rate, resolution,
 * offset, gain and noise. Time is data (seconds that never go back).
 */
#ifndef WAKEDRAW_SIMULATE_OUTPUT_H
#define WAKEDRAW_SIMULATE_OUTPUT_H

#include "simulate/circuit.h"
#include "simulate/module.h"

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stdint.h>

struct output_options {
    double most_V, most_A;       /* ratings */
    double slew_V_per_s;         /* how fast the voltage rises and falls */
    double source_ohm, lead_ohm; /* what the readback sees, and what it does not */
    double sink_A;               /* what pulls the output down when it is off */
    double conversion_hz;        /* readback renews so often; 0: at every question */
    double aperture_s;           /* a conversion averages over this */
    double resolution_V, resolution_A;
    double gain_V, gain_A; /* share of reading */
    double offset_V, offset_A;
    double noise_V, noise_A; /* rms of a conversion */
    unsigned nan_every;      /* every n-th conversion is not a number; 0: none */
    uint64_t seed;
};

struct output {
    struct output_options options;
    /* what is set */
    double set_V, limit_A, protection_V;
    bool on, protection_tripped;
    /* what the hand did */
    bool plugged, ignition;
    double ambient_C;
    /* physics */
    double time_s, emf_V;
    struct circuit circuit;
    struct circuit_flow flow;
    struct module *module; /* NULL: nothing on it */
    struct fault fault;
    /* readback */
    double charge_C, area_Vs, gathered_s; /* since the aperture opened */
    double next_conversion_s;
    uint64_t conversions;
    double read_V, read_A; /* NAN: not a number */
    bool read_limited;
    gsl_rng *noise;
};

/* Off, 0 V, the limit at its rating, plugged, ignition on. false: memory is out. */
bool output_init(struct output *output, const struct output_options *options, double time_s);
void output_clear(struct output *output);

/* Another unit hangs on it: the old one is taken off, the new one's capacitor is
 * empty. `module` (may be NULL) becomes the output's. */
void output_put_on(struct output *output, struct module *module, const struct fault *fault);

/* Lets time pass up to time_s. */
void output_advance(struct output *output, double time_s);

/* The readback: what a question at that time gets. */
void output_read(struct output *output, double time_s);

void output_switch(struct output *output, bool on);
/* Settings within the ratings: false where they are not, and nothing changes. */
bool output_set_voltage(struct output *output, double voltage_V);
bool output_set_limit(struct output *output, double limit_A);
bool output_set_protection(struct output *output, double voltage_V);
void output_clear_protection(struct output *output);

/* Voltage at the terminals just now, and the current out of them. */
double output_terminal_V(const struct output *output);
double output_current_A(const struct output *output);

#endif
