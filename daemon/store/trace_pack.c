/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Version 1, in bytes:
 *   1    version
 *   4    CRC-32 (ISO-HDLC) of all the bytes but these four, little endian
 *   1    how the body is kept: 0 plain, 1 a zstd frame
 *   ...  varint: readings; varint: bytes of the plain body; the body
 *
 * The plain body: the flags as runs (a byte, a varint of readings), then the
 * columns time, voltage, current, each a byte of decimals (RAW_DOUBLES: eight
 * bytes a reading, little endian), a byte of order (how many times differences
 * were taken: 0, 1, 2) and a zigzag varint a reading. A cell that is not a
 * number repeats the one before it; its flag says so.
 */
#include "store/trace_pack.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <zstd.h>

enum {
    VERSION = 1,
    HEAD = 6,
    BODY_PLAIN = 0,
    BODY_ZSTD = 1,
    RAW_DOUBLES = 255,
    MOST_DECIMALS = 7,
    MOST_ORDER = 2,
    MOST_READINGS = 1 << 24,
    MOST_BYTES_A_READING = 3 * 10 + 11, /* three varints, one run */
    MOST_VARINT = 10,
    COLUMNS = 3,
    COLUMN_HEADS = 2 * COLUMNS,
    LEVEL = 9,
};

enum flag_bits {
    BIT_VALID = 1,
    BIT_NO_TIME = 2,
    BIT_NO_VOLTAGE = 4,
    BIT_NO_CURRENT = 8,
    SHIFT_OUTPUT = 4,
    SHIFT_LIMITED = 6,
};

static const double powers_of_ten[MOST_DECIMALS + 1] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7};
static const unsigned no_number_bit[COLUMNS] = {BIT_NO_TIME, BIT_NO_VOLTAGE, BIT_NO_CURRENT};

/* What the low and the high half of a byte do to the check. */
static const uint32_t low_half[16] = {
    0x00000000, 0x77073096, 0xEE0E612C, 0x990951BA, 0x076DC419, 0x706AF48F, 0xE963A535, 0x9E6495A3,
    0x0EDB8832, 0x79DCB8A4, 0xE0D5E91E, 0x97D2D988, 0x09B64C2B, 0x7EB17CBD, 0xE7B82D07, 0x90BF1D91};
static const uint32_t high_half[16] = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C};

static uint32_t crc32_add(uint32_t crc, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        uint32_t byte = (crc ^ bytes[i]) & 0xFF;
        crc = (crc >> 8) ^ low_half[byte & 0xF] ^ high_half[byte >> 4];
    }
    return crc;
}

static uint32_t check_of(const uint8_t *packed, size_t bytes)
{
    uint32_t crc = crc32_add(0xFFFFFFFFU, packed, 1);
    return ~crc32_add(crc, packed + 5, bytes - 5);
}

static double column_of(const struct reading *reading, int column)
{
    return column == 0 ? reading->time_s : column == 1 ? reading->voltage_V : reading->current_A;
}

static unsigned flags_of(const struct reading *reading)
{
    unsigned flags = reading->valid ? BIT_VALID : 0;
    for (int column = 0; column < COLUMNS; column++)
        if (isnan(column_of(reading, column)))
            flags |= no_number_bit[column];
    flags |= (unsigned)(reading->output_on + 1) << SHIFT_OUTPUT;
    flags |= (unsigned)(reading->limited + 1) << SHIFT_LIMITED;
    return flags;
}

static size_t put_varint(uint8_t *to, uint64_t number)
{
    size_t used = 0;
    while (number >= 0x80) {
        to[used++] = (uint8_t)(number | 0x80);
        number >>= 7;
    }
    to[used++] = (uint8_t)number;
    return used;
}

static uint64_t zigzag(uint64_t number)
{
    return (number << 1) ^ (0 - (number >> 63));
}

static uint64_t unzigzag(uint64_t number)
{
    return (number >> 1) ^ (0 - (number & 1));
}

/* Whether `value` is a whole number of steps, so that steps / 10^decimals is
 * the same double again. */
