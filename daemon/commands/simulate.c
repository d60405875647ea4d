/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"
#include "base/error.h"
#include "base/options.h"
#include "commands/commands.h"
#include "simulate/modbus_speaker.h"
#include "simulate/panel_socket.h"
#include "simulate/run.h"
#include "simulate/scpi_speaker.h"
#include "simulate/simulator.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct asked {
    const char *link, *profile, *panel, *say, *number_form, *identity;
    struct option_texts modules, units, faults, cycles; /* one an output, in order */
    bool output_on, interrupts;
    double voltage_V, limit_A, temperature_C, outputs, time_scale, seed, nan_every;
    double line_rate_baud, turnaround_s, conversion_hz;
    struct output_options output;
};

static struct asked defaults(void)
{
    return (struct asked){
        .profile = "scpi",
        .number_form = "nr2",
        .identity = "Harbour Lane,bench supply,1,1.0",
        .outputs = NAN,
        .voltage_V = NAN,
        .limit_A = NAN,
        .temperature_C = 23,
        .time_scale = 1,
        .output = {.most_V = NAN,
                   .most_A = NAN,
                   .slew_V_per_s = 400,
                   .source_ohm = 0.01,
                   .lead_ohm = 0.05,
                   .sink_A = 0.1,
                   .conversion_hz = 0,
                   .aperture_s = 0.02,
                   .resolution_V = NAN,
                   .resolution_A = NAN,
                   .noise_V = 0.0003,
                   .noise_A = 0.0003},
    };
}

static const char details[] =
    "LINK is tcp:HOST:PORT, serial:PATH, modbus-tcp:HOST:PORT, modbus-rtu:PATH or\n"
    "modbus-rtu-tcp:HOST:PORT; port 0 takes a free one, PATH becomes a link to a\n"
    "pseudo-terminal. When it listens it prints \"ready LINK\".\n"
    "\n"
    "FAULT: none, stall:PHASE, low:PERCENT, high:PERCENT, restart:SECONDS, short, open,\n"
    "reversed, no-wake, late:PHASE:FACTOR, missing:PHASE, leakage:AMPERES,\n"
    "joint:CELSIUS, unsteady:PERCENT; several joined by +.\n"
    "\n"
    "The panel takes a line and answers with one (ok, error: ..., or JSON):\n"
    "output on|off, ignition on|off, plug in|out, unit SERIAL, fault FAULT, module NAME,\n"
    "temperature C, voltage V, limit A, unplug [S], replug, silence S, late S, garbage,\n"
    "half, status; before it, with several outputs, an output's number: 2 output on.\n"
    "  wakedraw simulate --panel PATH --say \"fault stall:2\"   says one line to it";

static int fail(const struct error *error)
{
    error_print(error);
    return (int)error->status;
}

static int say(const struct asked *asked)
{
    struct error error;
    char reply[2100];
    if (!asked->panel) {
        error_set(&error, EXIT_USAGE, "simulate", 0, "--panel PATH beside --say", "found none");
        return fail(&error);
    }
    if (panel_say(asked->panel, asked->say, reply, sizeof reply, &error) != 0)
        return fail(&error);
    puts(reply);
    return strncmp(reply, "error: ", 7) == 0 ? EXIT_BAD_DATA : EXIT_OK;
}

static int number_form_of(const char *text, enum number_form *form, struct error *error)
{
    static const char *const names[] = {"nr1", "nr2", "nr3"};
    for (int i = 0; i < 3; i++) {
        if (strcmp(text, names[i]) == 0) {
            *form = (enum number_form)i;
            return 0;
        }
    }
    return error_set(error, EXIT_USAGE, "--number-form", 0, "nr1, nr2 or nr3", "found \"%s\"",
                     text);
}

static double first_known(double asked, double stated, double otherwise)
{
    if (!isnan(asked))
        return asked;
    return stated > 0 ? stated : otherwise;
}

