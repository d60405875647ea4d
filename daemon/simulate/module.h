/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One unit of a module type, alive: it wakes, goes through its phases, stays,
 * runs on, sleeps. Pure and deterministic: the same type, unit, seed and steps
 * give the same draw.
 */
#ifndef WAKEDRAW_SIMULATE_MODULE_H
#define WAKEDRAW_SIMULATE_MODULE_H

#include "simulate/fault.h"
#include "simulate/module_type.h"

#include <stdbool.h>
#include <stdint.h>

struct module;

/* The type is copied. The unit's serial decides its own deviations, the seed
 * and the count of power-ups those of a power-up. NULL: memory is out. */
struct module *module_create(const struct module_type *type, const char *serial,
                             const struct fault *fault, uint64_t seed);
void module_destroy(struct module *module);

const struct module_type *module_type_of(const struct module *module);

struct module_surroundings {
    double voltage_V; /* at its input capacitor */
    bool ignition;    /* the switched feed is on */
    double ambient_C;
};

/* Lets step_s pass. */
void module_step(struct module *module, const struct module_surroundings *around, double step_s);

/* What it draws from its capacitor just now at that voltage. */
double module_draw_A(const struct module *module, double voltage_V);

/* 0: not awake; else the phase it is in, from 1. */
int module_phase(const struct module *module);
/* "off", "asleep", "running", "after-run", "hung" */
const char *module_state(const struct module *module);
unsigned module_power_ups(const struct module *module);
double module_temperature_C(const struct module *module);

/* The unit's own duration of a phase (from 1) in the present power-up. */
double module_duration_s(const struct module *module, int phase);

#endif