static bool to_ticks(double value, int decimals, int64_t *ticks)
{
    double whole = nearbyint(value * powers_of_ten[decimals]);
    if (!(fabs(whole) < 9007199254740992.0)) /* 2^53: beyond, not every whole number is held */
        return false;
    *ticks = (int64_t)whole;
    double back = (double)*ticks / powers_of_ten[decimals];
    return back == value && !signbit(back) == !signbit(value);
}

/* The fewest decimals that hold the whole column, or RAW_DOUBLES. */
static int column_to_ticks(const struct reading *readings, size_t count, int column, int64_t *ticks)
{
    int decimals = 0;
    for (size_t i = 0; i < count; i++) {
        double value = column_of(&readings[i], column);
        int64_t ignored = 0;
        while (!isnan(value) && !to_ticks(value, decimals, &ignored))
            if (++decimals > MOST_DECIMALS)
                return RAW_DOUBLES;
    }
    int64_t last = 0;
    for (size_t i = 0; i < count; i++) {
        double value = column_of(&readings[i], column);
        /* A number whole at few decimals can still be too large at more. */
        if (!isnan(value) && !to_ticks(value, decimals, &last))
            return RAW_DOUBLES;
        ticks[i] = last;
    }
    return decimals;
}

static size_t put_differences(uint8_t *to, const int64_t *ticks, size_t count, int order)
{
    size_t used = 0;
    uint64_t last = 0;
    uint64_t last_step = 0;
    for (size_t i = 0; i < count; i++) {
        uint64_t tick = (uint64_t)ticks[i];
        uint64_t step = tick - last;
        uint64_t number = order == 0 ? tick : order == 1 ? step : step - last_step;
        used += put_varint(to + used, zigzag(number));
        last = tick;
        last_step = i == 0 ? 0 : step;
    }
    return used;
}

static size_t put_raw(uint8_t *to, const struct reading *readings, size_t count, int column)
{
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        double value = column_of(&readings[i], column);
        uint64_t bits = 0;
        memcpy(&bits, &value, sizeof bits);
        for (int byte = 0; byte < 8; byte++)
            to[used++] = (uint8_t)(bits >> (8 * byte));
    }
    return used;
}

static size_t put_flags(uint8_t *to, const struct reading *readings, size_t count)
{
    size_t used = 0;
    for (size_t i = 0; i < count;) {
        unsigned flags = flags_of(&readings[i]);
        size_t run = 1;
        while (i + run < count && flags_of(&readings[i + run]) == flags)
            run++;
        to[used++] = (uint8_t)flags;
        used += put_varint(to + used, run);
        i += run;
    }
    return used;
}

struct packer {
    ZSTD_CCtx *zstd;
    int64_t *ticks;
    uint8_t *body;    /* the plain body as it grows */
    uint8_t *squeeze; /* room for anything compressed */
    size_t squeeze_size;
};

static bool squeeze(struct packer *packer, const uint8_t *bytes, size_t count, size_t *squeezed)
{
    *squeezed =
        ZSTD_compressCCtx(packer->zstd, packer->squeeze, packer->squeeze_size, bytes, count, LEVEL);
    return !ZSTD_isError(*squeezed);
}

/* The order of differences is the one whose bytes squeeze smallest: a clock's
 * steps, a level's noise and a ramp each want another. */
static size_t put_column(struct packer *packer, uint8_t *to, const struct reading *readings,
                         size_t count, int column)
{
    int decimals = column_to_ticks(readings, count, column, packer->ticks);
    to[0] = (uint8_t)decimals;
    to[1] = 0;
    if (decimals == RAW_DOUBLES)
        return 2 + put_raw(to + 2, readings, count, column);
    int best = 0;
    size_t smallest = SIZE_MAX;
    for (int order = 0; order <= MOST_ORDER; order++) {
        size_t plain = put_differences(to + 2, packer->ticks, count, order);
        size_t squeezed = plain;
        if (!squeeze(packer, to + 2, plain, &squeezed) || squeezed > plain)
            squeezed = plain;
        if (squeezed < smallest) {
            smallest = squeezed;
            best = order;
        }
    }
    to[1] = (uint8_t)best;
    return 2 + put_differences(to + 2, packer->ticks, count, best);
}

