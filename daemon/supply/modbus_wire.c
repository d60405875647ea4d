/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Questions on the wire and what their answers are, to the text of the application
 * protocol V1.1b3.
 */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>
#include <string.h>

/* Where nothing was answered before, off waits no longer for its answer: there may be
 * another off to send. */
static const double OFF_ANSWER_S = 0.1;
/* How long after the deadline an answer may be found that had come by then. */
static const double LATEST_LOOK_S = 0.005;
/* Around function and data: unit and checksum. */
enum { AROUND = 3 };

/* What is asked, and what a good answer is: so long, and beginning so. */
struct question {
    uint8_t pdu[MOST_PDU];
    int length;
    uint8_t head[MOST_PDU];
    int head_length, answer_length;
};

static void put_word(uint8_t *at, int word)
{
    at[0] = (uint8_t)(word >> 8);
    at[1] = (uint8_t)word;
}

static uint16_t get_word(const uint8_t *at)
{
    return (uint16_t)(at[0] << 8 | at[1]);
}

static bool has_number(const struct connection *connection)
{
    return connection->spec.kind == LINK_MODBUS_TCP;
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
    connection->modbus->out_of_step = !has_number(connection);
    connection->modbus->late = !has_number(connection);
    return OUTCOME_SILENT;
}

static enum outcome receive(struct connection *connection, const struct question *question,
                            double deadline_s, uint8_t answer[MOST_PDU])
{
    double pause_s =
        connection->profile->modbus.byte_timeout_s + 3 * link_character_s(&connection->spec);
    uint8_t pdu[MOST_PDU];
    int length = 0;
    int other = 0;
    switch (modbus_frames_receive(connection->modbus->frames, deadline_s, pause_s, pdu, &length,
                                  &other)) {
    case MODBUS_CAME_FRAME:
        break;
    case MODBUS_CAME_BEGINNING:
    case MODBUS_CAME_NOTHING:
        return silent(connection);
    case MODBUS_CAME_OTHER_UNIT:
    case MODBUS_CAME_GARBLED:
        return garbled(connection);
    case MODBUS_CAME_GONE:
        return OUTCOME_GONE;
    }
    bool exception = length == 2 && pdu[0] == (question->pdu[0] | 0x80);
    /* What is received raw the library holds against no question: another function's
     * answer passes, one with fewer registers, and one to a write of something else. */
    if (!exception && (length != question->answer_length ||
                       memcmp(pdu, question->head, (size_t)question->head_length) != 0))
        return garbled(connection);
    /* It came while this process was kept from looking: of what instant it tells is no
     * longer known. */
    if (clock_monotonic_s() > deadline_s + LATEST_LOOK_S)
        return silent(connection);
    if (exception) {
        connection->supply_errors++;
        connection->modbus->exception = pdu[1];
        return OUTCOME_EXCEPTION;
    }
    memcpy(answer, pdu, (size_t)length);
    return OUTCOME_GOOD;
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
    clock_wait_until(modbus->ended_s + modbus->silence_s);
    if (link_drain(connection->link) != 0)
        return OUTCOME_GONE;
    connection->transactions++;
    modbus->number++;
    double timeout_s = connection->profile->reply_timeout_s;
    if (modbus->urgent && modbus->unanswered)
        timeout_s = fmin(timeout_s, OFF_ANSWER_S);
    int characters = question->length + AROUND + question->answer_length + AROUND;
    double deadline_s =
        clock_monotonic_s() + timeout_s + link_character_s(&connection->spec) * characters;
    if (modbus_frames_send(modbus->frames, modbus->number, connection->spec.address, question->pdu,
                           question->length, deadline_s) != 0)
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
