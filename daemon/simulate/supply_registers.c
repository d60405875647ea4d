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

static uint16_t bytes_of(const struct map_quantity *quantity, uint16_t word)
{
    return quantity->low_byte_first ? (uint16_t)(word << 8 | word >> 8) : word;
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
        words[0] = bytes_of(quantity, (uint16_t)bits);
        return;
    }
    words[quantity->low_word_first ? 1 : 0] = bytes_of(quantity, (uint16_t)(bits >> 16));
    words[quantity->low_word_first ? 0 : 1] = bytes_of(quantity, (uint16_t)bits);
}

static double decode(const uint16_t stored[2], const struct map_quantity *quantity)
{
    uint16_t words[2] = {bytes_of(quantity, stored[0]), 0};
    if (width_of(quantity) == 2)
        words[1] = bytes_of(quantity, stored[1]);
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

static enum modbus_table table_of(int function)
{
    static const enum modbus_table tables[] = {TABLE_HOLDING, TABLE_COILS, TABLE_INPUT_BITS,
                                               TABLE_HOLDING, TABLE_INPUT};
    return tables[function];
}

static bool are_bits(enum modbus_table table)
{
    return table == TABLE_COILS || table == TABLE_INPUT_BITS;
}

struct listed_quantity {
    const struct map_quantity *quantity;
    int function;
    double value;
};

static void put_quantity(struct image *image, const struct listed_quantity *listed)
{
    uint16_t words[2] = {0};
    encode(listed->value, listed->quantity, words);
    for (int i = 0; i < width_of(listed->quantity); i++)
        image->words[listed->quantity->address - image->first + i] = words[i];
}

static unsigned mask_of(const struct map_flag *flag)
{
    return (1U << flag->width) - 1;
}

/* What stands in the flag's bits for a state. */
static int number_of(const struct map_flag *flag, bool state)
{
    if (flag->value_count > 0 && state)
        return flag->values[0];
    int number = flag->value_count > 0 ? 0 : state != flag->inverted;
    for (int i = 0; i < flag->value_count; i++)
        if (flag->values[i] == number) {
            number++;
            i = -1;
        }
    return number;
}

static void put_bits(struct image *image, const struct map_flag *flag, int number)
{
    uint16_t *word = &image->words[flag->address - image->first];
    unsigned mask = mask_of(flag) << flag->bit;
    *word = (uint16_t)((*word & ~mask) | ((unsigned)number << flag->bit & mask));
}

static int output_number(const struct supply_map *map, bool on)
{
    return map->output_values[on != map->set_output.inverted ? 0 : 1];
}

/* One table's registers (or coils) as they stand. What is written can be read
 * where it is written too. -1: the map spans more than an image. */
static int build_image(const struct supply_registers *registers, enum modbus_table table,
                       const struct output *output, struct image *image)
{
    const struct supply_map *map = registers->map;
    const struct listed_quantity quantities[] = {
        {&map->voltage, map->voltage.function, output->read_V},
        {&map->current, map->current.function, output->read_A},
        {&map->set_voltage, 3, output->set_V},
        {&map->set_voltage, map->set_voltage.function, output->set_V},
        {&map->set_limit, 3, output->limit_A},
        {&map->set_limit, map->set_limit.function, output->limit_A},
        {&map->set_protection, 3, output->protection_V},
        {&map->query_voltage, map->query_voltage.function, output->set_V},
        {&map->query_limit, map->query_limit.function, output->limit_A},
        {&map->query_protection, map->query_protection.function, output->protection_V},
    };
    const struct {
        const struct map_flag *flag;
        int number;
    } flags[] = {
        {&map->set_output, output_number(map, output->on)},
        {&map->output_on, number_of(&map->output_on, output->on)},
        {&map->limited, number_of(&map->limited, output->on && output->flow.limited)},
    };
    enum { QUANTITIES = sizeof quantities / sizeof *quantities };
    enum { FLAGS = sizeof flags / sizeof *flags };
    *image = (struct image){0};
    for (size_t i = 0; i < QUANTITIES; i++)
        if (quantities[i].quantity->known && table_of(quantities[i].function) == table)
            widen(image, quantities[i].quantity->address, width_of(quantities[i].quantity));
    for (size_t i = 0; i < FLAGS; i++)
        if (flags[i].flag->known && table_of(flags[i].flag->function) == table)
            widen(image, flags[i].flag->address, 1);
    if (image->end - image->first > IMAGE_WORDS)
        return -1;
    for (size_t i = 0; i < QUANTITIES; i++)
        if (quantities[i].quantity->known && table_of(quantities[i].function) == table)
            put_quantity(image, &quantities[i]);
    for (size_t i = 0; i < FLAGS; i++)
        if (flags[i].flag->known && table_of(flags[i].flag->function) == table)
            put_bits(image, flags[i].flag, flags[i].number);
    return 0;
}

/* The output in whose block the addresses lie, and the block's offset. */
static struct output *output_at(const struct supply_registers *registers, enum modbus_table table,
                                unsigned first, unsigned count, struct image *image, int *offset)
{
    for (int i = 0; i < registers->output_count; i++) {
        struct output *output = &registers->outputs[i];
        *offset = i * (are_bits(table) ? registers->map->coil_step : registers->map->output_step);
        if (build_image(registers, table, output, image) != 0)
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
    build_image(registers, table, output, &image);
    memcpy(values, image.words + ((int)first - offset - image.first), count * sizeof *values);
    return MODBUS_DONE;
}

/* Writing to it is how the supply is taken into remote state, and back. */
static bool takes_remote(struct supply_registers *registers, enum modbus_table table,
                         unsigned first, unsigned count, const uint16_t *values)
{
    const struct supply_map *map = registers->map;
    enum modbus_table remote = map->remote_function == 5 ? TABLE_COILS : TABLE_HOLDING;
    if (!map->remote_known || table != remote || count != 1 || (int)first != map->remote_address)
        return false;
    registers->remote = values[0] == map->remote_value;
    return true;
}

static bool touched(const struct map_quantity *quantity, int first, int count)
{
    return quantity->known && quantity->address < first + count &&
           first < quantity->address + width_of(quantity);
}

struct wishes {
    double set_V, limit_A, protection_V;
    bool any, state, on;
};

static struct wishes wishes_of(const struct supply_map *map, enum modbus_table table,
                               const struct image *image, const struct output *output, int at,
                               int count)
{
    struct wishes wishes = {output->set_V, output->limit_A, output->protection_V,
                            false,         false,           output->on};
    const struct {
        const struct map_quantity *quantity;
        double *wish;
    } settings[] = {{&map->set_voltage, &wishes.set_V},
                    {&map->set_limit, &wishes.limit_A},
                    {&map->set_protection, &wishes.protection_V}};
    for (size_t i = 0; i < 3 && table == TABLE_HOLDING; i++) {
        const struct map_quantity *quantity = settings[i].quantity;
        if (!touched(quantity, at, count))
            continue;
        wishes.any = true;
        *settings[i].wish = decode(image->words + (quantity->address - image->first), quantity);
    }
    const struct map_flag *flag = &map->set_output;
    wishes.state = flag->known && table_of(flag->function) == table && flag->address >= at &&
                   flag->address < at + count;
    if (wishes.state) {
        unsigned word = image->words[flag->address - image->first];
        unsigned number = word >> flag->bit & mask_of(flag);
        wishes.on = number == (unsigned)output_number(map, true);
        wishes.state = wishes.on || number == (unsigned)output_number(map, false);
        wishes.any = wishes.any || wishes.state;
    }
    return wishes;
}

static enum modbus_exception write_registers(void *context, enum modbus_table table, unsigned first,
                                             unsigned count, const uint16_t *values)
{
    struct supply_registers *registers = context;
    struct image image;
    int offset = 0;
    if (takes_remote(registers, table, first, count, values))
        return MODBUS_DONE;
    struct output *output = output_at(registers, table, first, count, &image, &offset);
    if (!output)
        return MODBUS_ILLEGAL_ADDRESS;
    if (registers->map->remote_known && !registers->remote)
        return MODBUS_DEVICE_FAILURE;
    output_advance(output, registers->time_s);
    int at = (int)first - offset;
    memcpy(image.words + (at - image.first), values, count * sizeof *values);
    struct wishes wishes = wishes_of(registers->map, table, &image, output, at, (int)count);
    if (!wishes.any)
        return MODBUS_ILLEGAL_ADDRESS; /* nothing there can be written */
    double was_V = output->set_V, was_A = output->limit_A;
    if (!output_set_voltage(output, wishes.set_V))
        return MODBUS_ILLEGAL_VALUE;
    if (!output_set_limit(output, wishes.limit_A) ||
        (wishes.protection_V != output->protection_V &&
         !output_set_protection(output, wishes.protection_V))) {
        output_set_voltage(output, was_V);
        output_set_limit(output, was_A);
        return MODBUS_ILLEGAL_VALUE;
    }
    if (wishes.state)
        output_switch(output, wishes.on);
    return MODBUS_DONE;
}

struct modbus_space supply_registers_space(struct supply_registers *registers)
{
    struct modbus_space space = {
        .read = read_registers, .write = write_registers, .context = registers};
    const struct supply_map *map = registers->map;
    enum { QUANTITIES_READ = 7 };
    const struct map_quantity *read[QUANTITIES_READ] = {
        &map->voltage,       &map->current,     &map->set_voltage,     &map->set_limit,
        &map->query_voltage, &map->query_limit, &map->query_protection};
    for (size_t i = 0; i < QUANTITIES_READ; i++)
        if (read[i]->known)
            space.has[table_of(read[i]->function)] = true;
    const struct map_flag *flags[] = {&map->output_on, &map->limited, &map->set_output};
    for (size_t i = 0; i < 3; i++)
        if (flags[i]->known)
            space.has[table_of(flags[i]->function)] = true;
    if (map->set_voltage.known || map->set_limit.known || map->set_protection.known)
        space.has[TABLE_HOLDING] = true;
    if (map->remote_known)
        space.has[map->remote_function == 5 ? TABLE_COILS : TABLE_HOLDING] = true;
    return space;
}
