/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <time.h>

double clock_monotonic_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

int64_t clock_wall_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

char *clock_rfc3339(int64_t wall_us, char text[25])
{
    int64_t ms = wall_us / 1000;
    int64_t remainder_ms = ((ms % 1000) + 1000) % 1000;
    time_t seconds = (time_t)((ms - remainder_ms) / 1000);
    struct tm utc;
    gmtime_r(&seconds, &utc);
    char stem[21];
    strftime(stem, sizeof stem, "%Y-%m-%dT%H:%M:%S", &utc);
    snprintf(text, 25, "%.19s.%03dZ", stem, (int)remainder_ms);
    return text;
}

bool clock_parse_rfc3339(const char *text, int64_t *wall_us)
{
    struct tm utc = {0};
    const char *at = strptime(text, "%Y-%m-%dT%H:%M:%S", &utc);
    if (!at)
        return false;
    int64_t fraction_us = 0;
    if (*at == '.') {
        int64_t step_us = 100000;
        for (at++; *at >= '0' && *at <= '9' && step_us > 0; at++, step_us /= 10)
            fraction_us += step_us * (*at - '0');
        if (at[-1] == '.')
            return false;
    }
    if (at[0] != 'Z' || at[1])
        return false;
    *wall_us = (int64_t)timegm(&utc) * 1000000 + fraction_us;
    return true;
}

void clock_sleep_until(double monotonic_s)
{
    if (!(monotonic_s > 0))
        return;
    double whole_s = floor(monotonic_s);
    struct timespec until = {.tv_sec = (time_t)whole_s,
                             .tv_nsec = (long)((monotonic_s - whole_s) * 1e9)};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR) {
    }
}
