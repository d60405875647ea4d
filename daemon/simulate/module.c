/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/module.h"

#include "simulate/circuit.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

enum life { LIFE_OFF, LIFE_ASLEEP, LIFE_RUNNING, LIFE_AFTER_RUN, LIFE_HUNG };

/* Edges inside a module are its regulators' own. */
#define EDGE_S 0.004
/* Ripple's correlation time: about 100 Hz. */
#define RIPPLE_S 0.0016
/* An unsteady draw wanders over such times. */
#define WANDER_S 0.4
/* A cracked joint near its temperature opens and closes over such times, and is
 * half the time open at it; its slope is a few degrees. */
#define JOINT_S 0.8
#define JOINT_SLOPE_C 3.0

struct module {
    struct module_type type;
    struct fault fault;
    gsl_rng *random;
    uint64_t seed, unit;
    double unit_level[MOST_PHASES], unit_duration[MOST_PHASES];

    enum life life;
    bool rail_fell; /* low enough for a power-on reset */
    bool joint_open;
    unsigned power_ups;
    double power_up_level;
    double duration_s[MOST_PHASES];
    int phase; /* index */
    double phase_s, awake_s, left_run_s;
    double target_A, level_A, exponent; /* target and edge-smoothed, at nominal voltage */
    double ripple, wander;              /* unit variance */
    double temperature_rise_C, temperature_C;
};

static uint64_t hash_text(const char *text, uint64_t hash)
{
    for (; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 0x100000001b3ULL; /* FNV-1a */
    return hash;
}

static void reseed(gsl_rng *random, uint64_t unit, uint64_t seed, uint64_t count)
{
    uint64_t mixed = unit ^ (seed * 0x9e3779b97f4a7c15ULL) ^ (count * 0xbf58476d1ce4e5b9ULL);
    mixed = (mixed ^ (mixed >> 31)) * 0x94d049bb133111ebULL;
    gsl_rng_set(random, (unsigned long)(mixed >> 32));
}

struct module *module_create(const struct module_type *type, const char *serial,
                             const struct fault *fault, uint64_t seed)
{
    struct module *module = calloc(1, sizeof *module);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_taus2);
    if (!module || !random) {
        free(module);
        if (random)
            gsl_rng_free(random);
        return NULL;
    }
    module->type = *type;
    module->fault = *fault;
    module->random = random;
    module->seed = seed;
    module->unit = hash_text(serial, hash_text(type->name, 0xcbf29ce484222325ULL));
    module->rail_fell = true;
    module->power_up_level = 1;
    module->temperature_C = 23;
    /* The unit is what it is whatever the seed: its serial alone counts. */
    reseed(random, module->unit, 0, 0);
    double common = gsl_ran_gaussian(random, type->unit_level);
    double pace = gsl_ran_gaussian(random, type->unit_duration);
    for (int i = 0; i < type->phase_count; i++) {
        module->unit_level[i] = 1 + common + gsl_ran_gaussian(random, type->unit_phase_level);
        module->unit_duration[i] = exp(pace + gsl_ran_gaussian(random, type->unit_duration / 2));
    }
    return module;
}

void module_destroy(struct module *module)
{
    if (!module)
        return;
    gsl_rng_free(module->random);
    free(module);
}

const struct module_type *module_type_of(const struct module *module)
{
    return &module->type;
}

static void begin_boot(struct module *module)
{
    module->life = LIFE_RUNNING;
    module->phase = module->fault.missing_phase == 1 && module->type.phase_count > 1 ? 1 : 0;
    module->phase_s = module->awake_s = 0;
}

/* A power-up, not a restart: what differs from one to the next is drawn here. */
static void begin_power_up(struct module *module)
{
    const struct module_type *type = &module->type;
    module->power_ups++;
    reseed(module->random, module->unit, module->seed + 1, module->power_ups);
    module->power_up_level = 1 + gsl_ran_gaussian(module->random, type->power_up_level);
    for (int i = 0; i < type->phase_count; i++) {
        double late = module->fault.late_phase == i + 1 ? module->fault.late_factor : 1;
        module->duration_s[i] = type->phases[i].duration_s * module->unit_duration[i] * late *
                                exp(gsl_ran_gaussian(module->random, type->power_up_duration));
    }
    begin_boot(module);
}

