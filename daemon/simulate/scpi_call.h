/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Within the SCPI side: one message unit being carried out, its parameters and
 * its reply.
 */
#ifndef WAKEDRAW_SIMULATE_SCPI_CALL_H
#define WAKEDRAW_SIMULATE_SCPI_CALL_H

#include "simulate/scpi_device.h"
#include "simulate/scpi_status.h"

enum { MOST_PARAMETERS = 8 };

struct scpi_device {
    struct output *outputs;
    int output_count;
    int selected; /* index */
    enum number_form form;
    int limit_bit; /* of the condition registers, beside bits 0 and 1; -1: none */
    char identity[128];
    struct scpi_status status;
    struct scpi_arrays arrays;
    double array_V[SCPI_MOST_ARRAY], array_A[SCPI_MOST_ARRAY], takes_s;
    int array_count; /* of the last acquisition; 0: none */
};

struct scpi_call {
    struct scpi_device *device;
    double time_s;
    bool query;
    int suffix; /* -1 where none was given */
    const char *parameters[MOST_PARAMETERS];
    int parameter_count;
    int error_code; /* 0: none was queued */
    char *response;
    size_t response_length;
    bool overflowed;
    bool response_waiting; /* an earlier unit of the message has left one */
};

/* Queues the error; the call has failed. */
void scpi_call_error(struct scpi_call *call, int code, const char *detail);

/* Adds to the reply. */
void scpi_call_reply(struct scpi_call *call, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* A number in the device's form, with the decimals that the resolution needs;
 * not-a-number and infinity as SCPI-1999 has them. */
void scpi_call_reply_number(struct scpi_call *call, double number, double resolution);

/* What a parameter may be. */
struct scpi_limits {
    double least, most, normal; /* MIN, MAX, DEF */
    const char *unit;           /* "V", "A" or "" */
};

/* The parameter as a number within the limits; false: an error was queued. */
bool scpi_call_number(struct scpi_call *call, int index, const struct scpi_limits *limits,
                      double *number);
bool scpi_call_switch(struct scpi_call *call, int index, bool *on);
/* 0..65535, also #H, #Q, #B. */
bool scpi_call_mask(struct scpi_call *call, int index, unsigned *mask);

/* The output meant: a channel list as the last parameter (it is then taken
 * off), else the header's suffix where there is one, else the selected one.
 * NULL: an error was queued. */
struct output *scpi_call_output(struct scpi_call *call);

/* A query's MIN, MAX or DEF: the limit meant; false: none given (no error) or
 * an error was queued. */
bool scpi_call_limit_asked(struct scpi_call *call, const struct scpi_limits *limits,
                           double *number);

/* Arrays (scpi_arrays.c). */
void scpi_measure_array_voltage(struct scpi_call *call);
void scpi_measure_array_current(struct scpi_call *call);
void scpi_fetch_array_voltage(struct scpi_call *call);
void scpi_fetch_array_current(struct scpi_call *call);
void scpi_array_interval(struct scpi_call *call);

/* The status registers follow what the selected output does. */
void scpi_device_refresh(struct scpi_device *device, double time_s);

/* Is the header (without "?" and leading colon) one of the commands, to tell or
 * to ask? */
bool scpi_knows(const char *header, bool query);

/* Carries out the unit whose header that is. */
void scpi_call_run(struct scpi_call *call, const char *header);

#endif
