/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Modbus frames on the wire, to the text of the application protocol V1.1b3, of
 * MODBUS over serial line V1.02 and of the messaging guide for TCP/IP V1.0b.
 */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>
#include <string.h>

/* 253 bytes of function and data, and what is around them (V1.1b3, 4.1). */
enum { MOST_PDU = 253, MBAP = 7, MOST_FRAME = MBAP + MOST_PDU, MOST_HELD = 2 * MOST_FRAME };

/* A frame as long as the answer has come and is not the answer: what stands in
 * front of it may be noise, and its end still be under way. */
static const double REST_S = 0.02;
/* Where nothing was answered before, off waits no longer for its answer: there may be
 * another off to send. */
static const double OFF_ANSWER_S = 0.1;
/* How long after the deadline an answer may be found that had come by then. */
static const double LATEST_LOOK_S = 0.005;

/* What is asked, and what a good answer is: so long, and beginning so. */
struct question {
    uint8_t pdu[MOST_PDU];
    int length;
    uint8_t head[MOST_PDU];
    int head_length, answer_length;
};

enum found { FOUND_ANSWER, FOUND_EXCEPTION, FOUND_BEGINNING, FOUND_NOTHING, FOUND_WRONG };

static void put_word(uint8_t *at, int word)
{
    at[0] = (uint8_t)(word >> 8);
    at[1] = (uint8_t)word;
}

static uint16_t get_word(const uint8_t *at)
{
    return (uint16_t)(at[0] << 8 | at[1]);
}

/* CRC-16 of serial line V1.02, 6.2.2: preset FFFF, polynomial A001, low byte first. */
static uint16_t checksum(const uint8_t *bytes, int count)
{
    unsigned value = 0xFFFF;
    for (int i = 0; i < count; i++) {
        value ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            value = value & 1 ? value >> 1 ^ 0xA001 : value >> 1;
    }
    return (uint16_t)value;
}

static bool has_mbap(const struct connection *connection)
{
    return connection->spec.kind == LINK_MODBUS_TCP;
}

static int make_frame(const struct connection *connection, const struct question *question,
                      uint8_t frame[MOST_FRAME])
{
    int start = has_mbap(connection) ? MBAP : 1;
    frame[start - 1] = (uint8_t)connection->spec.address;
    memcpy(frame + start, question->pdu, (size_t)question->length);
    int length = start + question->length;
    if (has_mbap(connection)) {
        put_word(frame, connection->modbus->number);
        put_word(frame + 2, 0);
        put_word(frame + 4, question->length + 1);
        return length;
    }
    uint16_t sum = checksum(frame, length);
    frame[length] = (uint8_t)sum;
    frame[length + 1] = (uint8_t)(sum >> 8);
    return length + 2;
}

/* Can `count` bytes be this answer's, as far as they go? */
static bool begins(const struct question *question, const uint8_t *pdu, int count)
{
    if (count > 0 && pdu[0] == (question->pdu[0] | 0x80))
        return true;
    int known = count < question->head_length ? count : question->head_length;
    return memcmp(pdu, question->head, (size_t)known) == 0;
}

/* A frame on a line is known by its beginning, its length and its checksum,
 * wherever in the bytes it stands: noise of the line's turning round, or our own
 * question coming back, may be in front of it. */
static enum found find_on_line(const struct connection *connection, const struct question *question,
                               const uint8_t *in, int count, const uint8_t **pdu, int *end)
{
    enum found found = FOUND_NOTHING;
    for (int at = 0; at < count; at++) {
        if (in[at] != connection->spec.address || !begins(question, in + at + 1, count - at - 1))
            continue;
        bool exception = at + 1 < count && in[at + 1] != question->pdu[0];
        int length = (exception ? 2 : question->answer_length) + 3;
        if (at + length > count) {
            found = FOUND_BEGINNING;
            continue;
        }
        uint16_t sum = checksum(in + at, length - 2);
        if (in[at + length - 2] != (sum & 0xFF) || in[at + length - 1] != sum >> 8)
            continue;
        *pdu = in + at + 1;
        *end = at + length;
        return exception ? FOUND_EXCEPTION : FOUND_ANSWER;
    }
    return found;
}

