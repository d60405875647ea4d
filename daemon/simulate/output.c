/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/output.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stddef.h>

/* Physics goes in such steps; a module's edges take a few milliseconds. */
#define STEP_S 0.00025
/* Nothing is on and nothing is stored: nothing happens. */
#define REST_STEP_S 0.05
#define REST_BELOW_V 0.01

/* A short at the connector; a reversed module's clamp diode and its slope. */
#define SHORT_S 20.0
#define CLAMP_S 25.0
#define CLAMP_FROM_V 0.72

bool output_init(struct output *output, const struct output_options *options, double time_s)
{
    *output = (struct output){
        .options = *options,
        .limit_A = options->most_A,
        .protection_V = options->most_V * 1.1,
        .plugged = true,
        .ignition = true,
        .ambient_C = 23,
        .time_s = time_s,
        .next_conversion_s = time_s,
        .circuit = {.capacitor_F = 1e-6, .series_ohm = options->source_ohm + options->lead_ohm},
        .fault = {.final_scale = 1},
        .noise = gsl_rng_alloc(gsl_rng_taus2),
    };
    if (!output->noise)
        return false;
    gsl_rng_set(output->noise, (unsigned long)(options->seed ^ (options->seed >> 32)));
    return true;
}

void output_clear(struct output *output)
{
    module_destroy(output->module);
    if (output->noise)
        gsl_rng_free(output->noise);
    *output = (struct output){0};
}

void output_put_on(struct output *output, struct module *module, const struct fault *fault)
{
    module_destroy(output->module);
    output->module = module;
    output->fault = *fault;
    output->circuit.capacitor_V = 0;
    output->circuit.shunt_S = output->circuit.shunt_from_V = 0;
    if (!module)
        return;
    const struct module_type *type = module_type_of(module);
    output->circuit.capacitor_F = type->input_capacitor_F;
    if (fault->short_circuit) {
        output->circuit.shunt_S = SHORT_S;
    } else if (fault->reversed) {
        output->circuit.shunt_S = CLAMP_S;
        output->circuit.shunt_from_V = CLAMP_FROM_V;
    } else if (fault->leakage_A > 0) {
        output->circuit.shunt_S = fault->leakage_A / type->nominal_V;
    }
}

static void slew(struct output *output, double step_s)
{
    double aim_V = output->on ? output->set_V : 0;
    double most_V = output->options.slew_V_per_s * step_s;
    output->emf_V += fmax(-most_V, fmin(most_V, aim_V - output->emf_V));
}

static double draw(const void *module, double voltage_V)
{
    return module_draw_A(module, voltage_V);
}

static void step(struct output *output, double step_s)
{
    slew(output, step_s);
    if (output->module) {
        output->circuit.connected = output->plugged && !output->fault.open_feed;
        struct module_surroundings around = {output->circuit.capacitor_V, output->ignition,
                                             output->ambient_C};
        module_step(output->module, &around, step_s);
        struct circuit_source source = {output->emf_V, output->on ? output->limit_A : 0,
                                        output->options.sink_A};
        output->flow = circuit_step_load(&output->circuit, &source, draw, output->module, step_s);
    } else {
        output->flow = (struct circuit_flow){0};
        output->circuit.connected = false;
    }
    output->charge_C += output->flow.charge_C;
    output->area_Vs += output_terminal_V(output) * step_s;
    output->gathered_s += step_s;
    output->time_s += step_s;
    if (output->on && output_terminal_V(output) > output->protection_V) {
        output->on = false;
        output->protection_tripped = true;
    }
}

static double rounded(double value, double resolution)
{
    double whole = resolution > 0 ? round(value / resolution) * resolution : value;
    return whole == 0 ? 0 : whole; /* no -0 */
}

static void convert(struct output *output, double voltage_V, double current_A)
{
    const struct output_options *options = &output->options;
    output->conversions++;
    if (options->nan_every > 0 && output->conversions % options->nan_every == 0) {
        output->read_V = output->read_A = NAN;
        return;
    }
    voltage_V = voltage_V * (1 + options->gain_V) + options->offset_V +
                gsl_ran_gaussian_ziggurat(output->noise, options->noise_V);
    /* A one-quadrant supply reads back no current into itself. */
    current_A = fmax(current_A, 0) * (1 + options->gain_A) + options->offset_A +
                gsl_ran_gaussian_ziggurat(output->noise, options->noise_A);
    output->read_V = rounded(voltage_V, options->resolution_V);
    output->read_A = rounded(current_A, options->resolution_A);
    output->read_limited = output->on && output->flow.limited;
}

static void open_aperture(struct output *output)
{
    output->charge_C = output->area_Vs = output->gathered_s = 0;
}

static void convert_in_time(struct output *output)
{
    double period_s = 1 / output->options.conversion_hz;
    if (output->gathered_s > 0)
        convert(output, output->area_Vs / output->gathered_s,
                output->charge_C / output->gathered_s);
    else
        convert(output, output_terminal_V(output), output_current_A(output));
    output->next_conversion_s += period_s;
    open_aperture(output);
}

void output_advance(struct output *output, double time_s)
{
    double hz = output->options.conversion_hz;
    double aperture_s = hz > 0 ? fmin(output->options.aperture_s, 1 / hz) : 0;
    while (output->time_s < time_s) {
        bool resting =
            !output->on && output->emf_V == 0 && output->circuit.capacitor_V < REST_BELOW_V;
        double step_s = fmin(resting ? REST_STEP_S : STEP_S, time_s - output->time_s);
        if (hz > 0) {
            double opens_s = output->next_conversion_s - aperture_s;
            if (output->time_s < opens_s - 1e-9)
                step_s = fmin(step_s, opens_s - output->time_s);
            else if (output->time_s < opens_s + 1e-9)
                open_aperture(output);
            step_s = fmin(step_s, fmax(output->next_conversion_s - output->time_s, 1e-7));
        }
        step(output, step_s);
        if (hz > 0 && output->time_s >= output->next_conversion_s - 1e-9)
            convert_in_time(output);
    }
}

void output_read(struct output *output, double time_s)
{
    output_advance(output, time_s);
    if (output->options.conversion_hz <= 0)
        convert(output, output_terminal_V(output), output_current_A(output));
}

void output_switch(struct output *output, bool on)
{
    output->on = on && !output->protection_tripped;
}

bool output_set_voltage(struct output *output, double voltage_V)
{
    if (!(voltage_V >= 0 && voltage_V <= output->options.most_V))
        return false;
    output->set_V = voltage_V;
    return true;
}

bool output_set_limit(struct output *output, double limit_A)
{
    if (!(limit_A >= 0 && limit_A <= output->options.most_A))
        return false;
    output->limit_A = limit_A;
    return true;
}

bool output_set_protection(struct output *output, double voltage_V)
{
    if (!(voltage_V >= 0 && voltage_V <= output->options.most_V * 1.1 + 1e-9))
        return false;
    output->protection_V = voltage_V;
    return true;
}

void output_clear_protection(struct output *output)
{
    output->protection_tripped = false;
}

double output_terminal_V(const struct output *output)
{
    if (!output->circuit.connected)
        return output->emf_V;
    double lead_V = output->options.lead_ohm * output->flow.current_A;
    return fmax(output->circuit.capacitor_V + lead_V, 0);
}

double output_current_A(const struct output *output)
{
    return output->flow.current_A;
}
