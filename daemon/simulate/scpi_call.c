/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_call.h"

#include "base/number.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

void scpi_call_error(struct scpi_call *call, int code, const char *detail)
{
    scpi_status_error(&call->device->status, code, detail);
    call->error_code = code;
}

void scpi_call_reply(struct scpi_call *call, const char *format, ...)
{
    size_t room = SCPI_LONGEST_RESPONSE - call->response_length;
    va_list arguments;
    va_start(arguments, format);
    int count = vsnprintf(call->response + call->response_length, room, format, arguments);
    va_end(arguments);
    if (count < 0 || (size_t)count >= room)
        call->overflowed = true;
    else
        call->response_length += (size_t)count;
}

static int decimals_of(double resolution)
{
    if (!(resolution > 0))
        return 6;
    double scaled = resolution;
    for (int decimals = 0; decimals < 9; decimals++, scaled *= 10)
        if (fabs(scaled - round(scaled)) < 1e-6 * scaled && round(scaled) >= 1)
            return decimals;
    return 9;
}

void scpi_call_reply_number(struct scpi_call *call, double number, double resolution)
{
    bool scientific = call->device->form == NUMBER_NR3;
    if (isnan(number))
        scpi_call_reply(call, scientific ? "+9.910000E+37" : "9.91E37");
    else if (isinf(number))
        scpi_call_reply(call, scientific ? "%s9.900000E+37" : "%s9.9E37",
                        number < 0 ? "-" : (scientific ? "+" : ""));
    else if (call->device->form == NUMBER_NR1)
        scpi_call_reply(call, "%.0f", number);
    else if (scientific)
        scpi_call_reply(call, "%+.6E", number);
    else
        scpi_call_reply(call, "%.*f", decimals_of(resolution), number);
}

static bool is_word(const char *text, const char *short_form, const char *long_form)
{
    return strcasecmp(text, short_form) == 0 || strcasecmp(text, long_form) == 0;
}

static bool limit_word(const char *text, const struct scpi_limits *limits, double *number)
{
    if (is_word(text, "MIN", "MINIMUM"))
        *number = limits->least;
    else if (is_word(text, "MAX", "MAXIMUM"))
        *number = limits->most;
    else if (is_word(text, "DEF", "DEFAULT"))
        *number = limits->normal;
    else
        return false;
    return true;
}

/* A suffix is a multiplier and the unit, blanks before it allowed: "MV", "A". */
static bool apply_unit(const char *text, const char *unit, double *number)
{
    static const struct {
        char letter;
        double factor;
    } multipliers[] = {{'K', 1e3}, {'M', 1e-3}, {'U', 1e-6}, {'N', 1e-9}};
    if (strcasecmp(text, unit) == 0)
        return true;
    for (size_t i = 0; i < sizeof multipliers / sizeof *multipliers; i++) {
        if (toupper((unsigned char)text[0]) == multipliers[i].letter &&
            strcasecmp(text + 1, unit) == 0) {
            *number *= multipliers[i].factor;
            return true;
        }
    }
    return false;
}

bool scpi_call_number(struct scpi_call *call, int index, const struct scpi_limits *limits,
                      double *number)
{
    const char *text = call->parameters[index];
    double value = 0;
    if (!limit_word(text, limits, &value)) {
        const char *rest = NULL;
        if (!number_parse(text, &value, &rest)) {
            bool numeric = text[0] != '\0' && strchr("+-.0123456789", text[0]);
            scpi_call_error(call, numeric ? -121 : -104, text);
            return false;
        }
        while (*rest == ' ' || *rest == '\t')
            rest++;
        if (*rest != '\0') {
            int code = 0;
            if (!isalpha((unsigned char)*rest))
                code = -121;
            else if (limits->unit[0] == '\0')
                code = -138;
            else if (!apply_unit(rest, limits->unit, &value))
                code = -131;
            if (code != 0) {
                scpi_call_error(call, code, text);
                return false;
            }
        }
    }
    /* A setting at the very rating, given in millivolts, is not out of range. */
    double hair = 1e-9 * fmax(1, fabs(limits->most));
    if (!(value >= limits->least - hair && value <= limits->most + hair)) {
        scpi_call_error(call, -222, text);
        return false;
    }
    *number = fmax(limits->least, fmin(limits->most, value));
    return true;
}

bool scpi_call_switch(struct scpi_call *call, int index, bool *on)
{
    const char *text = call->parameters[index];
    double value = 0;
    if (strcasecmp(text, "ON") == 0) {
        *on = true;
    } else if (strcasecmp(text, "OFF") == 0) {
        *on = false;
    } else if (number_parse_whole(text, &value)) {
        *on = round(value) != 0;
    } else {
        bool word = isalpha((unsigned char)text[0]) != 0;
        scpi_call_error(call, word ? -224 : -104, text);
        return false;
    }
    return true;
}

bool scpi_call_mask(struct scpi_call *call, int index, unsigned *mask)
{
    const char *text = call->parameters[index];
    if (text[0] != '#') {
        struct scpi_limits limits = {0, 65535, 0, ""};
        double number = 0;
        if (!scpi_call_number(call, index, &limits, &number))
            return false;
        *mask = (unsigned)lround(number);
        return true;
    }
    int base = 0;
    switch (toupper((unsigned char)text[1])) {
    case 'H':
        base = 16;
        break;
    case 'Q':
        base = 8;
        break;
    case 'B':
        base = 2;
        break;
    default:
        break;
    }
    char *end = NULL;
    unsigned long value =
        base && isalnum((unsigned char)text[2]) ? strtoul(text + 2, &end, base) : 0;
    if (!end || *end != '\0') {
        scpi_call_error(call, -121, text);
        return false;
    }
    if (value > 65535) {
        scpi_call_error(call, -222, text);
        return false;
    }
    *mask = (unsigned)value;
    return true;
}

/* (@1): one channel; lists and ranges of several are for supplies that answer
 * several at once, which this one does not. */
static int channel_of(const char *text)
{
    text++;
    text += strspn(text, " ");
    if (*text != '@')
        return -1;
    const char *end = NULL;
    double number = 0;
    if (!number_parse(text + 1, &number, &end) || strspn(end, " )") != strlen(end) ||
        number != floor(number) || fabs(number) > 1000)
        return -1;
    return (int)number;
}

struct output *scpi_call_output(struct scpi_call *call)
{
    struct scpi_device *device = call->device;
    int channel = device->selected + 1;
    if (call->suffix >= 0)
        channel = call->suffix;
    if (call->parameter_count > 0 && call->parameters[call->parameter_count - 1][0] == '(') {
        const char *list = call->parameters[--call->parameter_count];
        channel = channel_of(list);
        if (channel < 0) {
            scpi_call_error(call, -224, list);
            return NULL;
        }
        if (channel < 1 || channel > device->output_count) {
            scpi_call_error(call, -222, list);
            return NULL;
        }
    }
    if (channel < 1 || channel > device->output_count) {
        scpi_call_error(call, -114, NULL);
        return NULL;
    }
    struct output *output = &device->outputs[channel - 1];
    output_advance(output, call->time_s);
    return output;
}

bool scpi_call_limit_asked(struct scpi_call *call, const struct scpi_limits *limits, double *number)
{
    if (call->parameter_count == 0)
        return false;
    if (limit_word(call->parameters[0], limits, number))
        return true;
    bool word = isalpha((unsigned char)call->parameters[0][0]) != 0;
    scpi_call_error(call, word ? -224 : -104, call->parameters[0]);
    return false;
}