/* Over TCP the number tells the answer from an older question's, which is passed
 * over; the unit comes back as it was sent (messaging guide, 4.4.2.2). */
static enum found find_behind_header(const struct connection *connection,
                                     const struct question *question, uint8_t *in, int *count,
                                     const uint8_t **pdu, int *end)
{
    while (*count >= MBAP) {
        int rest = get_word(in + 4);
        if (get_word(in + 2) != 0 || rest < 3 || rest > MOST_PDU + 1)
            return FOUND_WRONG;
        if (*count < 6 + rest)
            return FOUND_BEGINNING;
        if (get_word(in) != connection->modbus->number) {
            *count -= 6 + rest;
            memmove(in, in + 6 + rest, (size_t)*count);
            continue;
        }
        *pdu = in + MBAP;
        *end = 6 + rest;
        if (in[6] != connection->spec.address || !begins(question, *pdu, rest - 1))
            return FOUND_WRONG;
        if (**pdu != question->pdu[0])
            return rest - 1 == 2 ? FOUND_EXCEPTION : FOUND_WRONG;
        return rest - 1 == question->answer_length ? FOUND_ANSWER : FOUND_WRONG;
    }
    return *count > 0 ? FOUND_BEGINNING : FOUND_NOTHING;
}

static enum outcome garbled(struct connection *connection)
{
    connection->garbled++;
    connection->modbus->out_of_step = true;
    return OUTCOME_GARBLED;
}

/* An answer without a number on it may still come and be taken for another's. */
static enum outcome silent(struct connection *connection)
{
    connection->timeouts++;
    connection->modbus->out_of_step = !has_mbap(connection);
    connection->modbus->late = !has_mbap(connection);
    return OUTCOME_SILENT;
}

/* Until when the next byte is waited for. */
static double wait_until(const struct connection *connection, const struct question *question,
                         double deadline_s, int count)
{
    double character_s = link_character_s(&connection->spec);
    if (count == 0)
        return deadline_s;
    double pause_s = connection->profile->modbus.byte_timeout_s + 3 * character_s;
    if (!has_mbap(connection) && count >= question->answer_length + 3)
        pause_s = REST_S + 4 * character_s;
    return clock_monotonic_s() + pause_s;
}

static enum outcome receive(struct connection *connection, const struct question *question,
                            double deadline_s, uint8_t answer[MOST_PDU])
{
    uint8_t in[MOST_HELD];
    int count = 0;
    for (;;) {
        long got = link_read(connection->link, in + count, (size_t)(MOST_HELD - count),
                             wait_until(connection, question, deadline_s, count));
        if (got < 0)
            return OUTCOME_GONE;
        double now_s = clock_monotonic_s();
        count += (int)got;
        const uint8_t *pdu = in;
        int end = 0; /* of a whole frame in what came */
        enum found found = has_mbap(connection)
                               ? find_behind_header(connection, question, in, &count, &pdu, &end)
                               : find_on_line(connection, question, in, count, &pdu, &end);
        /* More than was asked for: which of it is the answer is not known. */
        if (found == FOUND_WRONG || (end > 0 && end < count))
            return garbled(connection);
        /* It came while this process was kept from looking: of what instant it
         * tells is no longer known. */
        if (end > 0 && now_s > deadline_s + LATEST_LOOK_S)
            return silent(connection);
        if (found == FOUND_EXCEPTION) {
            connection->supply_errors++;
            connection->modbus->exception = pdu[1];
            return OUTCOME_EXCEPTION;
        }
        if (found == FOUND_ANSWER) {
            memcpy(answer, pdu, (size_t)question->answer_length);
            return OUTCOME_GOOD;
        }
        if (got == 0)
            return found == FOUND_NOTHING && count > 0 ? garbled(connection) : silent(connection);
        if (count == MOST_HELD || now_s > deadline_s + connection->profile->reply_timeout_s)
            return garbled(connection);
    }
}

/* The one door to the wire: without control no function goes out that is not
 * for reading (1 to 4, V1.1b3, 6.1 to 6.4). On a line the silence between frames
 * is kept; nothing stale is left to be taken for the answer. */