/* What the command line does not say, the profile does. */
static int apply_profile(struct asked *asked, struct supply_map *map, struct error *error)
{
    if (supply_map_read(asked->profile, map, error) != 0)
        return -1;
    struct output_options *output = &asked->output;
    output->most_V = first_known(output->most_V, map->rated_V, 60);
    output->most_A = first_known(output->most_A, map->rated_A, 10);
    output->resolution_V = first_known(output->resolution_V, map->resolution_V, 0.001);
    output->resolution_A = first_known(output->resolution_A, map->resolution_A, 0.001);
    asked->outputs = first_known(asked->outputs, fmin(map->outputs, MOST_OUTPUTS), 1);
    if (asked->outputs > 1 && map->modbus && map->output_step == 0)
        return error_set(error, EXIT_USAGE, "--outputs", 0, "1 with this profile", "found %g",
                         asked->outputs);
    return 0;
}

static const char *text_for(const struct option_texts *texts, int index, const char *otherwise)
{
    return (size_t)index < texts->count ? texts->items[index] : otherwise;
}

/* What hangs on an output, its settings, the hand at it. */
static int hang_on(const struct asked *asked, struct simulator *simulator, int index,
                   struct error *error)
{
    struct output *output = &simulator->outputs[index];
    struct module_type type;
    const char *module =
        text_for(&asked->modules, index, index == 0 ? "reefer-controller" : "none");
    bool none = strcmp(module, "none") == 0;
    simulator->stands[index].limit_by_hand = !isnan(asked->limit_A);
    if (!none && module_type_find(module, &type, error) != 0)
        return -1;
    char unit[20];
    snprintf(unit, sizeof unit, "HL-000%d", index + 1);
    if (simulator_put_on(simulator, index, none ? NULL : &type,
                         text_for(&asked->units, index, unit),
                         text_for(&asked->faults, index, "none"), error) != 0)
        return -1;
    if (!isnan(asked->voltage_V) && !output_set_voltage(output, asked->voltage_V))
        return error_set(error, EXIT_USAGE, "--voltage", 0, "at most --max-voltage", "found %g",
                         asked->voltage_V);
    if (!isnan(asked->limit_A) && !output_set_limit(output, asked->limit_A))
        return error_set(error, EXIT_USAGE, "--limit", 0, "at most --max-current", "found %g",
                         asked->limit_A);
    output_switch(output, asked->output_on);
    const char *cycle = text_for(&asked->cycles, index, NULL);
    return cycle ? simulator_cycle(simulator, index, cycle, error) : 0;
}

/* What stands on the bench: outputs, modules, settings. */
static int set_up(const struct asked *asked, struct simulator *simulator, struct error *error)
{
    simulator->seed = (uint64_t)asked->seed;
    simulator->time_scale = asked->time_scale;
    simulator->started_s = clock_monotonic_s();
    simulator->back_at_s = INFINITY;
    for (int i = 0; i < (int)asked->outputs; i++) {
        struct output_options options = asked->output;
        options.nan_every = (unsigned)asked->nan_every;
        options.conversion_hz = asked->conversion_hz / asked->time_scale;
        options.seed = simulator->seed + (uint64_t)i * 7919;
        if (!output_init(&simulator->outputs[i], &options, 0))
            return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        simulator->outputs[i].ambient_C = asked->temperature_C;
        simulator->output_count++;
    }
    for (int i = 0; i < simulator->output_count; i++)
        if (hang_on(asked, simulator, i, error) != 0)
            return -1;
    return 0;
}

