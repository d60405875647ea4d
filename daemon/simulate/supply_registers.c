/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/supply_registers.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

static int width_of(const struct map_quantity *quantity)
{
    return quantity->type == WORD_U16 || quantity->type == WORD_S16 ? 1 : 2;
}

/* Nearest representable; not-a-number is the lowest of a signed type and the
 * highest of an unsigned one (common practice, no source). */
static uint32_t whole_of(double number, enum word_type type)
{
    static const struct {
        double low, high;
    } ranges[] = {
        [WORD_U16] = {0, 65535},
        [WORD_S16] = {-32768, 32767},
        [WORD_U32] = {0, 4294967295.0},
        [WORD_S32] = {-2147483648.0, 2147483647.0},
        [WORD_F32] = {0, 0},
    };
    double low = ranges[type].low, high = ranges[type].high;
    if (isnan(number))
        number = low < 0 ? low : high;
    return (uint32_t)(int64_t)fmax(low, fmin(high, round(number)));
}

static void encode(double value, const struct map_quantity *quantity, uint16_t words[2])
{
    uint32_t bits = 0;
    if (quantity->type == WORD_F32) {
        float number = (float)(value / quantity->scale);
        memcpy(&bits, &number, sizeof bits);
    } else {
        bits = whole_of(value / quantity->scale, quantity->type);
    }
    if (width_of(quantity) == 1) {
        words[0] = (uint16_t)bits;
        return;
    }
    words[quantity->low_word_first ? 1 : 0] = (uint16_t)(bits >> 16);
    words[quantity->low_word_first ? 0 : 1] = (uint16_t)bits;
}

static double decode(const uint16_t words[2], const struct map_quantity *quantity)
{
    uint32_t bits = words[0];
    if (width_of(quantity) == 2)
        bits = quantity->low_word_first ? (uint32_t)words[1] << 16 | words[0]
                                        : (uint32_t)words[0] << 16 | words[1];
    switch (quantity->type) {
    case WORD_U16:
    case WORD_U32:
        return bits * quantity->scale;
    case WORD_S16:
        return (int16_t)bits * quantity->scale;
    case WORD_S32:
        return (int32_t)bits * quantity->scale;
    case WORD_F32:
        break;
    }
    float number = 0;
    memcpy(&number, &bits, sizeof number);
    return (double)number * quantity->scale;
}

/* The registers of one table of one output, as an image from its lowest to its
 * highest address; what no key names reads 0. */
enum { IMAGE_WORDS = 512 };

struct image {
    int first, end; /* addresses; end is one past */
    uint16_t words[IMAGE_WORDS];
};

static void widen(struct image *image, int address, int width)
{
    if (image->end == 0) {
        image->first = address;
        image->end = address + width;
        return;
    }
    if (address < image->first)
        image->first = address;
    if (address + width > image->end)
        image->end = address + width;
}

struct listed {
    const struct map_quantity *quantity;
    double value;
};

static void put_quantity(struct image *image, const struct listed *listed)
{
    uint16_t words[2] = {0};
    encode(listed->value, listed->quantity, words);
    for (int i = 0; i < width_of(listed->quantity); i++)
        image->words[listed->quantity->address - image->first + i] = words[i];
}

static void put_flag(struct image *image, const struct map_flag *flag, bool value)
{
    uint16_t bit = (uint16_t)(1U << flag->bit);
    if (value != flag->inverted)
        image->words[flag->address - image->first] |= bit;
    else
        image->words[flag->address - image->first] &= (uint16_t)~bit;
}

/* What is read stands in the table that `function` reads, what is set in the
 * holding registers. -1: the map spans more than an image. */
