/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/reading.h"

#include <math.h>
#include <stdlib.h>

/* Dividing two exactly held whole numbers rounds once, so the result is the
 * double nearest to the decimal; multiplying by 1e-6 would round twice. */
static double to_steps(double value, double steps_per_unit)
{
    double whole = nearbyint(value * steps_per_unit);
    if (!isfinite(whole))
        return NAN;
    return whole == 0.0 ? 0.0 : whole / steps_per_unit;
}

void reading_quantise(struct reading *reading)
{
    reading->time_s = to_steps(reading->time_s, 1e6);
    reading->voltage_V = to_steps(reading->voltage_V, 1e6);
    reading->current_A = to_steps(reading->current_A, 1e7);
    /* As an empty cell does in a file, so that both are judged alike. */
    if (isnan(reading->voltage_V) || isnan(reading->current_A))
        reading->valid = false;
}

bool trace_reserve(struct trace *trace, size_t count)
{
    if (count <= trace->capacity - trace->count)
        return true;
    size_t wanted = trace->count + count;
    struct reading *grown = realloc(trace->readings, wanted * sizeof *grown);
    if (!grown)
        return false;
    trace->readings = grown;
    trace->capacity = wanted;
    return true;
}

bool trace_append(struct trace *trace, const struct reading *reading)
{
    if (trace->count == trace->capacity) {
        size_t wanted = trace->capacity ? 2 * trace->capacity : 256;
        struct reading *grown = realloc(trace->readings, wanted * sizeof *grown);
        if (!grown)
            return false;
        trace->readings = grown;
        trace->capacity = wanted;
    }
    trace->readings[trace->count++] = *reading;
    return true;
}

void trace_clear(struct trace *trace)
{
    free(trace->readings);
    *trace = (struct trace){0};
}
