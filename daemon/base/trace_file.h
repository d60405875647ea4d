/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Traces as CSV (RFC 4180), the form in which power-ups come in and go out.
 *
 *   time_s,voltage_V,current_A,output_on,limited,valid
 *   0,13.8,0.0021,1,0,1
 *
 * The first line names the columns, in any order; time_s, voltage_V and
 * current_A are needed, output_on, limited and valid (0 or 1) are known, others
 * are passed over. UTF-8 (a byte order mark is allowed), LF or CRLF, decimal
 * point. Time strictly increasing. An empty cell among the known columns makes
 * an invalid reading (an empty flag: unknown).
 */
#ifndef WAKEDRAW_BASE_TRACE_FILE_H
#define WAKEDRAW_BASE_TRACE_FILE_H

#include "base/error.h"
#include "base/reading.h"

#include <stdio.h>

/* Reads a whole file into an empty trace. Returns 0; or -1, the trace empty and
 * the error filled: EXIT_NO_INPUT (cannot be opened), EXIT_BAD_DATA with the
 * line, EXIT_IO. Numbers are quantised as reading.h says; two times that fall
 * onto one microsecond are an error, as they would not increase. */
int trace_file_read(const char *path, struct trace *trace, struct error *error);

/* Writes all columns, LF, numbers so that reading them back gives the same
 * doubles. Returns 0, or -1 when the stream failed. */
int trace_file_write(FILE *stream, const struct reading *readings, size_t count);

#endif
