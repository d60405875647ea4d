/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_speaker.h"

#include <stdio.h>
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

/* The states of an output as bits of one number, in digits or as a byte. */
static size_t tell_state(struct simulator *simulator, int number, double now_s, uint8_t *reply)
{
    const struct supply_map *map = &simulator->map;
    struct output *output = &simulator->outputs[number - 1];
    output_read(output, simulator_time_s(simulator, now_s));
    bool limited = output->on && output->flow.limited;
    unsigned bits = 0;
    if (map->output_bit >= 0 && output->on != map->output_inverted)
        bits |= 1U << map->output_bit;
    if (map->limited_bit >= 0 && limited != map->limited_inverted)
        bits |= 1U << map->limited_bit;
    if (!map->state_byte)
        return (size_t)sprintf((char *)reply, "%u", bits);
    reply[0] = (uint8_t)bits;
    return 1;
}

static size_t answer(void *context, const uint8_t *bytes, size_t length, double now_s,
                     uint8_t reply[WIRE_LONGEST_REPLY])
{
    static const char *const ends[] = {
        [END_LF] = "\n", [END_CR] = "\r", [END_CRLF] = "\r\n", [END_GAP] = ""};
    struct simulator *simulator = context;
    const char *message = (const char *)bytes;
    char plain[SCPI_LONGEST_MESSAGE], response[SCPI_LONGEST_RESPONSE];
    if (simulator->map.message_end != END_GAP)
        length--;
    int asked = 0;
    size_t count = 0;
    bool state = dialect_asks_state(&simulator->dialect, message, length, &asked);
    if (state)
        count = tell_state(simulator, asked, now_s, reply);
    if (simulator->dialect.any && !state) {
        size_t plain_length =
            dialect_translate(&simulator->dialect, message, length, plain, sizeof plain);
        if (plain_length > 0) {
            message = plain;
            length = plain_length;
        }
    }
    if (!state) {
        count = scpi_device_message(simulator->scpi, message, length,
                                    simulator_time_s(simulator, now_s), response);
        memcpy(reply, response, count);
    }
    if (count == 0)
        return 0;
    for (const char *end = ends[simulator->map.reply_end]; *end; end++)
        reply[count++] = (uint8_t)*end;
    return count;
}

static double takes_s(void *context)
{
    const struct simulator *simulator = context;
    return scpi_device_takes_s(simulator->scpi);
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
                              .takes_s = takes_s,
                              .overrun = overrun,
                              .interrupted = interrupted,
                              .context = simulator};
    if (simulator->map.message_end == END_GAP) {
        speaker.silence_s = SILENCE_S;
        speaker.silence_ends_message = true;
    }
    return speaker;
}
