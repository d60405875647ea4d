/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_ask.h"

#include "base/clock.h"

#include <math.h>
#include <string.h>

/* A frame: unit, function, 250 bytes of registers at most, checksum; before it,
 * an echo of the request. */
enum { LONGEST_FRAME = 300, REQUEST = 8, TCP_HEADER = 6 };

/* The longest pause within a frame: converters and gateways cut frames up. */
static const double PAUSE_S = 0.1;
static const double QUIET_S = 0.03;

/* CRC-16 of Modbus over serial line V1.02, 6.2.2. */
static unsigned checksum(const unsigned char *bytes, size_t count)
{
    unsigned value = 0xFFFF;
    for (size_t i = 0; i < count; i++) {
        value ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            value = value & 1U ? value >> 1 ^ 0xA001U : value >> 1;
    }
    return value;
}

static bool is_tcp(const struct modbus_asker *asker)
{
    return asker->spec.kind == LINK_MODBUS_TCP;
}

static size_t build(struct modbus_asker *asker, const unsigned char asked[6],
                    unsigned char frame[TCP_HEADER + REQUEST])
{
    if (is_tcp(asker)) {
        asker->number++;
        const unsigned char header[TCP_HEADER] = {
            (unsigned char)(asker->number >> 8), (unsigned char)asker->number, 0, 0, 0, 6};
        memcpy(frame, header, TCP_HEADER);
        memcpy(frame + TCP_HEADER, asked, 6);
        return TCP_HEADER + 6;
    }
    memcpy(frame, asked, 6);
    unsigned sum = checksum(asked, 6);
    frame[6] = (unsigned char)sum;
    frame[7] = (unsigned char)(sum >> 8);
    return REQUEST;
}

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

/* How long the frame at `bytes` is to be; 0: not to be told yet. */
static size_t whole_length(bool tcp, const unsigned char *bytes, size_t count)
{
    if (tcp)
        return count < TCP_HEADER ? 0 : TCP_HEADER + (size_t)(bytes[4] << 8 | bytes[5]);
    if (count < 3)
        return 0;
    return bytes[1] & 0x80U ? 5 : 5 + (size_t)bytes[2];
}

/* Takes the frame's unit, function and data apart. */
static enum modbus_answer judge(const unsigned char asked[6], const unsigned char *pdu,
                                size_t length, uint16_t *words, int *code)
{
    int count = asked[5];
    if (pdu[0] != asked[0]) {
        *code = pdu[0];
        return pdu[0] >= 1 && pdu[0] <= 247 ? MODBUS_ANSWER_OTHER_UNIT : MODBUS_ANSWER_NOISE;
    }
    if (length == 3 && pdu[1] == (asked[1] | 0x80U)) {
        *code = pdu[2];
        return MODBUS_ANSWER_EXCEPTION;
    }
    if (pdu[1] != asked[1] || length != 3 + 2 * (size_t)count || pdu[2] != 2 * count)
        return MODBUS_ANSWER_NOISE;
    for (int i = 0; i < count; i++)
        words[i] = (uint16_t)(pdu[3 + 2 * i] << 8 | pdu[4 + 2 * i]);
    return MODBUS_ANSWER_WORDS;
}

/* What has come so far: an answer, or SILENCE for "more is to come". Over TCP
 * frames of earlier requests are passed over, elsewhere an echo. */
static enum modbus_answer look(const struct modbus_asker *asker, const unsigned char asked[6],
                               const unsigned char *request, unsigned char *bytes, size_t *count,
                               uint16_t *words, int *code)
{
    bool tcp = is_tcp(asker);
    for (;;) {
        if (!tcp && *count >= REQUEST && memcmp(bytes, request, REQUEST) == 0) {
            *count -= REQUEST;
            memmove(bytes, bytes + REQUEST, *count);
        }
        size_t whole = whole_length(tcp, bytes, *count);
        if (whole > LONGEST_FRAME)
            return MODBUS_ANSWER_NOISE;
        if (whole == 0 || *count < whole)
            return MODBUS_ANSWER_SILENCE;
        if (!tcp) {
            unsigned sum = checksum(bytes, whole - 2);
            bool sound = bytes[whole - 2] == (sum & 0xFFU) && bytes[whole - 1] == sum >> 8 &&
                         whole == *count;
            return sound ? judge(asked, bytes, whole - 2, words, code) : MODBUS_ANSWER_NOISE;
        }
        if (bytes[2] || bytes[3] || whole < TCP_HEADER + 3)
            return MODBUS_ANSWER_NOISE;
        if ((bytes[0] << 8 | bytes[1]) == asker->number)
            return judge(asked, bytes + TCP_HEADER, whole - TCP_HEADER, words, code);
        *count -= whole;
        memmove(bytes, bytes + whole, *count);
    }
}

static enum modbus_answer receive(struct modbus_asker *asker, const unsigned char asked[6],
                                  const unsigned char *request, uint16_t *words, int *code)
{
    unsigned char bytes[LONGEST_FRAME];
    size_t count = 0;
    double character_s = link_character_s(&asker->spec);
    double deadline_s = clock_monotonic_s() + (REQUEST + 4) * character_s + asker->timeout_s;
    for (;;) {
        long got = link_read(asker->link, bytes + count, sizeof bytes - count, deadline_s);
        if (got < 0)
            return MODBUS_ANSWER_GONE;
        if (got == 0)
            return count == 0 ? MODBUS_ANSWER_SILENCE : MODBUS_ANSWER_NOISE;
        count += (size_t)got;
        enum modbus_answer answer = look(asker, asked, request, bytes, &count, words, code);
        if (answer != MODBUS_ANSWER_SILENCE)
            return answer;
        if (count == sizeof bytes)
            return MODBUS_ANSWER_NOISE;
        deadline_s = fmax(deadline_s, clock_monotonic_s() + PAUSE_S + 4 * character_s);
    }
}

enum modbus_answer modbus_ask(struct modbus_asker *asker, int unit, int function, int address,
                              int count, uint16_t *words, int *code)
{
    int unused = 0;
    const unsigned char asked[6] = {(unsigned char)unit,           function == 4 ? 4 : 3,
                                    (unsigned char)(address >> 8), (unsigned char)address,
                                    (unsigned char)(count >> 8),   (unsigned char)count};
    unsigned char frame[TCP_HEADER + REQUEST];
    if (settle(asker) != 0)
        return MODBUS_ANSWER_GONE;
    size_t length = build(asker, asked, frame);
    asker->requests++;
    if (link_write(asker->link, frame, length, clock_monotonic_s() + 1) != 0)
        return MODBUS_ANSWER_GONE;
    enum modbus_answer answer = receive(asker, asked, frame, words, code ? code : &unused);
    asker->late = answer != MODBUS_ANSWER_WORDS && answer != MODBUS_ANSWER_EXCEPTION;
    asker->ended_s = clock_monotonic_s();
    return answer;
}
