/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's SCPI side (SCPI-1999 over IEEE 488.2; all values of
 * the standards here are from memory): takes program messages, gives response
 * messages. No I/O; time is data.
 *
 * One device, one status structure and one error queue, whoever asks.
 */
#ifndef WAKEDRAW_SIMULATE_SCPI_DEVICE_H
#define WAKEDRAW_SIMULATE_SCPI_DEVICE_H

#include "simulate/output.h"

#include <stdbool.h>
#include <stddef.h>

enum { MOST_OUTPUTS = 8, SCPI_LONGEST_MESSAGE = 4096, SCPI_LONGEST_RESPONSE = 8192 };

enum number_form { NUMBER_NR1, NUMBER_NR2, NUMBER_NR3 };

struct scpi_device;

/* The outputs stay the caller's and must outlive it. NULL: memory is out. */
struct scpi_device *scpi_device_create(struct output *outputs, int output_count,
                                       enum number_form form, const char *identity);
void scpi_device_destroy(struct scpi_device *device);

/* The bit of the questionable status that tells the current limit, beside bits 0
 * and 1; 0 to 14. */
void scpi_device_limit_bit(struct scpi_device *device, int bit);

/* Arrays of conversions, interval_s apart in the clients' time; 0: MEASure:ARRay is not
 * known. */
enum { SCPI_MOST_ARRAY = 1000 };
struct scpi_arrays {
    double interval_s, time_scale;
    int float_bytes; /* of a block; 0: a list */
    bool little;
};
void scpi_device_arrays(struct scpi_device *device, const struct scpi_arrays *arrays);

/* How long after the last message's end its conversions are all there. */
double scpi_device_takes_s(const struct scpi_device *device);

/* One program message, without its terminator, at time_s. The response, without
 * terminator, is left in `response` (empty: none is due); returns its length. */
size_t scpi_device_message(struct scpi_device *device, const char *message, size_t length,
                           double time_s, char response[SCPI_LONGEST_RESPONSE]);

/* What the wire found: -363 input overrun, -410 query interrupted. */
void scpi_device_error(struct scpi_device *device, int code, const char *detail);

#endif
