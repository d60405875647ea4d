/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_map.h"

#include <math.h>
#include <string.h>

static uint16_t in_order(const struct register_quantity *quantity, uint16_t word)
{
    return quantity->swapped ? (uint16_t)(word << 8 | word >> 8) : word;
}

double register_number(const struct register_quantity *quantity, const uint16_t *words)
{
    uint16_t first = in_order(quantity, words[0]);
    if (quantity->type == REGISTER_U16)
        return first * quantity->scale;
    if (quantity->type == REGISTER_S16)
        return (int16_t)first * quantity->scale;
    uint16_t second = in_order(quantity, words[1]);
    uint32_t high = quantity->little ? second : first;
    uint32_t low = quantity->little ? first : second;
    uint32_t bits = high << 16 | low;
    if (quantity->type == REGISTER_U32)
        return bits * quantity->scale;
    if (quantity->type == REGISTER_S32)
        return (int32_t)bits * quantity->scale;
    float number = 0;
    memcpy(&number, &bits, sizeof number);
    return isfinite(number) ? (double)number * quantity->scale : (double)NAN;
}

int register_words(const struct register_quantity *quantity, double number, uint16_t words[2])
{
    static const double lowest[] = {0, -32768, 0, -2147483648.0};
    static const double highest[] = {65535, 32767, 4294967295.0, 2147483647};
    double scaled = number / quantity->scale;
    uint32_t bits = 0;
    if (quantity->type == REGISTER_F32) {
        float single = (float)scaled;
        if (!isfinite(single))
            return -1;
        memcpy(&bits, &single, sizeof bits);
    } else {
        scaled = round(scaled);
        if (!(scaled >= lowest[quantity->type] && scaled <= highest[quantity->type]))
            return -1;
        bits = (uint32_t)(int64_t)scaled;
    }
    if (register_width(quantity->type) == 1) {
        words[0] = in_order(quantity, (uint16_t)bits);
        return 1;
    }
    words[quantity->little ? 1 : 0] = in_order(quantity, (uint16_t)(bits >> 16));
    words[quantity->little ? 0 : 1] = in_order(quantity, (uint16_t)bits);
    return 2;
}

static unsigned mask_of(const struct register_flag *flag)
{
    int bits = flag->bits > 0 ? flag->bits : 1;
    return (1U << bits) - 1;
}

enum known_flag register_flag(const struct register_flag *flag, uint16_t word)
{
    unsigned number = (unsigned)word >> flag->bit & mask_of(flag);
    bool set = flag->value_count == 0 && number != 0;
    for (int i = 0; i < flag->value_count; i++)
        set = set || number == (unsigned)flag->values[i];
    return set != flag->inverted ? FLAG_YES : FLAG_NO;
}

uint16_t register_with_bits(const struct register_flag *flag, uint16_t word, int value)
{
    unsigned mask = mask_of(flag) << flag->bit;
    return (uint16_t)((word & ~mask) | ((unsigned)value << flag->bit & mask));
}

bool register_is_whole(const struct register_flag *flag)
{
    return flag->bits == 16;
}

bool register_blocks_join(int first, int first_count, int second, int second_count, int most_idle,
                          int *address, int *count)
{
    int begin = first < second ? first : second;
    int first_end = first + first_count;
    int second_end = second + second_count;
    int end = first_end > second_end ? first_end : second_end;
    int overlap = first_count + second_count - (end - begin);
    if (end - begin > MOST_REGISTERS || -overlap > most_idle)
        return false;
    *address = begin;
    *count = end - begin;
    return true;
}
