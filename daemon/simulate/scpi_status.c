/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_status.h"

#include <stddef.h>
#include <stdio.h>
#include <string.h>

static const struct {
    int code;
    const char *text;
} texts[] = {
    {0, "No error"},
    {-101, "Invalid character"},
    {-102, "Syntax error"},
    {-103, "Invalid separator"},
    {-104, "Data type error"},
    {-108, "Parameter not allowed"},
    {-109, "Missing parameter"},
    {-110, "Command header error"},
    {-112, "Program mnemonic too long"},
    {-113, "Undefined header"},
    {-114, "Header suffix out of range"},
    {-121, "Invalid character in number"},
    {-131, "Invalid suffix"},
    {-138, "Suffix not allowed"},
    {-151, "Invalid string data"},
    {-221, "Settings conflict"},
    {-222, "Data out of range"},
    {-224, "Illegal parameter value"},
    {-230, "Data corrupt or stale"},
    {-350, "Queue overflow"},
    {-363, "Input buffer overrun"},
    {-410, "Query INTERRUPTED"},
    {-420, "Query UNTERMINATED"},
    {-430, "Query DEADLOCKED"},
    {-440, "Query UNTERMINATED after indefinite response"},
};

static const char *text_of(int code)
{
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++)
        if (texts[i].code == code)
            return texts[i].text;
    return "Device-specific error";
}

static unsigned event_of(int code)
{
    switch (code / 100) {
    case -1:
        return EVENT_COMMAND_ERROR;
    case -2:
        return EVENT_EXECUTION_ERROR;
    case -4:
        return EVENT_QUERY_ERROR;
    default:
        return EVENT_DEVICE_ERROR;
    }
}

void scpi_status_init(struct scpi_status *status)
{
    *status = (struct scpi_status){.standard_event = EVENT_POWER_ON};
}

void scpi_status_error(struct scpi_status *status, int code, const char *detail)
{
    status->standard_event |= event_of(code);
    if (status->error_count == ERROR_QUEUE_DEPTH) {
        int last = (status->error_first + ERROR_QUEUE_DEPTH - 1) % ERROR_QUEUE_DEPTH;
        status->errors[last] = (struct scpi_queued_error){.code = -350};
        return;
    }
    int place = (status->error_first + status->error_count++) % ERROR_QUEUE_DEPTH;
    status->errors[place].code = code;
    snprintf(status->errors[place].detail, sizeof status->errors[place].detail, "%s",
             detail ? detail : "");
    /* The text goes out between quotes. */
    for (char *c = status->errors[place].detail; *c; c++)
        if (*c == '"' || *c < ' ' || *c > '~')
            *c = '.';
}

void scpi_status_next_error(struct scpi_status *status, char *text, unsigned long size)
{
    if (status->error_count == 0) {
        snprintf(text, size, "0,\"%s\"", text_of(0));
        return;
    }
    const struct scpi_queued_error *error = &status->errors[status->error_first];
    snprintf(text, size, "%d,\"%s%s%s\"", error->code, text_of(error->code),
             error->detail[0] ? ";" : "", error->detail);
    status->error_first = (status->error_first + 1) % ERROR_QUEUE_DEPTH;
    status->error_count--;
}

void scpi_status_clear(struct scpi_status *status)
{
    status->standard_event = 0;
    status->questionable.event = status->operation.event = 0;
    status->error_first = status->error_count = 0;
}

void scpi_register_set(struct scpi_register *reg, unsigned condition)
{
    reg->event |= condition & ~reg->condition;
    reg->condition = condition;
}

unsigned scpi_status_byte(const struct scpi_status *status, bool message_available)
{
    unsigned byte = 0;
    if (status->error_count > 0)
        byte |= 4;
    if (status->questionable.event & status->questionable.enable)
        byte |= 8;
    if (message_available)
        byte |= 16;
    if (status->standard_event & status->standard_enable)
        byte |= 32;
    if (status->operation.event & status->operation.enable)
        byte |= 128;
    if (byte & status->service_enable)
        byte |= 64;
    return byte;
}
