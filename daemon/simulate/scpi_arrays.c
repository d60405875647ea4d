/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Arrays of conversions (SCPI-1999 vol. 2, MEASure:ARRay and FETCh:ARRay), told as
 * numbers with commas between or as a definite-length block of binary floats (IEEE
 * 488.2, 8.7.9).
 */
#include "simulate/scpi_call.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_DIGITS = 9 };

void scpi_device_arrays(struct scpi_device *device, const struct scpi_arrays *arrays)
{
    device->arrays = *arrays;
}

double scpi_device_takes_s(const struct scpi_device *device)
{
    return device->takes_s;
}

/* (COUNT), or COUNT; 0: an error was queued. */
static int count_asked(struct scpi_call *call)
{
    const char *text = call->parameter_count > 0 ? call->parameters[0] : "";
    char *end = NULL;
    long count = strtol(text + (text[0] == '('), &end, 10);
    if (text[0] == '(' && *end == ')')
        end++;
    if (call->parameter_count < 1 || call->parameter_count > 2) {
        scpi_call_error(call, call->parameter_count < 1 ? -109 : -108, NULL);
        return 0;
    }
    if (*end != '\0' || count < 1 || count > SCPI_MOST_ARRAY) {
        scpi_call_error(call, -222, text);
        return 0;
    }
    return (int)count;
}

static void add_byte(struct scpi_call *call, uint8_t byte)
{
    if (call->response_length + 1 >= SCPI_LONGEST_RESPONSE)
        call->overflowed = true;
    else
        call->response[call->response_length++] = (char)byte;
}

static void add_float(struct scpi_call *call, double value, size_t size, bool little)
{
    uint64_t bits = 0;
    if (isnan(value))
        value = 9.91e37;
    if (size == sizeof(float)) {
        float number = (float)value;
        uint32_t low = 0;
        memcpy(&low, &number, sizeof low);
        bits = low;
    } else {
        memcpy(&bits, &value, sizeof bits);
    }
    for (size_t i = 0; i < size; i++)
        add_byte(call, (uint8_t)(bits >> 8 * (little ? i : size - 1 - i)));
}

static void tell(struct scpi_call *call, const double values[], int count, double resolution)
{
    const struct scpi_arrays *arrays = &call->device->arrays;
    if (arrays->float_bytes == 0) {
        for (int i = 0; i < count; i++) {
            if (i > 0)
                scpi_call_reply(call, ",");
            scpi_call_reply_number(call, values[i], resolution);
        }
        return;
    }
    char length[MOST_DIGITS + 1];
    int digits = snprintf(length, sizeof length, "%d", count * arrays->float_bytes);
    scpi_call_reply(call, "#%d%s", digits, length);
    for (int i = 0; i < count; i++)
        add_float(call, values[i], (size_t)arrays->float_bytes, arrays->little);
}

static void acquire(struct scpi_call *call, bool voltage)
{
    struct scpi_device *device = call->device;
    const struct scpi_arrays *arrays = &device->arrays;
    int count = count_asked(call);
    if (count == 0)
        return;
    /* What is left may be a channel list; the count is in parentheses too. */
    if (call->parameter_count == 1)
        call->parameter_count = 0;
    struct output *output = scpi_call_output(call);
    if (!output)
        return;
    for (int i = 0; i < count; i++) {
        output_read(output, call->time_s + (i + 0.5) * arrays->interval_s * arrays->time_scale);
        device->array_V[i] = output->read_V;
        device->array_A[i] = output->read_A;
    }
    device->array_count = count;
    device->takes_s += count * arrays->interval_s;
    tell(call, voltage ? device->array_V : device->array_A, count,
         voltage ? output->options.resolution_V : output->options.resolution_A);
}

static bool offered(struct scpi_call *call)
{
    if (call->device->arrays.interval_s > 0)
        return true;
    scpi_call_error(call, -113, NULL);
    return false;
}

void scpi_measure_array_voltage(struct scpi_call *call)
{
    if (offered(call))
        acquire(call, true);
}

void scpi_measure_array_current(struct scpi_call *call)
{
    if (offered(call))
        acquire(call, false);
}

static void fetch(struct scpi_call *call, bool voltage)
{
    struct scpi_device *device = call->device;
    struct output *output = offered(call) ? scpi_call_output(call) : NULL;
    if (!output)
        return;
    if (device->array_count == 0) {
        scpi_call_error(call, -230, NULL); /* data corrupt or stale */
        return;
    }
    tell(call, voltage ? device->array_V : device->array_A, device->array_count,
         voltage ? output->options.resolution_V : output->options.resolution_A);
}

void scpi_fetch_array_voltage(struct scpi_call *call)
{
    fetch(call, true);
}

void scpi_fetch_array_current(struct scpi_call *call)
{
    fetch(call, false);
}

void scpi_array_interval(struct scpi_call *call)
{
    if (offered(call))
        scpi_call_reply(call, "%.6g", call->device->arrays.interval_s);
}
