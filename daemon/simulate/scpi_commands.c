/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_call.h"
#include "simulate/scpi_header.h"

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <strings.h>

typedef void command_handler(struct scpi_call *call);

static const struct scpi_limits mask_limits = {0, 255, 0, ""};

/* Common commands */

static void identify(struct scpi_call *call)
{
    scpi_call_reply(call, "%s", call->device->identity);
}

static void clear_status(struct scpi_call *call)
{
    scpi_status_clear(&call->device->status);
}

static void event_status(struct scpi_call *call)
{
    scpi_call_reply(call, "%u", call->device->status.standard_event);
    call->device->status.standard_event = 0;
}

static void take_mask(struct scpi_call *call, unsigned *mask)
{
    double number = 0;
    if (call->parameters[0][0] == '#') {
        unsigned given = 0;
        if (!scpi_call_mask(call, 0, &given))
            return;
        if (given > 255)
            scpi_call_error(call, -222, call->parameters[0]);
        else
            *mask = given;
    } else if (scpi_call_number(call, 0, &mask_limits, &number)) {
        *mask = (unsigned)lround(number);
    }
}

static void event_enable(struct scpi_call *call)
{
    if (call->query)
        scpi_call_reply(call, "%u", call->device->status.standard_enable);
    else
        take_mask(call, &call->device->status.standard_enable);
}

static void service_enable(struct scpi_call *call)
{
    if (call->query)
        scpi_call_reply(call, "%u", call->device->status.service_enable);
    else
        take_mask(call, &call->device->status.service_enable);
}

/* Nothing here overlaps with later commands, so all operations are complete as
 * soon as they are asked for; whether the output has settled is another thing. */
static void operation_complete(struct scpi_call *call)
{
    if (call->query)
        scpi_call_reply(call, "1");
    else
        call->device->status.standard_event |= EVENT_OPERATION_COMPLETE;
}

static void wait_to_continue(struct scpi_call *call)
{
    (void)call;
}

static void reset(struct scpi_call *call)
{
    for (int i = 0; i < call->device->output_count; i++) {
        struct output *output = &call->device->outputs[i];
        output_advance(output, call->time_s);
        output_clear_protection(output);
        output_switch(output, false);
        output_set_voltage(output, 0);
        output_set_limit(output, output->options.most_A);
        output_set_protection(output, output->options.most_V * 1.1);
    }
    call->device->selected = 0;
}

static void self_test(struct scpi_call *call)
{
    scpi_call_reply(call, "0");
}

/* In current limit the voltage is not what was set (bit 0) and the current is
 * where the limit holds it (bit 1): both are set, as supplies differ in which
 * they use (common practice, no source). */
static unsigned questionable_condition(const struct output *output, int limit_bit)
{
    unsigned bits = limit_bit >= 0 ? 3 | 1U << limit_bit : 3;
    return output->on && output->flow.limited ? bits : 0;
}

void scpi_device_refresh(struct scpi_device *device, double time_s)
{
    struct output *output = &device->outputs[device->selected];
    output_advance(output, time_s);
    scpi_register_set(&device->status.questionable,
                      questionable_condition(output, device->limit_bit));
}

static void status_byte(struct scpi_call *call)
{
    scpi_device_refresh(call->device, call->time_s);
    scpi_call_reply(call, "%u", scpi_status_byte(&call->device->status, call->response_waiting));
}

/* Status and system */

static void questionable_now(struct scpi_call *call)
{
    scpi_device_refresh(call->device, call->time_s);
    scpi_call_reply(call, "%u", call->device->status.questionable.condition);
}

static void questionable_event(struct scpi_call *call)
{
    scpi_device_refresh(call->device, call->time_s);
    scpi_call_reply(call, "%u", call->device->status.questionable.event);
    call->device->status.questionable.event = 0;
}

static void questionable_enable(struct scpi_call *call)
{
    unsigned *enable = &call->device->status.questionable.enable;
    if (call->query)
        scpi_call_reply(call, "%u", *enable);
    else
        scpi_call_mask(call, 0, enable);
}

static void operation_now(struct scpi_call *call)
{
    scpi_call_reply(call, "%u", call->device->status.operation.condition);
}

static void operation_event(struct scpi_call *call)
{
    scpi_call_reply(call, "%u", call->device->status.operation.event);
    call->device->status.operation.event = 0;
}

static void operation_enable(struct scpi_call *call)
{
    unsigned *enable = &call->device->status.operation.enable;
    if (call->query)
        scpi_call_reply(call, "%u", *enable);
    else
        scpi_call_mask(call, 0, enable);
}

static void preset_status(struct scpi_call *call)
{
    call->device->status.questionable.enable = 0;
    call->device->status.operation.enable = 0;
}

static void next_error(struct scpi_call *call)
{
    char text[160];
    scpi_status_next_error(&call->device->status, text, sizeof text);
    scpi_call_reply(call, "%s", text);
}

static void all_errors(struct scpi_call *call)
{
    do {
        next_error(call);
        if (call->device->status.error_count > 0)
            scpi_call_reply(call, ",");
    } while (call->device->status.error_count > 0);
}

