/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_speaker.h"

#include <string.h>

static size_t frame(void *context, const uint8_t *bytes, size_t count, size_t *skip)
{
    (void)context;
    (void)skip;
    const uint8_t *end = memchr(bytes, '\n', count);
    return end ? (size_t)(end - bytes) + 1 : 0;
}

static size_t answer(void *context, const uint8_t *message, size_t length, double now_s,
                     uint8_t reply[WIRE_LONGEST_REPLY])
{
    struct simulator *simulator = context;
    char response[SCPI_LONGEST_RESPONSE];
    size_t count = scpi_device_message(simulator->scpi, (const char *)message, length - 1,
                                       simulator_time_s(simulator, now_s), response);
    if (count == 0)
        return 0;
    memcpy(reply, response, count);
    reply[count] = '\n';
    return count + 1;
}

static void overrun(void *context)
{
    struct simulator *simulator = context;
    scpi_device_error(simulator->scpi, -363, NULL);
}

struct speaker scpi_speaker(struct simulator *simulator)
{
    return (struct speaker){frame, answer, overrun, 0, simulator};
}