static int connect_wire(const struct asked *asked, struct simulator *simulator, struct error *error)
{
    struct endpoint endpoint;
    enum number_form form = NUMBER_NR2;
    if (endpoint_parse(asked->link, &endpoint, error) != 0 ||
        number_form_of(asked->number_form, &form, error) != 0)
        return -1;
    struct wire_options options = {asked->line_rate_baud > 0 ? asked->line_rate_baud
                                                             : endpoint.baud,
                                   asked->turnaround_s, asked->interrupts};
    if (simulator->map.modbus != (endpoint.speech != SPEECH_SCPI))
        return error_set(error, EXIT_USAGE, asked->link, 0,
                         simulator->map.modbus ? "a modbus link" : "a tcp or serial link",
                         "the profile %s speaks %s", asked->profile,
                         simulator->map.modbus ? "modbus" : "scpi");
    struct speaker speaker;
    if (simulator->map.modbus) {
        double character_s = options.line_rate_baud > 0 ? 10 / options.line_rate_baud : 0;
        speaker = modbus_speaker(simulator, endpoint.speech == SPEECH_MODBUS_RTU, endpoint.address,
                                 character_s);
    } else {
        simulator->scpi =
            scpi_device_create(simulator->outputs, simulator->output_count, form, asked->identity);
        if (!simulator->scpi)
            return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        if (simulator->map.limited_bit > 1 && simulator->map.limited_bit < 15)
            scpi_device_limit_bit(simulator->scpi, simulator->map.limited_bit);
        struct scpi_arrays arrays = {.interval_s = simulator->map.array_interval_s,
                                     .time_scale = simulator->time_scale,
                                     .float_bytes = simulator->map.array_float_bytes,
                                     .little = simulator->map.array_little};
        scpi_device_arrays(simulator->scpi, &arrays);
        dialect_init(&simulator->dialect, &simulator->map, simulator->output_count);
        speaker = scpi_speaker(simulator);
    }
    simulator->wire = wire_create(&endpoint, &options, &speaker, error);
    return simulator->wire ? 0 : -1;
}

static int simulate(struct asked *asked)
{
    struct error error = {0};
    struct panel_socket *panel = NULL;
    struct simulator *simulator = calloc(1, sizeof *simulator);
    if (!simulator)
        return EXIT_SOFTWARE;
    run_catch_signals();
    int result = apply_profile(asked, &simulator->map, &error);
    if (result == 0)
        result = set_up(asked, simulator, &error);
    if (result == 0 && asked->panel) {
        panel = panel_socket_create(asked->panel, &error);
        result = panel ? 0 : -1;
    }
    if (result == 0)
        result = connect_wire(asked, simulator, &error);
    if (result == 0) {
        printf("ready %s\n", wire_text(simulator->wire));
        fflush(stdout);
        result = run_simulator(simulator, panel, &error);
    }
    wire_destroy(simulator->wire);
    panel_socket_destroy(panel);
    scpi_device_destroy(simulator->scpi);
    for (int i = 0; i < simulator->output_count; i++)
        output_clear(&simulator->outputs[i]);
    free(simulator);
    return result == 0 ? EXIT_OK : fail(&error);
}

