/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/number.h"
#include "simulate/simulator.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct words {
    struct simulator *simulator;
    int index; /* the output meant */
    double now_s;
    const char *rest; /* what stands after the command's word; "" where nothing */
    char *reply;
    unsigned long size;
};

static void refuse(const struct words *words, const char *expected)
{
    snprintf(words->reply, words->size, "error: found \"%.80s\", expected %s", words->rest,
             expected);
}

static void refuse_error(const struct words *words, const struct error *error)
{
    char text[900];
    snprintf(words->reply, words->size, "error: %s", error_text(error, text, sizeof text));
}

static struct output *output_of(const struct words *words)
{
    return &words->simulator->outputs[words->index];
}

static struct stand *stand_of(const struct words *words)
{
    return &words->simulator->stands[words->index];
}

/* on and off, or the two words given. */
static bool take_switch(const struct words *words, const char *yes, const char *no, bool *on)
{
    char expected[40];
    if (strcmp(words->rest, yes) == 0 || strcmp(words->rest, no) == 0) {
        *on = strcmp(words->rest, yes) == 0;
        return true;
    }
    snprintf(expected, sizeof expected, "%s or %s", yes, no);
    refuse(words, expected);
    return false;
}

static bool take_number(const struct words *words, double low, double high, const char *unit,
                        double *number)
{
    if (number_parse_whole(words->rest, number) && *number >= low && *number <= high)
        return true;
    char expected[80];
    snprintf(expected, sizeof expected, "a number from %g to %g %s", low, high, unit);
    refuse(words, expected);
    return false;
}

static void say_output(const struct words *words)
{
    bool on = false;
    if (!take_switch(words, "on", "off", &on))
        return;
    if (on && output_of(words)->protection_tripped)
        snprintf(words->reply, words->size, "error: the overvoltage protection has tripped");
    else
        output_switch(output_of(words), on);
}

static void say_ignition(const struct words *words)
{
    bool on = false;
    if (!take_switch(words, "on", "off", &on))
        return;
    if (!stand_of(words)->type.ignition)
        snprintf(words->reply, words->size, "error: %s has no ignition feed",
                 stand_of(words)->type.name);
    else
        output_of(words)->ignition = on;
}

static void say_plug(const struct words *words)
{
    bool in = false;
    if (take_switch(words, "in", "out", &in))
        output_of(words)->plugged = in;
}

static void put_on(const struct words *words, const struct module_type *type, const char *unit,
                   const char *fault)
{
    struct error error;
    if (simulator_put_on(words->simulator, words->index, type, unit, fault, &error) != 0)
        refuse_error(words, &error);
}

static void say_unit(const struct words *words)
{
    struct stand *stand = stand_of(words);
    put_on(words, &stand->type, words->rest, stand->fault_text);
}

static void say_fault(const struct words *words)
{
    struct stand *stand = stand_of(words);
    put_on(words, &stand->type, stand->unit, words->rest);
}

/* Another type: the fault of the one before may not fit, so it begins sound. */
static void say_module(const struct words *words)
{
    struct error error;
    struct module_type type;
    if (strcmp(words->rest, "none") == 0)
        put_on(words, NULL, NULL, NULL);
    else if (module_type_find(words->rest, &type, &error) != 0)
        refuse_error(words, &error);
    else
        put_on(words, &type, stand_of(words)->unit[0] ? stand_of(words)->unit : "HL-0001", "none");
}

static void say_temperature(const struct words *words)
{
    take_number(words, -40, 125, "C", &output_of(words)->ambient_C);
}

static void say_voltage(const struct words *words)
{
    double number = 0;
    if (take_number(words, 0, output_of(words)->options.most_V, "V", &number))
        output_set_voltage(output_of(words), number);
}

static void say_limit(const struct words *words)
{
    double number = 0;
    if (take_number(words, 0, output_of(words)->options.most_A, "A", &number)) {
        output_set_limit(output_of(words), number);
        stand_of(words)->limit_by_hand = true;
    }
}

static void say_unplug(const struct words *words)
{
    double number = INFINITY;
    if (words->rest[0] != '\0' && !take_number(words, 0, 1e6, "s", &number))
        return;
    wire_unplug(words->simulator->wire);
    words->simulator->back_at_s = words->now_s + number;
}

