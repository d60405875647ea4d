/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/modbus_speaker.h"

#include "simulate/modbus_frame.h"

#include <math.h>

/* A silence of 3.5 characters ends a frame; a process is not scheduled so
 * finely, so it waits at least so long. */
#define LEAST_SILENCE_S 0.02

enum { BROADCAST = 0 };

static size_t rtu_frame_length(void *context, const uint8_t *bytes, size_t count, size_t *skip)
{
    (void)context;
    (void)skip;
    return rtu_request_length(bytes, count);
}

static size_t rtu_answer(void *context, const uint8_t *message, size_t length, double now_s,
                         uint8_t reply[WIRE_LONGEST_REPLY])
{
    struct simulator *simulator = context;
    if (message[0] != simulator->modbus_address && message[0] != BROADCAST)
        return 0;
    uint8_t pdu[MODBUS_LONGEST_PDU];
    simulator->registers.time_s = simulator_time_s(simulator, now_s);
    size_t count = modbus_answer(&simulator->space, message + 1, length - 3, pdu);
    return message[0] == BROADCAST ? 0 : rtu_frame(message[0], pdu, count, reply);
}

static size_t mbap_frame_length(void *context, const uint8_t *bytes, size_t count, size_t *skip)
{
    (void)context;
    return mbap_request_length(bytes, count, skip);
}

static size_t mbap_answer(void *context, const uint8_t *message, size_t length, double now_s,
                          uint8_t reply[WIRE_LONGEST_REPLY])
{
    struct simulator *simulator = context;
    uint8_t pdu[MODBUS_LONGEST_PDU];
    uint8_t unit = message[MBAP_HEADER - 1];
    size_t count = 2;
    /* On TCP the unit of a device that stands alone is 255 or 0. */
    if (unit == simulator->modbus_address || unit == 255 || unit == 0) {
        simulator->registers.time_s = simulator_time_s(simulator, now_s);
        count = modbus_answer(&simulator->space, message + MBAP_HEADER, length - MBAP_HEADER, pdu);
    } else {
        pdu[0] = message[MBAP_HEADER] | 0x80;
        pdu[1] = MODBUS_NO_TARGET;
    }
    return mbap_frame(message, pdu, count, reply);
}

static void overrun(void *context)
{
    (void)context; /* nothing is said to a frame that never ends */
}

struct speaker modbus_speaker(struct simulator *simulator, bool rtu, int address,
                              double character_s)
{
    simulator->modbus_address = address;
    simulator->registers = (struct supply_registers){&simulator->map, simulator->outputs,
                                                     simulator->output_count, 0, false};
    simulator->space = supply_registers_space(&simulator->registers);
    struct speaker speaker = {.frame = rtu ? rtu_frame_length : mbap_frame_length,
                              .answer = rtu ? rtu_answer : mbap_answer,
                              .overrun = overrun,
                              .context = simulator};
    if (rtu)
        speaker.silence_s = fmax(LEAST_SILENCE_S, 3.5 * character_s);
    return speaker;
}
