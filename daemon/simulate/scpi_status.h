/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Status registers and the error queue of IEEE 488.2 and SCPI-1999 (numbers
 * and texts from memory of the standards).
 */
#ifndef WAKEDRAW_SIMULATE_SCPI_STATUS_H
#define WAKEDRAW_SIMULATE_SCPI_STATUS_H

#include <stdbool.h>

enum { ERROR_QUEUE_DEPTH = 20 };

/* Bits of the standard event status register. */
enum {
    EVENT_OPERATION_COMPLETE = 1,
    EVENT_QUERY_ERROR = 4,
    EVENT_DEVICE_ERROR = 8,
    EVENT_EXECUTION_ERROR = 16,
    EVENT_COMMAND_ERROR = 32,
    EVENT_POWER_ON = 128,
};

struct scpi_register {
    unsigned condition, event, enable;
};

struct scpi_queued_error {
    int code;
    char detail[64];
};

struct scpi_status {
    unsigned standard_event, standard_enable, service_enable;
    struct scpi_register questionable, operation;
    struct scpi_queued_error errors[ERROR_QUEUE_DEPTH]; /* first in, first out */
    int error_first, error_count;
};

void scpi_status_init(struct scpi_status *status);

/* Queues it and sets its bit in the standard event register; a full queue keeps
 * its last place for -350. */
void scpi_status_error(struct scpi_status *status, int code, const char *detail);

/* Takes the oldest out into text: -113,"Undefined header;FOO", or 0,"No error". */
void scpi_status_next_error(struct scpi_status *status, char *text, unsigned long size);

/* *CLS */
void scpi_status_clear(struct scpi_status *status);

/* A register's condition is that now; what rose is an event. */
void scpi_register_set(struct scpi_register *reg, unsigned condition);

/* The status byte; `message_available`: a response waits. */
unsigned scpi_status_byte(const struct scpi_status *status, bool message_available);

#endif
