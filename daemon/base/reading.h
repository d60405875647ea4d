/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A reading: what the supply said once, and when. The one shape that every
 * room passes on, from the wire to the verdict.
 *
 * Numbers are quantised at receipt (reading_quantise) so that what is judged
 * live, packed into the store, exported as CSV and judged again as a file are
 * the same doubles, bit for bit.
 */
#ifndef WAKEDRAW_BASE_READING_H
#define WAKEDRAW_BASE_READING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Finest steps kept. A reading's numbers are whole multiples of these. */
#define READING_TIME_STEP_S 1e-6
#define READING_VOLTAGE_STEP_V 1e-6
#define READING_CURRENT_STEP_A 1e-7

/* What a supply may or may not tell. */
enum known_flag { FLAG_UNKNOWN = -1, FLAG_NO = 0, FLAG_YES = 1 };

struct reading {
    double time_s;    /* monotonic; counted from the trace's own zero */
    double voltage_V; /* NAN when not read */
    double current_A; /* NAN when not read; negative: into the supply */
    bool valid;       /* false: no usable current here (empty cell, overflow, not-a-number) */
    enum known_flag output_on; /* the supply's own word for its output */
    enum known_flag limited;   /* the supply says it is in current limit */
};

/* A growing row of readings, time strictly increasing. */
struct trace {
    struct reading *readings;
    size_t count;
    size_t capacity;
};

/* Rounds time, voltage and current to the steps above; not-a-number stays, and
 * voltage or current that is none makes the reading invalid (as an empty cell
 * does in a trace file; infinities become not-a-number). A value v becomes the double nearest to
 * the decimal n/1e6 (n/1e7), the same that strtod gives for its decimal text. */
void reading_quantise(struct reading *reading);

/* Appends a copy; false when memory is out (the trace is unchanged). */
bool trace_append(struct trace *trace, const struct reading *reading);

/* Room for so many more; false when memory is out (the trace is unchanged). */
bool trace_reserve(struct trace *trace, size_t count);

/* Frees the readings and leaves an empty trace. */
void trace_clear(struct trace *trace);

#endif