static void error_count(struct scpi_call *call)
{
    scpi_call_reply(call, "%d", call->device->status.error_count);
}

static void version(struct scpi_call *call)
{
    scpi_call_reply(call, "1999.0");
}

/* Output and settings */

static void output_state(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (!output)
        return;
    if (call->query) {
        scpi_call_reply(call, "%d", output->on);
        return;
    }
    if (call->parameter_count != 1) {
        scpi_call_error(call, call->parameter_count < 1 ? -109 : -108, NULL);
        return;
    }
    bool on = false;
    if (!scpi_call_switch(call, 0, &on))
        return;
    if (on && output->protection_tripped)
        scpi_call_error(call, -221, "protection tripped");
    else
        output_switch(output, on);
}

static void clear_protection(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (output)
        output_clear_protection(output);
}

static void protection_tripped(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (output)
        scpi_call_reply(call, "%d", output->protection_tripped);
}

/* One setting: set, query, query of its limits. */
static void setting(struct scpi_call *call, const struct scpi_limits *limits, double present,
                    double resolution, bool (*set)(struct output *output, double value),
                    struct output *output)
{
    double number = 0;
    if (call->query) {
        if (scpi_call_limit_asked(call, limits, &number))
            scpi_call_reply_number(call, number, resolution);
        else if (call->error_code == 0)
            scpi_call_reply_number(call, present, resolution);
        return;
    }
    if (call->parameter_count != 1)
        scpi_call_error(call, call->parameter_count < 1 ? -109 : -108, NULL);
    else if (scpi_call_number(call, 0, limits, &number) && !set(output, number))
        scpi_call_error(call, -222, call->parameters[0]);
}

static void voltage(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (!output)
        return;
    struct scpi_limits limits = {0, output->options.most_V, 0, "V"};
    setting(call, &limits, output->set_V, 0.001, output_set_voltage, output);
}

static void current(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (!output)
        return;
    struct scpi_limits limits = {0, output->options.most_A, output->options.most_A, "A"};
    setting(call, &limits, output->limit_A, 0.0001, output_set_limit, output);
}

static void protection(struct scpi_call *call)
{
    struct output *output = scpi_call_output(call);
    if (!output)
        return;
    double most_V = output->options.most_V * 1.1;
    struct scpi_limits limits = {0, most_V, most_V, "V"};
    setting(call, &limits, output->protection_V, 0.001, output_set_protection, output);
}

/* Measurements */

static struct output *fresh_output(struct scpi_call *call, bool measure)
{
    struct output *output = scpi_call_output(call);
    if (output && measure)
        output_read(output, call->time_s);
    if (output && call->parameter_count > 0) {
        scpi_call_error(call, -108, call->parameters[0]);
        return NULL;
    }
    return output;
}

static void measure_voltage(struct scpi_call *call)
{
    struct output *output = fresh_output(call, true);
    if (output)
        scpi_call_reply_number(call, output->read_V, output->options.resolution_V);
}

static void measure_current(struct scpi_call *call)
{
    struct output *output = fresh_output(call, true);
    if (output)
        scpi_call_reply_number(call, output->read_A, output->options.resolution_A);
}

static void fetch_voltage(struct scpi_call *call)
{
    struct output *output = fresh_output(call, false);
    if (output)
        scpi_call_reply_number(call, output->read_V, output->options.resolution_V);
}

static void fetch_current(struct scpi_call *call)
{
    struct output *output = fresh_output(call, false);
    if (output)
        scpi_call_reply_number(call, output->read_A, output->options.resolution_A);
}

/* Selection */

static void select_number(struct scpi_call *call)
{
    struct scpi_device *device = call->device;
    struct scpi_limits limits = {1, device->output_count, 1, ""};
    double number = 0;
    if (call->query)
        scpi_call_reply(call, "%d", device->selected + 1);
    else if (scpi_call_number(call, 0, &limits, &number))
        device->selected = (int)lround(number) - 1;
}

static void select_name(struct scpi_call *call)
{
    struct scpi_device *device = call->device;
    int number = 0;
    if (call->query)
        scpi_call_reply(call, "OUT%d", device->selected + 1);
    else if (!scpi_header_matches("OUTput#", call->parameters[0], &number) || number < 1 ||
             number > device->output_count)
        scpi_call_error(call, -224, call->parameters[0]);
    else
        device->selected = number - 1;
}

static void catalogue(struct scpi_call *call)
{
    for (int i = 0; i < call->device->output_count; i++)
        scpi_call_reply(call, "%s\"OUT%d\"", i ? "," : "", i + 1);
}

enum { NO_SET = -1, NO_QUERY = -1, ANY = MOST_PARAMETERS };