int command_simulate(int argc, char **argv)
{
    struct asked asked = defaults();
    struct output_options *output = &asked.output;
    const struct command_option options[] = {
        {"link", "LINK", OPTION_TEXT, &asked.link, 0, 0, "where it is to be reached"},
        {"profile", "NAME", OPTION_TEXT, &asked.profile, 0, 0,
         "what it speaks and reads back (scpi)"},
        {"outputs", "N", OPTION_NUMBER, &asked.outputs, 1, MOST_OUTPUTS,
         "how many outputs (the profile's)"},
        {"module", "NAME", OPTION_TEXTS, &asked.modules, 0, 0,
         "module type, its file, or none (reefer-controller); once an output"},
        {"unit", "SERIAL", OPTION_TEXTS, &asked.units, 0, 0,
         "which unit of it (HL-0001); once an output"},
        {"fault", "FAULT", OPTION_TEXTS, &asked.faults, 0, 0,
         "what is wrong with it (none); once an output"},
        {"temperature", "C", OPTION_NUMBER, &asked.temperature_C, -40, 125,
         "around the module (23)"},
        {"voltage", "V", OPTION_NUMBER, &asked.voltage_V, 0, 1000,
         "set voltage at start (the module's nominal)"},
        {"limit", "A", OPTION_NUMBER, &asked.limit_A, 0, 1000,
         "set current limit at start (the module's)"},
        {"output-on", NULL, OPTION_SWITCH, &asked.output_on, 0, 0, "the output is on at start"},
        {"cycle", "ON_S:OFF_S[:HOW]", OPTION_TEXTS, &asked.cycles, 0, 0,
         "switch for ever: output, plug or ignition; once an output"},
        {"panel", "PATH", OPTION_TEXT, &asked.panel, 0, 0, "front panel, a Unix-domain socket"},
        {"say", "LINE", OPTION_TEXT, &asked.say, 0, 0, "say that to the panel of a running one"},
        {"line-rate", "BAUD", OPTION_NUMBER, &asked.line_rate_baud, 300, 921600,
         "pace bytes, 10 bits each (as fast as it goes)"},
        {"turnaround", "S", OPTION_NUMBER, &asked.turnaround_s, 0, 60,
         "from question to reply (0)"},
        {"interrupt", NULL, OPTION_SWITCH, &asked.interrupts, 0, 0,
         "a message before the reply has gone drops it, -410 (replies queue)"},
        {"conversion-hz", "HZ", OPTION_NUMBER, &asked.conversion_hz, 0, 10000,
         "readback renews so often (0: at every question)"},
        {"aperture", "S", OPTION_NUMBER, &output->aperture_s, 0.0001, 10,
         "a conversion averages over this (0.02)"},
        {"resolution-A", "A", OPTION_NUMBER, &output->resolution_A, 0, 10,
         "of the readback (the profile's)"},
        {"resolution-V", "V", OPTION_NUMBER, &output->resolution_V, 0, 10,
         "of the readback (the profile's)"},
        {"offset-A", "A", OPTION_NUMBER, &output->offset_A, -10, 10, "readback error (0)"},
        {"offset-V", "V", OPTION_NUMBER, &output->offset_V, -10, 10, "readback error (0)"},
        {"gain", "SHARE", OPTION_NUMBER, &output->gain_A, -0.5, 0.5,
         "current readback error, share of reading (0)"},
        {"gain-V", "SHARE", OPTION_NUMBER, &output->gain_V, -0.5, 0.5,
         "voltage readback error, share of reading (0)"},
        {"noise-A", "A", OPTION_NUMBER, &output->noise_A, 0, 10, "rms of a conversion (0.0003)"},
        {"noise-V", "V", OPTION_NUMBER, &output->noise_V, 0, 10, "rms of a conversion (0.0003)"},
        {"nan-every", "N", OPTION_NUMBER, &asked.nan_every, 0, 1e9,
         "every so many conversions is not a number (0: none)"},
        {"max-voltage", "V", OPTION_NUMBER, &output->most_V, 1, 1000,
         "rating (the profile's, or 60)"},
        {"max-current", "A", OPTION_NUMBER, &output->most_A, 0.01, 1000,
         "rating (the profile's, or 10)"},
        {"slew", "V_PER_S", OPTION_NUMBER, &output->slew_V_per_s, 1, 1e6,
         "how fast the voltage rises and falls (400)"},
        {"lead-ohm", "OHM", OPTION_NUMBER, &output->lead_ohm, 1e-4, 100,
         "resistance to the module (0.05)"},
        {"number-form", "FORM", OPTION_TEXT, &asked.number_form, 0, 0, "nr1, nr2 or nr3 (nr2)"},
        {"identity", "TEXT", OPTION_TEXT, &asked.identity, 0, 0, "the *IDN? reply"},
        {"seed", "N", OPTION_NUMBER, &asked.seed, 0, 1e15,
         "of noise and of a power-up's own deviations (0)"},
        {"time-scale", "K", OPTION_NUMBER, &asked.time_scale, 0.01, 1000,
         "the module lives K times as fast (1)"},
    };
    const struct command_usage usage = {
        .name = "simulate",
        .arguments = "",
        .summary = "Be a bench supply with a module on its output, on a real port.",
        .details = details,
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 0,
        .most_arguments = 0,
    };
    int first = 0;
    enum options_result result = options_read(argc, argv, &usage, &first);
    if (result != OPTIONS_READ)
        return result == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    if (asked.say)
        return say(&asked);
    if (!asked.link) {
        fputs("wakedraw simulate: missing: --link LINK; see wakedraw simulate --help\n", stderr);
        return EXIT_USAGE;
    }
    return simulate(&asked);
}
