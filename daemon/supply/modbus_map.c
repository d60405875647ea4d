/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_map.h"

#include <math.h>
#include <string.h>

double register_number(const struct register_quantity *quantity, const uint16_t *words)
{
    if (quantity->type == REGISTER_U16)
        return words[0] * quantity->scale;
    if (quantity->type == REGISTER_S16)
        return (int16_t)words[0] * quantity->scale;
    uint32_t high = words[quantity->little ? 1 : 0];
    uint32_t low = words[quantity->little ? 0 : 1];
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
        words[0] = (uint16_t)bits;
        return 1;
    }
    words[quantity->little ? 1 : 0] = (uint16_t)(bits >> 16);
    words[quantity->little ? 0 : 1] = (uint16_t)bits;
    return 2;
}

enum known_flag register_flag(const struct register_flag *flag, uint16_t word)
{
    bool set = ((unsigned)word >> flag->bit) & 1U;
    return set != flag->inverted ? FLAG_YES : FLAG_NO;
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
