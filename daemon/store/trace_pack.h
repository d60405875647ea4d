/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Readings packed for keeping: whole multiples of a decimal step chosen so that
 * nothing is lost, zigzag varint deltas by column, zstd, a version byte and a
 * CRC. Unpacking gives the same doubles, bit for bit. Pure.
 */
#ifndef WAKEDRAW_STORE_TRACE_PACK_H
#define WAKEDRAW_STORE_TRACE_PACK_H

#include "base/reading.h"

#include <stdint.h>

/* malloc'd bytes, or NULL when memory is out. The readings must be quantised
 * (reading.h). */
uint8_t *trace_pack(const struct reading *readings, size_t count, size_t *bytes);

/* Appends what was packed. 0; -1: damaged or of an unknown version (the trace
 * is unchanged). */
int trace_unpack(const uint8_t *packed, size_t bytes, struct trace *trace);

/* What unpacking one after the other need not make anew each time. create: NULL
 * when memory is out. */
struct trace_unpacker;
struct trace_unpacker *trace_unpacker_create(void);
void trace_unpacker_destroy(struct trace_unpacker *unpacker);
int trace_unpack_with(struct trace_unpacker *unpacker, const uint8_t *packed, size_t bytes,
                      struct trace *trace);

#endif