static void follow_phases(struct module *module, double step_s)
{
    module->phase_s += step_s;
    module->awake_s += step_s;
    if (module->fault.restart_s > 0 && module->awake_s >= module->fault.restart_s) {
        begin_boot(module);
        return;
    }
    while (module->phase_s >= module->duration_s[module->phase] &&
           module->phase + 1 < module->type.phase_count &&
           module->fault.stall_phase != module->phase + 1) {
        module->phase_s -= module->duration_s[module->phase];
        module->phase++;
        if (module->fault.missing_phase == module->phase + 1 &&
            module->phase + 1 < module->type.phase_count)
            module->phase++;
    }
}

/* What wakes, runs on, sleeps. */
static void live(struct module *module, const struct module_surroundings *around, double step_s)
{
    const struct module_type *type = &module->type;
    bool told_to_run = (around->ignition || !type->ignition) && !module->fault.no_wake;
    switch (module->life) {
    case LIFE_OFF:
        if (around->voltage_V < type->wakes_above_V)
            return;
        /* Without a power-on reset some stand where the sag left them. */
        if (!module->rail_fell && type->hangs_without_reset)
            module->life = LIFE_HUNG;
        else
            module->life = LIFE_ASLEEP;
        module->rail_fell = false;
        return;
    case LIFE_ASLEEP:
        if (told_to_run)
            begin_power_up(module);
        return;
    case LIFE_RUNNING:
        if (told_to_run) {
            follow_phases(module, step_s);
        } else {
            module->life = LIFE_AFTER_RUN;
            module->left_run_s = type->after_run_s;
        }
        return;
    case LIFE_AFTER_RUN:
        module->left_run_s -= step_s;
        if (told_to_run)
            module->life = LIFE_RUNNING;
        else if (module->left_run_s <= 0)
            module->life = LIFE_ASLEEP;
        return;
    case LIFE_HUNG:
        return;
    }
}

/* The phase's level just now at the nominal voltage, without unit and fault. */
static double phase_level(const struct module *module)
{
    const struct module_phase *phase = &module->type.phases[module->phase];
    double level = phase->level_A;
    double duration = module->duration_s[module->phase];
    if (phase->end_level_A != phase->level_A)
        level += (phase->end_level_A - phase->level_A) * fmin(module->phase_s / duration, 1);
    if (phase->decay_A > 0)
        level += phase->decay_A * exp(-module->phase_s / phase->decay_s);
    if (phase->pulse_A > 0 && fmod(module->phase_s, phase->pulse_period_s) < phase->pulse_width_s)
        level += phase->pulse_A;
    return level;
}

static void step_wander(struct module *module, double step_s)
{
    double keep = exp(-step_s / WANDER_S);
    module->wander =
        module->wander * keep + gsl_ran_gaussian_ziggurat(module->random, sqrt(1 - keep * keep));
}

static double running_target(struct module *module, double step_s)
{
    const struct module_type *type = &module->type;
    const struct module_phase *phase = &type->phases[module->phase];
    double target = phase_level(module);
    if (module->phase == type->phase_count - 1)
        target *= module->fault.final_scale *
                  (1 + type->warm_up_share * -expm1(-module->phase_s / type->warm_up_s));
    /* An open joint leaves the processor without supply: what is left is what
     * the first phase draws. */
    if (module->joint_open)
        target = type->phases[0].level_A;
    if (module->fault.unsteady_share > 0) {
        step_wander(module, step_s);
        target *= fmax(0, 1 + module->fault.unsteady_share * module->wander);
    }
    if (phase->ripple_A > 0) {
        double keep = exp(-step_s / RIPPLE_S);
        module->ripple = module->ripple * keep +
                         gsl_ran_gaussian_ziggurat(module->random, sqrt(1 - keep * keep));
        target += phase->ripple_A * module->ripple;
    }
    return fmax(0, target * module->unit_level[module->phase] * module->power_up_level);
}

