/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/modbus_device.h"

#include <string.h>

/* The most that fits a PDU of 253 bytes. */
enum {
    MOST_READ_BITS = 2000,
    MOST_WRITE_BITS = 1968,
    MOST_READ_WORDS = 125,
    MOST_WRITE_WORDS = 123,
    MOST_BOTH_WRITE_WORDS = 121
};

struct request {
    const struct modbus_space *space;
    const uint8_t *bytes;
    size_t length;
    uint8_t *reply;
    size_t reply_length;
};

static unsigned word_at(const struct request *request, size_t place)
{
    return (unsigned)request->bytes[place] << 8 | request->bytes[place + 1];
}

static void put_word(struct request *request, unsigned value)
{
    request->reply[request->reply_length++] = (uint8_t)(value >> 8);
    request->reply[request->reply_length++] = (uint8_t)(value & 0xFF);
}

static enum modbus_exception read_table(const struct request *request, enum modbus_table table,
                                        unsigned first, unsigned count, uint16_t *values)
{
    if (first + count > 65536)
        return MODBUS_ILLEGAL_ADDRESS;
    return request->space->read(request->space->context, table, first, count, values);
}

static enum modbus_exception write_table(const struct request *request, enum modbus_table table,
                                         unsigned first, unsigned count, const uint16_t *values)
{
    if (first + count > 65536)
        return MODBUS_ILLEGAL_ADDRESS;
    return request->space->write(request->space->context, table, first, count, values);
}

/* 01 and 02 */
static enum modbus_exception read_bits(struct request *request, enum modbus_table table)
{
    uint16_t values[MOST_READ_BITS];
    unsigned count = request->length == 5 ? word_at(request, 3) : 0;
    if (count < 1 || count > MOST_READ_BITS)
        return MODBUS_ILLEGAL_VALUE;
    enum modbus_exception result = read_table(request, table, word_at(request, 1), count, values);
    if (result != MODBUS_DONE)
        return result;
    unsigned bytes = (count + 7) / 8;
    request->reply[1] = (uint8_t)bytes;
    memset(request->reply + 2, 0, bytes);
    for (unsigned i = 0; i < count; i++)
        if (values[i])
            request->reply[2 + i / 8] |= (uint8_t)(1U << (i % 8));
    request->reply_length = 2 + bytes;
    return MODBUS_DONE;
}

static void put_words(struct request *request, const uint16_t *values, unsigned count)
{
    request->reply[1] = (uint8_t)(count * 2);
    request->reply_length = 2;
    for (unsigned i = 0; i < count; i++)
        put_word(request, values[i]);
}

/* 03 and 04 */
static enum modbus_exception read_words(struct request *request, enum modbus_table table)
{
    uint16_t values[MOST_READ_WORDS];
    unsigned count = request->length == 5 ? word_at(request, 3) : 0;
    if (count < 1 || count > MOST_READ_WORDS)
        return MODBUS_ILLEGAL_VALUE;
    enum modbus_exception result = read_table(request, table, word_at(request, 1), count, values);
    if (result == MODBUS_DONE)
        put_words(request, values, count);
    return result;
}

static void echo(struct request *request, size_t count)
{
    memcpy(request->reply, request->bytes, count);
    request->reply_length = count;
}

/* 05 */
static enum modbus_exception write_bit(struct request *request)
{
    unsigned value = request->length == 5 ? word_at(request, 3) : 1;
    if (value != 0 && value != 0xFF00)
        return MODBUS_ILLEGAL_VALUE;
    uint16_t bit = value != 0;
    enum modbus_exception result = write_table(request, TABLE_COILS, word_at(request, 1), 1, &bit);
    if (result == MODBUS_DONE)
        echo(request, 5);
    return result;
}

/* 06 */
static enum modbus_exception write_word(struct request *request)
{
    if (request->length != 5)
        return MODBUS_ILLEGAL_VALUE;
    uint16_t value = (uint16_t)word_at(request, 3);
    enum modbus_exception result =
        write_table(request, TABLE_HOLDING, word_at(request, 1), 1, &value);
    if (result == MODBUS_DONE)
        echo(request, 5);
    return result;
}

/* 0F */
static enum modbus_exception write_bits(struct request *request)
{
    uint16_t values[MOST_WRITE_BITS];
    unsigned count = request->length >= 6 ? word_at(request, 3) : 0;
    if (count < 1 || count > MOST_WRITE_BITS || request->bytes[5] != (count + 7) / 8 ||
        request->length != 6U + request->bytes[5])
        return MODBUS_ILLEGAL_VALUE;
    for (unsigned i = 0; i < count; i++)
        values[i] = request->bytes[6 + i / 8] >> (i % 8) & 1;
    enum modbus_exception result =
        write_table(request, TABLE_COILS, word_at(request, 1), count, values);
    if (result == MODBUS_DONE)
        echo(request, 5);
    return result;
}

