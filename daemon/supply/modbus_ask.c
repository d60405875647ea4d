/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_ask.h"

#include "base/clock.h"
#include "supply/modbus_frame.h"

#include <stdbool.h>

/* The characters of a request on a line. */
enum { REQUEST = 8 };

/* The longest pause within a frame: converters and gateways cut frames up. */
static const double PAUSE_S = 0.1;
static const double QUIET_S = 0.03;

/* Before a request: the silence between frames kept, what is late waited out,
 * nothing stale left to be taken for its answer. */
static int settle(struct modbus_asker *asker)
{
    unsigned char bytes[256];
    double silence_s = 0;
    if (asker->spec.kind == LINK_MODBUS_RTU)
        silence_s = asker->spec.baud > 19200 ? 0.00175 : 3.5 * 11 / asker->spec.baud;
    clock_sleep_until(asker->ended_s + silence_s);
    double until_s = clock_monotonic_s() + 1;
    double wait_s = asker->late ? QUIET_S : 0;
    asker->late = false;
    for (;;) {
        long got = link_read(asker->link, bytes, sizeof bytes,
                             wait_s > 0 ? clock_monotonic_s() + wait_s : 0);
        if (got < 0)
            return -1;
        if (got == 0 || clock_monotonic_s() > until_s)
            return 0;
        wait_s = QUIET_S + 4 * link_character_s(&asker->spec);
    }
}

/* Takes function and data apart; the library holds neither against the question. */
static enum modbus_answer judge(const uint8_t asked[5], const uint8_t *pdu, int length,
                                uint16_t *words, int *code)
{
    int count = asked[4];
    if (length == 2 && pdu[0] == (asked[0] | 0x80U)) {
        *code = pdu[1];
        return MODBUS_ANSWER_EXCEPTION;
    }
    if (pdu[0] != asked[0] || length != 2 + 2 * count || pdu[1] != 2 * count)
        return MODBUS_ANSWER_NOISE;
    for (int i = 0; i < count; i++)
        words[i] = (uint16_t)(pdu[2 + 2 * i] << 8 | pdu[3 + 2 * i]);
    return MODBUS_ANSWER_WORDS;
}

static enum modbus_answer receive(const struct modbus_asker *asker, struct modbus_frames *frames,
                                  const uint8_t asked[5], uint16_t *words, int *code)
{
    double character_s = link_character_s(&asker->spec);
    uint8_t pdu[MOST_PDU];
    int length = 0;
    int unit = 0;
    switch (modbus_frames_receive(
        frames, clock_monotonic_s() + (REQUEST + 4) * character_s + asker->timeout_s,
        PAUSE_S + 4 * character_s, pdu, &length, &unit)) {
    case MODBUS_CAME_FRAME:
        return judge(asked, pdu, length, words, code);
    case MODBUS_CAME_OTHER_UNIT:
        *code = unit;
        return unit >= 1 && unit <= 247 ? MODBUS_ANSWER_OTHER_UNIT : MODBUS_ANSWER_NOISE;
    case MODBUS_CAME_NOTHING:
        return MODBUS_ANSWER_SILENCE;
    case MODBUS_CAME_GONE:
        return MODBUS_ANSWER_GONE;
    default:
        return MODBUS_ANSWER_NOISE;
    }
}

enum modbus_answer modbus_ask(struct modbus_asker *asker, int unit, int function, int address,
                              int count, uint16_t *words, int *code)
{
    int unused = 0;
    const uint8_t asked[5] = {function == 4 ? 4 : 3, (uint8_t)(address >> 8), (uint8_t)address,
                              (uint8_t)(count >> 8), (uint8_t)count};
    if (settle(asker) != 0)
        return MODBUS_ANSWER_GONE;
    struct modbus_frames *frames = modbus_frames_open(&asker->spec, asker->link);
    if (!frames)
        return MODBUS_ANSWER_GONE;
    asker->number++;
    asker->requests++;
    enum modbus_answer answer = MODBUS_ANSWER_GONE;
    if (modbus_frames_send(frames, asker->number, unit, asked, sizeof asked,
                           clock_monotonic_s() + 1) == 0)
        answer = receive(asker, frames, asked, words, code ? code : &unused);
    modbus_frames_close(frames);
    asker->late = answer != MODBUS_ANSWER_WORDS && answer != MODBUS_ANSWER_EXCEPTION;
    asker->ended_s = clock_monotonic_s();
    return answer;
}