static void say_replug(const struct words *words)
{
    struct error error;
    if (wire_replug(words->simulator->wire, &error) != 0)
        refuse_error(words, &error);
}

static void say_silence(const struct words *words)
{
    double number = 0;
    if (take_number(words, 0, 1e6, "s", &number))
        wire_silence(words->simulator->wire, words->now_s + number);
}

static void say_late(const struct words *words)
{
    double number = 0;
    if (take_number(words, 0, 1e6, "s", &number))
        wire_late(words->simulator->wire, number);
}

static void say_garbage(const struct words *words)
{
    wire_garbage(words->simulator->wire);
}

static void say_half(const struct words *words)
{
    wire_half(words->simulator->wire);
}

static json_t *output_json(const struct output *output)
{
    const struct module *module = output->module;
    return json_pack(
        "{s:b, s:b, s:b, s:f, s:f, s:f, s:f, s:b, s:b, s:f, s:s, s:i, s:i, s:f}", "output_on",
        output->on, "plugged", output->plugged, "ignition", output->ignition, "set_voltage_V",
        output->set_V, "set_limit_A", output->limit_A, "voltage_V", output_terminal_V(output),
        "current_A", output_current_A(output), "limited", output->on && output->flow.limited,
        "protection_tripped", output->protection_tripped, "temperature_C", output->ambient_C,
        "module_state", module ? module_state(module) : "none", "phase",
        module ? module_phase(module) : 0, "power_ups", module ? (int)module_power_ups(module) : 0,
        "module_voltage_V", output->circuit.capacitor_V);
}

static void say_status(const struct words *words)
{
    const struct simulator *simulator = words->simulator;
    json_t *status = output_json(output_of(words));
    if (status) {
        json_object_set_new(status, "link", json_string(wire_text(simulator->wire)));
        json_object_set_new(status, "link_up", json_boolean(wire_plugged(simulator->wire)));
        json_object_set_new(status, "clients", json_integer(wire_clients(simulator->wire)));
        json_object_set_new(status, "module", json_string(stand_of(words)->type.name));
        json_object_set_new(status, "unit", json_string(stand_of(words)->unit));
        json_object_set_new(status, "fault", json_string(stand_of(words)->fault_text));
    }
    char *text = status ? json_dumps(status, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;
    snprintf(words->reply, words->size, "%s", text ? text : "error: memory is out");
    free(text);
    json_decref(status);
}

static const struct {
    const char *word;
    bool takes_rest;
    void (*say)(const struct words *words);
} sayings[] = {
    {"output", true, say_output},
    {"ignition", true, say_ignition},
    {"plug", true, say_plug},
    {"unit", true, say_unit},
    {"fault", true, say_fault},
    {"module", true, say_module},
    {"temperature", true, say_temperature},
    {"voltage", true, say_voltage},
    {"limit", true, say_limit},
    {"unplug", true, say_unplug},
    {"replug", false, say_replug},
    {"silence", true, say_silence},
    {"late", true, say_late},
    {"garbage", false, say_garbage},
    {"half", false, say_half},
    {"status", false, say_status},
};

void simulator_panel(struct simulator *simulator, const char *line, double now_s, char *reply,
                     unsigned long size)
{
    simulator_step(simulator, now_s);
    int index = 0;
    if (line[0] >= '1' && line[0] <= '9' && line[1] == ' ') {
        index = line[0] - '1';
        line += 2;
    }
    if (index >= simulator->output_count) {
        snprintf(reply, size, "error: found output %d, expected 1 to %d", index + 1,
                 simulator->output_count);
        return;
    }
    size_t length = strcspn(line, " ");
    const char *rest = line + length + strspn(line + length, " ");
    snprintf(reply, size, "ok");
    for (size_t i = 0; i < sizeof sayings / sizeof *sayings; i++) {
        if (strlen(sayings[i].word) != length || strncmp(sayings[i].word, line, length) != 0)
            continue;
        struct words words = {simulator, index, now_s, rest, reply, size};
        if (rest[0] != '\0' && !sayings[i].takes_rest)
            refuse(&words, "nothing after it");
        else
            sayings[i].say(&words);
        return;
    }
    snprintf(reply, size,
             "error: found \"%.80s\", expected output, ignition, plug, unit, fault, module, "
             "temperature, voltage, limit, unplug, replug, silence, late, garbage, half or status",
             line);
}