/* 10 */
static enum modbus_exception write_words(struct request *request)
{
    uint16_t values[MOST_WRITE_WORDS];
    unsigned count = request->length >= 6 ? word_at(request, 3) : 0;
    if (count < 1 || count > MOST_WRITE_WORDS || request->bytes[5] != count * 2 ||
        request->length != 6 + (size_t)count * 2)
        return MODBUS_ILLEGAL_VALUE;
    for (unsigned i = 0; i < count; i++)
        values[i] = (uint16_t)word_at(request, 6 + (size_t)i * 2);
    enum modbus_exception result =
        write_table(request, TABLE_HOLDING, word_at(request, 1), count, values);
    if (result == MODBUS_DONE)
        echo(request, 5);
    return result;
}

/* 16: (what is there AND and-mask) OR (or-mask AND NOT and-mask) */
static enum modbus_exception mask_word(struct request *request)
{
    if (request->length != 7)
        return MODBUS_ILLEGAL_VALUE;
    unsigned address = word_at(request, 1), keep = word_at(request, 3), set = word_at(request, 5);
    uint16_t value = 0;
    enum modbus_exception result = read_table(request, TABLE_HOLDING, address, 1, &value);
    if (result != MODBUS_DONE)
        return result;
    value = (uint16_t)((value & keep) | (set & ~keep));
    result = write_table(request, TABLE_HOLDING, address, 1, &value);
    if (result == MODBUS_DONE)
        echo(request, 7);
    return result;
}

/* 17: the write comes before the read */
static enum modbus_exception read_and_write_words(struct request *request)
{
    uint16_t values[MOST_READ_WORDS];
    if (request->length < 10)
        return MODBUS_ILLEGAL_VALUE;
    unsigned read_first = word_at(request, 1), read_count = word_at(request, 3);
    unsigned write_first = word_at(request, 5), write_count = word_at(request, 7);
    if (read_count < 1 || read_count > MOST_READ_WORDS || write_count < 1 ||
        write_count > MOST_BOTH_WRITE_WORDS || request->bytes[9] != write_count * 2 ||
        request->length != 10 + (size_t)write_count * 2)
        return MODBUS_ILLEGAL_VALUE;
    enum modbus_exception result =
        read_table(request, TABLE_HOLDING, read_first, read_count, values);
    if (result != MODBUS_DONE)
        return result;
    for (unsigned i = 0; i < write_count; i++)
        values[i] = (uint16_t)word_at(request, 10 + (size_t)i * 2);
    result = write_table(request, TABLE_HOLDING, write_first, write_count, values);
    if (result == MODBUS_DONE)
        result = read_table(request, TABLE_HOLDING, read_first, read_count, values);
    if (result == MODBUS_DONE)
        put_words(request, values, read_count);
    return result;
}

static enum modbus_exception carry_out(struct request *request)
{
    const bool *has = request->space->has;
    switch (request->bytes[0]) {
    case 1:
        return has[TABLE_COILS] ? read_bits(request, TABLE_COILS) : MODBUS_ILLEGAL_FUNCTION;
    case 2:
        return has[TABLE_INPUT_BITS] ? read_bits(request, TABLE_INPUT_BITS)
                                     : MODBUS_ILLEGAL_FUNCTION;
    case 3:
        return has[TABLE_HOLDING] ? read_words(request, TABLE_HOLDING) : MODBUS_ILLEGAL_FUNCTION;
    case 4:
        return has[TABLE_INPUT] ? read_words(request, TABLE_INPUT) : MODBUS_ILLEGAL_FUNCTION;
    case 5:
        return has[TABLE_COILS] ? write_bit(request) : MODBUS_ILLEGAL_FUNCTION;
    case 6:
        return has[TABLE_HOLDING] ? write_word(request) : MODBUS_ILLEGAL_FUNCTION;
    case 15:
        return has[TABLE_COILS] ? write_bits(request) : MODBUS_ILLEGAL_FUNCTION;
    case 16:
        return has[TABLE_HOLDING] ? write_words(request) : MODBUS_ILLEGAL_FUNCTION;
    case 22:
        return has[TABLE_HOLDING] ? mask_word(request) : MODBUS_ILLEGAL_FUNCTION;
    case 23:
        return has[TABLE_HOLDING] ? read_and_write_words(request) : MODBUS_ILLEGAL_FUNCTION;
    default:
        return MODBUS_ILLEGAL_FUNCTION;
    }
}

size_t modbus_answer(const struct modbus_space *space, const uint8_t *request_bytes, size_t length,
                     uint8_t reply[253])
{
    struct request request = {space, request_bytes, length, reply, 0};
    reply[0] = request_bytes[0];
    enum modbus_exception result = carry_out(&request);
    if (result == MODBUS_DONE)
        return request.reply_length;
    reply[0] = request_bytes[0] | 0x80;
    reply[1] = (uint8_t)result;
    return 2;
}
