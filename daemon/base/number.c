/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/number.h"

#include <locale.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static locale_t c_locale;

static void make_c_locale(void)
{
    c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
}

static locale_t get_c_locale(void)
{
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    pthread_once(&once, make_c_locale);
    return c_locale;
}

bool number_parse(const char *text, double *number, const char **end)
{
    const char *start = text + strspn(text, " \t");
    size_t sign = (*start == '+' || *start == '-') ? 1 : 0;
    /* Only digits and a point may begin a number: that keeps out "inf", "nan"
     * and "0x10", which strtod would take. */
    if (!strchr("0123456789.", start[sign]) || !start[sign])
        return false;
    if (start[sign] == '0' && (start[sign + 1] == 'x' || start[sign + 1] == 'X'))
        return false;
    char *after = NULL;
    double value = strtod_l(start, &after, get_c_locale());
    if (after == start)
        return false;
    *number = value;
    if (end)
        *end = after;
    return true;
}

bool number_parse_whole(const char *text, double *number)
{
    const char *end = NULL;
    double value = 0;
    if (!number_parse(text, &value, &end))
        return false;
    if (end[strspn(end, " \t\r\n")])
        return false;
    *number = value;
    return true;
}

char *number_print(double number, char text[32])
{
    text[0] = '\0';
    if (isnan(number))
        return text;
    locale_t before = uselocale(get_c_locale());
    for (int digits = 6; digits <= 17; digits++) {
        snprintf(text, 32, "%.*g", digits, number);
        if (strtod(text, NULL) == number)
            break;
    }
    uselocale(before);
    return text;
}