static uint8_t *pack_with(struct packer *packer, const struct reading *readings, size_t count,
                          size_t *bytes)
{
    size_t plain = put_flags(packer->body, readings, count);
    for (int column = 0; column < COLUMNS; column++)
        plain += put_column(packer, packer->body + plain, readings, count, column);
    size_t squeezed = 0;
    bool smaller = squeeze(packer, packer->body, plain, &squeezed) && squeezed < plain;
    size_t body = smaller ? squeezed : plain;
    uint8_t *packed = malloc((size_t)HEAD + 2 * (size_t)MOST_VARINT + body);
    if (!packed)
        return NULL;
    packed[0] = VERSION;
    packed[5] = smaller ? BODY_ZSTD : BODY_PLAIN;
    size_t used = HEAD;
    used += put_varint(packed + used, count);
    used += put_varint(packed + used, plain);
    memcpy(packed + used, smaller ? packer->squeeze : packer->body, body);
    used += body;
    uint32_t check = check_of(packed, used);
    for (int byte = 0; byte < 4; byte++)
        packed[1 + byte] = (uint8_t)(check >> (8 * byte));
    *bytes = used;
    return packed;
}

uint8_t *trace_pack(const struct reading *readings, size_t count, size_t *bytes)
{
    if (count > MOST_READINGS)
        return NULL;
    size_t most = count * MOST_BYTES_A_READING + COLUMN_HEADS + 1;
    struct packer packer = {.zstd = ZSTD_createCCtx(),
                            .ticks = malloc((count + 1) * sizeof(int64_t)),
                            .body = malloc(most),
                            .squeeze = malloc(ZSTD_compressBound(most)),
                            .squeeze_size = ZSTD_compressBound(most)};
    uint8_t *packed = NULL;
    if (packer.zstd && packer.ticks && packer.body && packer.squeeze)
        packed = pack_with(&packer, readings, count, bytes);
    ZSTD_freeCCtx(packer.zstd);
    free(packer.ticks);
    free(packer.body);
    free(packer.squeeze);
    return packed;
}

/* --- the way back: nothing is believed before it is checked --- */

struct trace_unpacker {
    ZSTD_DCtx *zstd;
};

struct source {
    const uint8_t *at, *end;
};

static bool take_byte(struct source *source, uint8_t *byte)
{
    if (source->at == source->end)
        return false;
    *byte = *source->at++;
    return true;
}

static bool take_varint(struct source *source, uint64_t *number)
{
    uint64_t value = 0;
    for (unsigned shift = 0; shift < 64; shift += 7) {
        uint8_t byte = 0;
        if (!take_byte(source, &byte))
            return false;
        uint64_t part = byte & 0x7F;
        if (shift == 63 && part > 1)
            return false;
        value |= part << shift;
        if (!(byte & 0x80)) {
            *number = value;
            return true;
        }
    }
    return false;
}

static bool take_flags(struct source *source, struct reading *readings, uint8_t *flags,
                       size_t count)
{
    for (size_t i = 0; i < count;) {
        uint8_t byte = 0;
        uint64_t run = 0;
        if (!take_byte(source, &byte) || !take_varint(source, &run) || run == 0 || run > count - i)
            return false;
        int output_on = (byte >> SHIFT_OUTPUT & 3) - 1;
        int limited = (byte >> SHIFT_LIMITED & 3) - 1;
        if (output_on > FLAG_YES || limited > FLAG_YES)
            return false;
        for (uint64_t k = 0; k < run; k++, i++) {
            flags[i] = byte;
            readings[i].valid = byte & BIT_VALID;
            readings[i].output_on = (enum known_flag)output_on;
            readings[i].limited = (enum known_flag)limited;
        }
    }
    return true;
}

static void set_column(struct reading *reading, int column, double value)
{
    if (column == 0)
        reading->time_s = value;
    else if (column == 1)
        reading->voltage_V = value;
    else
        reading->current_A = value;
}

static bool take_raw(struct source *source, double *value)
{
    if (source->end - source->at < 8)
        return false;
    uint64_t bits = 0;
    for (int byte = 0; byte < 8; byte++)
        bits |= (uint64_t)*source->at++ << (8 * byte);
    memcpy(value, &bits, sizeof bits);
    return true;
}

