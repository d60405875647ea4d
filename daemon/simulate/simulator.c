/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/simulator.h"

#include "base/log.h"
#include "base/number.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

double simulator_time_s(const struct simulator *simulator, double now_s)
{
    return (now_s - simulator->started_s) * simulator->time_scale;
}

static void take_off(struct simulator *simulator, int index)
{
    const struct fault none = {.final_scale = 1};
    output_put_on(&simulator->outputs[index], NULL, &none);
    struct stand *stand = &simulator->stands[index];
    stand->type = (struct module_type){.name = "none"};
    stand->unit[0] = '\0';
    snprintf(stand->fault_text, sizeof stand->fault_text, "none");
}

int simulator_put_on(struct simulator *simulator, int index, const struct module_type *type,
                     const char *unit, const char *fault_text, struct error *error)
{
    struct output *output = &simulator->outputs[index];
    struct stand *stand = &simulator->stands[index];
    struct fault fault;
    if (!type) {
        take_off(simulator, index);
        return 0;
    }
    if (type->path[0] == '\0')
        return error_set(error, EXIT_BAD_DATA, "output", index + 1, "a module first",
                         "nothing hangs there");
    if (fault_parse(fault_text, type->phase_count, &fault, error) != 0)
        return -1;
    size_t length = strlen(unit);
    if (length == 0 || length >= sizeof stand->unit)
        return error_set(error, EXIT_BAD_DATA, "unit", 0, "a serial of 1 to 79 characters",
                         "found %zu", length);
    struct module *module = module_create(type, unit, &fault, simulator->seed);
    if (!module)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    bool other_type = strcmp(stand->type.path, type->path) != 0;
    output_put_on(output, module, &fault);
    if (other_type) {
        output_set_voltage(output, type->nominal_V);
        if (!stand->limit_by_hand)
            output_set_limit(output, fmin(type->limit_A, output->options.most_A));
    }
    if (type != &stand->type)
        stand->type = *type;
    if (unit != stand->unit)
        snprintf(stand->unit, sizeof stand->unit, "%s", unit);
    if (fault_text != stand->fault_text)
        snprintf(stand->fault_text, sizeof stand->fault_text, "%s", fault_text);
    return 0;
}

int simulator_cycle(struct simulator *simulator, int index, const char *text, struct error *error)
{
    struct stand *stand = &simulator->stands[index];
    const char *rest = NULL;
    double on_s = 0, off_s = 0;
    bool right = number_parse(text, &on_s, &rest) && *rest == ':' &&
                 number_parse(rest + 1, &off_s, &rest) && on_s >= 0.01 && off_s >= 0.01 &&
                 on_s <= 1e6 && off_s <= 1e6;
    enum hand hand = HAND_NONE;
    if (right && (*rest == '\0' || strcmp(rest, ":output") == 0))
        hand = HAND_OUTPUT;
    else if (right && strcmp(rest, ":plug") == 0)
        hand = HAND_PLUG;
    else if (right && strcmp(rest, ":ignition") == 0)
        hand = HAND_IGNITION;
    if (hand == HAND_NONE)
        return error_set(error, EXIT_USAGE, "cycle", 0,
                         "ON_S:OFF_S, then nothing, :output, :plug or :ignition", "found \"%s\"",
                         text);
    if (hand == HAND_IGNITION && !stand->type.ignition)
        return error_set(error, EXIT_USAGE, "cycle", 0, "a module with an ignition feed",
                         "%s has none", stand->type.name);
    stand->hand = hand;
    stand->hand_on_s = on_s;
    stand->hand_off_s = off_s;
    return 0;
}

static void use_hand(struct stand *stand, struct output *output, double now_s)
{
    /* It begins with off, so that who watches sees the first on whole. */
    bool on = stand->hand_next_s > 0 && !stand->hand_is_on;
    stand->hand_is_on = on;
    stand->hand_next_s = now_s + (on ? stand->hand_on_s : stand->hand_off_s);
    switch (stand->hand) {
    case HAND_NONE:
        break;
    case HAND_OUTPUT:
        output_switch(output, on);
        break;
    case HAND_PLUG:
        output->plugged = on;
        output_switch(output, true);
        break;
    case HAND_IGNITION:
        output->ignition = on;
        output_switch(output, true);
        break;
    }
}

void simulator_step(struct simulator *simulator, double now_s)
{
    double time_s = simulator_time_s(simulator, now_s);
    for (int i = 0; i < simulator->output_count; i++)
        output_advance(&simulator->outputs[i], time_s);
    if (!wire_plugged(simulator->wire) && now_s >= simulator->back_at_s) {
        struct error error;
        if (wire_replug(simulator->wire, &error) != 0) {
            char text[800];
            log_warning("simulate: not back yet: %s", error_text(&error, text, sizeof text));
            simulator->back_at_s = now_s + 1;
        }
    }
    for (int i = 0; i < simulator->output_count; i++)
        if (simulator->stands[i].hand != HAND_NONE && now_s >= simulator->stands[i].hand_next_s)
            use_hand(&simulator->stands[i], &simulator->outputs[i], now_s);
}

double simulator_next_s(const struct simulator *simulator)
{
    double next_s = INFINITY;
    for (int i = 0; i < simulator->output_count; i++)
        if (simulator->stands[i].hand != HAND_NONE)
            next_s = fmin(next_s, simulator->stands[i].hand_next_s);
    if (!wire_plugged(simulator->wire))
        next_s = fmin(next_s, simulator->back_at_s);
    return next_s;
}