static void warm(struct module *module, const struct module_surroundings *around, double step_s)
{
    bool awake = module->life == LIFE_RUNNING || module->life == LIFE_AFTER_RUN;
    double aim = awake ? module->type.self_heating_C : 0;
    module->temperature_rise_C +=
        (aim - module->temperature_rise_C) * -expm1(-step_s / module->type.self_heating_s);
    module->temperature_C = around->ambient_C + module->temperature_rise_C;
}

static void move_joint(struct module *module, double step_s)
{
    if (!module->fault.joint)
        return;
    if (gsl_rng_uniform(module->random) >= step_s / JOINT_S)
        return;
    double above = (module->temperature_C - module->fault.joint_opens_C) / JOINT_SLOPE_C;
    bool open = gsl_rng_uniform(module->random) < 1 / (1 + exp(-above));
    if (module->joint_open && !open && module->life == LIFE_RUNNING)
        begin_boot(module);
    module->joint_open = open;
}

void module_step(struct module *module, const struct module_surroundings *around, double step_s)
{
    const struct module_type *type = &module->type;
    if (around->voltage_V < type->resets_below_V)
        module->rail_fell = true;
    if (module->life != LIFE_OFF && around->voltage_V < type->drops_below_V)
        module->life = LIFE_OFF;
    warm(module, around, step_s);
    move_joint(module, step_s);
    live(module, around, step_s);
    module->exponent = 0;
    switch (module->life) {
    case LIFE_OFF:
        /* Below the lock-out what is left is a divider. */
        module->exponent = 1;
        module->target_A = type->quiescent_A / 2;
        module->level_A = module->target_A;
        return;
    case LIFE_ASLEEP:
        module->target_A =
            type->ignition && !module->fault.no_wake ? type->sleep_A : type->quiescent_A;
        break;
    case LIFE_RUNNING:
        module->exponent = type->phases[module->phase].exponent;
        module->target_A = running_target(module, step_s);
        break;
    case LIFE_AFTER_RUN:
        module->target_A = type->after_run_A * module->unit_level[type->phase_count - 1];
        break;
    case LIFE_HUNG:
        module->exponent = type->phases[0].exponent;
        module->target_A = type->phases[0].level_A * module->unit_level[0];
        break;
    }
    module->level_A += (module->target_A - module->level_A) * -expm1(-step_s / EDGE_S);
}

double module_draw_A(const struct module *module, double voltage_V)
{
    double nominal_V = module->type.nominal_V;
    double draw = load_current_A(module->level_A, nominal_V, module->exponent, voltage_V);
    /* Between steps a voltage may be lower than any that the converters work
     * at; they do not draw ever more there. */
    double floor_V = module->type.drops_below_V * 0.8;
    if (module->exponent < 0 && voltage_V < floor_V)
        draw = load_current_A(module->level_A, nominal_V, module->exponent, floor_V) * voltage_V /
               floor_V;
    return draw;
}

int module_phase(const struct module *module)
{
    return module->life == LIFE_RUNNING ? module->phase + 1 : 0;
}

const char *module_state(const struct module *module)
{
    switch (module->life) {
    case LIFE_OFF:
        return "off";
    case LIFE_ASLEEP:
        return "asleep";
    case LIFE_RUNNING:
        return "running";
    case LIFE_AFTER_RUN:
        return "after-run";
    case LIFE_HUNG:
        break;
    }
    return "hung";
}

unsigned module_power_ups(const struct module *module)
{
    return module->power_ups;
}

double module_temperature_C(const struct module *module)
{
    return module->temperature_C;
}

double module_duration_s(const struct module *module, int phase)
{
    return module->duration_s[phase - 1];
}