static enum outcome ask(struct connection *connection, bool control, struct question *question,
                        uint8_t answer[MOST_PDU])
{
    struct modbus *modbus = connection->modbus;
    if (!control && (question->pdu[0] < 1 || question->pdu[0] > 4)) {
        modbus->exception = MODBUS_ILLEGAL_FUNCTION;
        return OUTCOME_EXCEPTION;
    }
    if (!modbus->urgent && connection_breaks_off(connection))
        return OUTCOME_BROKEN_OFF;
    clock_sleep_until(modbus->ended_s + modbus->silence_s);
    if (link_drain(connection->link) != 0)
        return OUTCOME_GONE;
    connection->transactions++;
    modbus->number++;
    uint8_t frame[MOST_FRAME];
    int length = make_frame(connection, question, frame);
    double timeout_s = connection->profile->reply_timeout_s;
    if (modbus->urgent && modbus->unanswered)
        timeout_s = fmin(timeout_s, OFF_ANSWER_S);
    double deadline_s =
        clock_monotonic_s() + timeout_s +
        link_character_s(&connection->spec) * (length + question->answer_length + 3);
    if (link_write(connection->link, frame, (size_t)length, deadline_s) != 0)
        return OUTCOME_GONE;
    enum outcome outcome = receive(connection, question, deadline_s, answer);
    modbus->ended_s = clock_monotonic_s();
    modbus->unanswered = outcome != OUTCOME_GOOD && outcome != OUTCOME_EXCEPTION;
    return outcome;
}

enum outcome modbus_read_words(struct connection *connection, int function, int address, int count,
                               uint16_t *words)
{
    bool bits = function == 1 || function == 2;
    int bytes = bits ? (count + 7) / 8 : 2 * count;
    struct question question = {.pdu = {(uint8_t)function},
                                .length = 5,
                                .head = {(uint8_t)function, (uint8_t)bytes},
                                .head_length = 2,
                                .answer_length = 2 + bytes};
    put_word(question.pdu + 1, address);
    put_word(question.pdu + 3, count);
    uint8_t answer[MOST_PDU];
    enum outcome outcome = ask(connection, false, &question, answer);
    for (int i = 0; outcome == OUTCOME_GOOD && i < count; i++)
        words[i] = bits ? (uint16_t)(answer[2 + i / 8] >> i % 8 & 1) : get_word(&answer[2 + 2 * i]);
    return outcome;
}

enum outcome modbus_write_words(struct connection *connection, bool control, int function,
                                int address, int count, const uint16_t *words)
{
    struct question question = {.pdu = {(uint8_t)function}, .length = 5, .answer_length = 5};
    put_word(question.pdu + 1, address);
    if (function == 5) {
        put_word(question.pdu + 3, words[0] ? 0xFF00 : 0);
    } else if (function == 6) {
        put_word(question.pdu + 3, words[0]);
    } else {
        put_word(question.pdu + 3, count);
        int bytes = function == 15 ? (count + 7) / 8 : 2 * count;
        question.pdu[5] = (uint8_t)bytes;
        question.length = 6 + bytes;
        for (int i = 0; i < count; i++) {
            if (function == 16)
                put_word(&question.pdu[6 + 2 * i], words[i]);
            else if (words[i])
                question.pdu[6 + i / 8] |= (uint8_t)(1U << i % 8);
        }
    }
    /* What was written, or where and how many, comes back (V1.1b3, 6.5, 6.6, 6.11, 6.12). */
    memcpy(question.head, question.pdu, 5);
    question.head_length = 5;
    uint8_t answer[MOST_PDU];
    return ask(connection, control, &question, answer);
}

const char *modbus_exception_text(int code)
{
    switch (code) {
    case MODBUS_ILLEGAL_FUNCTION:
        return "Illegal function";
    case MODBUS_ILLEGAL_ADDRESS:
        return "Illegal data address";
    case MODBUS_ILLEGAL_VALUE:
        return "Illegal data value";
    case 4:
        return "Server device failure";
    case MODBUS_ACKNOWLEDGE:
        return "Acknowledge: it needs longer for this";
    case MODBUS_BUSY:
        return "Server device busy";
    case 8:
        return "Memory parity error";
    case 10:
        return "Gateway path unavailable";
    case 11:
        return "Gateway target device failed to respond";
    default:
        return "an exception that the specification does not name";
    }
}