static int build_image(const struct supply_map *map, enum modbus_table table,
                       const struct output *output, struct image *image)
{
    bool readings = (table == TABLE_HOLDING) == (map->function == 3);
    bool settings = table == TABLE_HOLDING;
    const struct listed quantities[] = {
        {readings ? &map->voltage : NULL, output->read_V},
        {readings ? &map->current : NULL, output->read_A},
        {settings ? &map->set_voltage : NULL, output->set_V},
        {settings ? &map->set_limit : NULL, output->limit_A},
    };
    const struct {
        const struct map_flag *flag;
        bool value;
    } flags[] = {
        {settings ? &map->set_output : NULL, output->on},
        {readings ? &map->output_on : NULL, output->on},
        {readings ? &map->limited : NULL, output->on && output->flow.limited},
    };
    *image = (struct image){0};
    for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++)
        if (quantities[i].quantity && quantities[i].quantity->known)
            widen(image, quantities[i].quantity->address, width_of(quantities[i].quantity));
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
        if (flags[i].flag && flags[i].flag->known)
            widen(image, flags[i].flag->address, 1);
    if (image->end - image->first > IMAGE_WORDS)
        return -1;
    for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++)
        if (quantities[i].quantity && quantities[i].quantity->known)
            put_quantity(image, &quantities[i]);
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
        if (flags[i].flag && flags[i].flag->known)
            put_flag(image, flags[i].flag, flags[i].value);
    return 0;
}

/* The output in whose block the addresses lie, and the block's offset. */
static struct output *output_at(const struct supply_registers *registers, enum modbus_table table,
                                unsigned first, unsigned count, struct image *image, int *offset)
{
    for (int i = 0; i < registers->output_count; i++) {
        struct output *output = &registers->outputs[i];
        *offset = i * registers->map->output_step;
        if (build_image(registers->map, table, output, image) != 0)
            return NULL;
        if ((int)first - *offset >= image->first && (int)(first + count) - *offset <= image->end)
            return output;
    }
    return NULL;
}

static enum modbus_exception read_registers(void *context, enum modbus_table table, unsigned first,
                                            unsigned count, uint16_t *values)
{
    struct supply_registers *registers = context;
    struct image image;
    int offset = 0;
    struct output *output = output_at(registers, table, first, count, &image, &offset);
    if (!output)
        return MODBUS_ILLEGAL_ADDRESS;
    output_read(output, registers->time_s);
    build_image(registers->map, table, output, &image);
    memcpy(values, image.words + ((int)first - offset - image.first), count * sizeof *values);
    return MODBUS_DONE;
}

static bool touched(const struct map_quantity *quantity, int first, int count)
{
    return quantity->known && quantity->address < first + count &&
           first < quantity->address + width_of(quantity);
}

static enum modbus_exception write_registers(void *context, enum modbus_table table, unsigned first,
                                             unsigned count, const uint16_t *values)
{
    struct supply_registers *registers = context;
    const struct supply_map *map = registers->map;
    struct image image;
    int offset = 0;
    struct output *output = output_at(registers, table, first, count, &image, &offset);
    if (!output)
        return MODBUS_ILLEGAL_ADDRESS;
    output_advance(output, registers->time_s);
    int at = (int)first - offset;
    memcpy(image.words + (at - image.first), values, count * sizeof *values);
    bool voltage = touched(&map->set_voltage, at, (int)count);
    bool limit = touched(&map->set_limit, at, (int)count);
    bool state = map->set_output.known && map->set_output.address >= at &&
                 map->set_output.address < at + (int)count;
    if (!voltage && !limit && !state)
        return MODBUS_ILLEGAL_ADDRESS; /* nothing there can be written */
    double set_V = output->set_V, limit_A = output->limit_A;
    if (voltage)
        set_V = decode(image.words + (map->set_voltage.address - image.first), &map->set_voltage);
    if (limit)
        limit_A = decode(image.words + (map->set_limit.address - image.first), &map->set_limit);
    double was_V = output->set_V;
    if (!output_set_voltage(output, set_V))
        return MODBUS_ILLEGAL_VALUE;
    if (!output_set_limit(output, limit_A)) {
        output_set_voltage(output, was_V);
        return MODBUS_ILLEGAL_VALUE;
    }
    if (state) {
        uint16_t word = image.words[map->set_output.address - image.first];
        bool on = (word >> map->set_output.bit & 1) != map->set_output.inverted;
        output_switch(output, on);
    }
    return MODBUS_DONE;
}

struct modbus_space supply_registers_space(struct supply_registers *registers)
{
    struct modbus_space space = {
        .read = read_registers, .write = write_registers, .context = registers};
    const struct supply_map *map = registers->map;
    space.has[TABLE_INPUT] = map->function == 4;
    space.has[TABLE_HOLDING] = map->function == 3 || map->set_voltage.known ||
                               map->set_limit.known || map->set_output.known;
    return space;
}
