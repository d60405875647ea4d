/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/reading_event.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A reading's numbers are whole multiples of 1e-7 (base/reading.h). */
enum { DECIMALS = 7, LONGEST_NUMBER = 32 };
static const double PARTS = 1e7;
/* What stands in a double to less than a part, as it is. */
static const double MOST_PARTS = 4e15;

/* Writes the number and returns the end of it. */
static char *put_number(char *at, double number)
{
    double parts = round(number * PARTS);
    if (!isfinite(number))
        return at + sprintf(at, "null");
    if (fabs(parts) > MOST_PARTS)
        return at + sprintf(at, "%.12g", number);
    if (parts < 0)
        *at++ = '-';
    uint64_t left = (uint64_t)fabs(parts);
    char digits[LONGEST_NUMBER];
    int count = 0;
    for (; left > 0 || count <= DECIMALS; left /= 10)
        digits[count++] = (char)('0' + left % 10);
    int least = 0;
    while (least < DECIMALS - 1 && digits[least] == '0')
        least++;
    while (count > least) {
        *at++ = digits[--count];
        if (count == DECIMALS)
            *at++ = '.';
    }
    return at;
}

enum column { TIME, VOLTAGE, CURRENT };

static double value_of(const struct reading *reading, enum column column)
{
    if (column == TIME)
        return reading->time_s;
    if (column == VOLTAGE)
        return reading->voltage_V;
    return reading->valid ? reading->current_A : (double)NAN;
}

char *reading_event_text(const char *supply, int64_t power_up, const struct reading *readings,
                         size_t count)
{
    static const char *const names[] = {"time_s", "voltage_V", "current_A"};
    char *text = malloc(strlen(supply) + 160 + count * 3 * (LONGEST_NUMBER + 1));
    if (!text)
        return NULL;
    char *at = text;
    at += sprintf(at, "{\"supply\":%s,\"power_up\":", supply);
    at += power_up ? sprintf(at, "\"%lld\"", (long long)power_up) : sprintf(at, "null");
    for (enum column column = TIME; column <= CURRENT; column++) {
        at += sprintf(at, ",\"%s\":[", names[column]);
        for (size_t i = 0; i < count; i++) {
            if (i > 0)
                *at++ = ',';
            at = put_number(at, value_of(&readings[i], column));
        }
        *at++ = ']';
    }
    memcpy(at, "}", 2);
    return text;
}
