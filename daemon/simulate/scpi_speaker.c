/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_speaker.h"

#include <string.h>

/* What ends a message that has no end of its own. */
#define SILENCE_S 0.004

static size_t frame(void *context, const uint8_t *bytes, size_t count, size_t *skip)
{
    (void)skip;
    const struct simulator *simulator = context;
    if (simulator->map.message_end == END_GAP)
        return 0;
    const uint8_t *end = memchr(bytes, simulator->map.message_end == END_CR ? '\r' : '\n', count);
    return end ? (size_t)(end - bytes) + 1 : 0;
}

static size_t answer(void *context, const uint8_t *bytes, size_t length, double now_s,
                     uint8_t reply[WIRE_LONGEST_REPLY])
{
    static const char *const ends[] = {
        [END_LF] = "\n", [END_CR] = "\r", [END_CRLF] = "\r\n", [END_GAP] = ""};
    const struct simulator *simulator = context;
    const char *message = (const char *)bytes;
    char plain[SCPI_LONGEST_MESSAGE], response[SCPI_LONGEST_RESPONSE];
    if (simulator->map.message_end != END_GAP)
        length--;
    if (simulator->dialect.any) {
        size_t count = dialect_translate(&simulator->dialect, message, length, plain, sizeof plain);
        if (count > 0) {
            message = plain;
            length = count;
        }
    }
    size_t count = scpi_device_message(simulator->scpi, message, length,
                                       simulator_time_s(simulator, now_s), response);
    if (count == 0)
        return 0;
    memcpy(reply, response, count);
    for (const char *end = ends[simulator->map.reply_end]; *end; end++)
        reply[count++] = (uint8_t)*end;
    return count;
}

static void overrun(void *context)
{
    struct simulator *simulator = context;
    scpi_device_error(simulator->scpi, -363, NULL);
}

static void interrupted(void *context)
{
    struct simulator *simulator = context;
    scpi_device_error(simulator->scpi, -410, NULL);
}

struct speaker scpi_speaker(struct simulator *simulator)
{
    struct speaker speaker = {.frame = frame,
                              .answer = answer,
                              .overrun = overrun,
                              .interrupted = interrupted,
                              .context = simulator};
    if (simulator->map.message_end == END_GAP) {
        speaker.silence_s = SILENCE_S;
        speaker.silence_ends_message = true;
    }
    return speaker;
}