static const struct {
    const char *pattern;
    command_handler *handler;
    int set_least, set_most;     /* parameters of the command; NO_SET: query only */
    int query_least, query_most; /* of the query; NO_QUERY: command only */
} commands[] = {
    {"*IDN", identify, NO_SET, 0, 0, 0},
    {"*CLS", clear_status, 0, 0, NO_QUERY, 0},
    {"*ESE", event_enable, 1, 1, 0, 0},
    {"*ESR", event_status, NO_SET, 0, 0, 0},
    {"*OPC", operation_complete, 0, 0, 0, 0},
    {"*RST", reset, 0, 0, NO_QUERY, 0},
    {"*SRE", service_enable, 1, 1, 0, 0},
    {"*STB", status_byte, NO_SET, 0, 0, 0},
    {"*TST", self_test, NO_SET, 0, 0, 0},
    {"*WAI", wait_to_continue, 0, 0, NO_QUERY, 0},
    {"SYSTem:ERRor[:NEXT]", next_error, NO_SET, 0, 0, 0},
    {"SYSTem:ERRor:ALL", all_errors, NO_SET, 0, 0, 0},
    {"SYSTem:ERRor:COUNt", error_count, NO_SET, 0, 0, 0},
    {"SYSTem:VERSion", version, NO_SET, 0, 0, 0},
    /* common practice on serial supplies, no source */
    {"SYSTem:REMote", wait_to_continue, 0, 0, NO_QUERY, 0},
    {"SYSTem:RWLock", wait_to_continue, 0, 0, NO_QUERY, 0},
    {"SYSTem:LOCal", wait_to_continue, 0, 0, NO_QUERY, 0},
    {"STATus:QUEStionable[:EVENt]", questionable_event, NO_SET, 0, 0, 0},
    {"STATus:QUEStionable:CONDition", questionable_now, NO_SET, 0, 0, 0},
    {"STATus:QUEStionable:ENABle", questionable_enable, 1, 1, 0, 0},
    {"STATus:OPERation[:EVENt]", operation_event, NO_SET, 0, 0, 0},
    {"STATus:OPERation:CONDition", operation_now, NO_SET, 0, 0, 0},
    {"STATus:OPERation:ENABle", operation_enable, 1, 1, 0, 0},
    {"STATus:PRESet", preset_status, 0, 0, NO_QUERY, 0},
    {"OUTPut#[:STATe]", output_state, 1, 2, 0, 1},
    {"OUTPut#:PROTection:CLEar", clear_protection, 0, 1, NO_QUERY, 0},
    {"[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", voltage, 1, 2, 0, 2},
    {"[SOURce#:]CURRent[:LEVel][:IMMediate][:AMPLitude]", current, 1, 2, 0, 2},
    {"[SOURce#:]VOLTage:PROTection[:LEVel]", protection, 1, 2, 0, 2},
    {"[SOURce#:]VOLTage:PROTection:TRIPped", protection_tripped, NO_SET, 0, 0, 1},
    {"[SOURce#:]VOLTage:PROTection:CLEar", clear_protection, 0, 1, NO_QUERY, 0},
    {"MEASure#[:SCALar]:VOLTage[:DC]", measure_voltage, NO_SET, 0, 0, ANY},
    {"MEASure#[:SCALar]:CURRent[:DC]", measure_current, NO_SET, 0, 0, ANY},
    {"FETCh#[:SCALar]:VOLTage[:DC]", fetch_voltage, NO_SET, 0, 0, ANY},
    {"FETCh#[:SCALar]:CURRent[:DC]", fetch_current, NO_SET, 0, 0, ANY},
    {"MEASure#:ARRay:VOLTage[:DC]", scpi_measure_array_voltage, NO_SET, 0, 0, ANY},
    {"MEASure#:ARRay:CURRent[:DC]", scpi_measure_array_current, NO_SET, 0, 0, ANY},
    {"FETCh#:ARRay:VOLTage[:DC]", scpi_fetch_array_voltage, NO_SET, 0, 0, ANY},
    {"FETCh#:ARRay:CURRent[:DC]", scpi_fetch_array_current, NO_SET, 0, 0, ANY},
    {"[SENSe#:]SWEep:TINTerval", scpi_array_interval, NO_SET, 0, 0, 0},
    {"INSTrument:NSELect", select_number, 1, 1, 0, 0},
    {"INSTrument[:SELect]", select_name, 1, 1, 0, 0},
    {"INSTrument:CATalog", catalogue, NO_SET, 0, 0, 0},
};

static bool same_header(const char *header, const char *pattern, int *suffix)
{
    if (header[0] == '*' || pattern[0] == '*')
        return strcasecmp(header, pattern) == 0;
    return scpi_header_matches(pattern, header, suffix);
}

bool scpi_knows(const char *header, bool query)
{
    int suffix = 0;
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        if (same_header(header, commands[i].pattern, &suffix))
            return (query ? commands[i].query_least : commands[i].set_least) >= 0;
    return false;
}

void scpi_call_run(struct scpi_call *call, const char *header)
{
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
        if (!same_header(header, commands[i].pattern, &call->suffix))
            continue;
        int least = call->query ? commands[i].query_least : commands[i].set_least;
        int most = call->query ? commands[i].query_most : commands[i].set_most;
        if (least < 0)
            scpi_call_error(call, -113, header);
        else if (call->parameter_count < least)
            scpi_call_error(call, -109, header);
        else if (call->parameter_count > most)
            scpi_call_error(call, -108, call->parameters[most]);
        else
            commands[i].handler(call);
        return;
    }
    scpi_call_error(call, -113, header);
}