static bool take_column(struct source *source, struct reading *readings, const uint8_t *flags,
                        size_t count, int column)
{
    uint8_t decimals = 0;
    uint8_t order = 0;
    if (!take_byte(source, &decimals) || !take_byte(source, &order) || order > MOST_ORDER ||
        (decimals > MOST_DECIMALS && decimals != RAW_DOUBLES))
        return false;
    uint64_t last = 0;
    uint64_t last_step = 0;
    for (size_t i = 0; i < count; i++) {
        double value = 0;
        if (decimals == RAW_DOUBLES) {
            if (!take_raw(source, &value))
                return false;
        } else {
            uint64_t number = 0;
            if (!take_varint(source, &number))
                return false;
            number = unzigzag(number);
            uint64_t step = order == 2 ? last_step + number : number;
            uint64_t tick = order == 0 ? number : last + step;
            last = tick;
            last_step = i == 0 ? 0 : step;
            value = (double)(int64_t)tick / powers_of_ten[decimals];
        }
        set_column(&readings[i], column, flags[i] & no_number_bit[column] ? (double)NAN : value);
    }
    return true;
}

static bool take_body(struct source source, size_t count, struct trace *trace)
{
    uint8_t *flags = malloc(count + 1);
    bool sound = flags && trace_reserve(trace, count);
    struct reading *readings = trace->readings + trace->count;
    sound = sound && take_flags(&source, readings, flags, count);
    for (int column = 0; sound && column < COLUMNS; column++)
        sound = take_column(&source, readings, flags, count, column);
    sound = sound && source.at == source.end;
    if (sound)
        trace->count += count;
    free(flags);
    return sound;
}

static bool take_squeezed(ZSTD_DCtx *zstd, struct source source, size_t plain, size_t count,
                          struct trace *trace)
{
    uint8_t *body = malloc(plain + 1);
    if (!body)
        return false;
    size_t got =
        ZSTD_decompressDCtx(zstd, body, plain, source.at, (size_t)(source.end - source.at));
    bool sound = !ZSTD_isError(got) && got == plain &&
                 take_body((struct source){body, body + plain}, count, trace);
    free(body);
    return sound;
}

struct trace_unpacker *trace_unpacker_create(void)
{
    struct trace_unpacker *unpacker = malloc(sizeof *unpacker);
    if (!unpacker)
        return NULL;
    unpacker->zstd = ZSTD_createDCtx();
    if (!unpacker->zstd) {
        free(unpacker);
        return NULL;
    }
    return unpacker;
}

void trace_unpacker_destroy(struct trace_unpacker *unpacker)
{
    if (!unpacker)
        return;
    ZSTD_freeDCtx(unpacker->zstd);
    free(unpacker);
}

int trace_unpack(const uint8_t *packed, size_t bytes, struct trace *trace)
{
    struct trace_unpacker *unpacker = trace_unpacker_create();
    int status = unpacker ? trace_unpack_with(unpacker, packed, bytes, trace) : -1;
    trace_unpacker_destroy(unpacker);
    return status;
}

int trace_unpack_with(struct trace_unpacker *unpacker, const uint8_t *packed, size_t bytes,
                      struct trace *trace)
{
    if (bytes < HEAD || packed[0] != VERSION)
        return -1;
    uint32_t check = 0;
    for (int byte = 0; byte < 4; byte++)
        check |= (uint32_t)packed[1 + byte] << (8 * byte);
    if (check != check_of(packed, bytes))
        return -1;
    struct source source = {packed + HEAD, packed + bytes};
    uint64_t count = 0;
    uint64_t plain = 0;
    if (!take_varint(&source, &count) || count > MOST_READINGS || !take_varint(&source, &plain) ||
        plain > count * MOST_BYTES_A_READING + COLUMN_HEADS + 1)
        return -1;
    bool sound = false;
    if (packed[5] == BODY_ZSTD)
        sound = take_squeezed(unpacker->zstd, source, plain, count, trace);
    else if (packed[5] == BODY_PLAIN && (size_t)(source.end - source.at) == plain)
        sound = take_body(source, count, trace);
    return sound ? 0 : -1;
}
