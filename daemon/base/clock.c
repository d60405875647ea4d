/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

double clock_monotonic_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* What a simulated bench's wall time is ahead of the system's. */
static int64_t ahead_us;

int64_t clock_wall_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000 + ahead_us;
}

void clock_set_wall(int64_t wall_us)
{
    ahead_us += wall_us - clock_wall_us();
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

static void local_time(int64_t wall_us, struct tm *local)
{
    time_t seconds = (time_t)(wall_us / 1000000 - (wall_us % 1000000 < 0));
    localtime_r(&seconds, local);
}

/* mktime makes another day of one that is not there. */
static bool midnight(const struct tm *day, int days_on, int64_t *wall_us)
{
    struct tm at = {.tm_year = day->tm_year,
                    .tm_mon = day->tm_mon,
                    .tm_mday = day->tm_mday + days_on,
                    .tm_isdst = -1};
    time_t seconds = mktime(&at);
    *wall_us = (int64_t)seconds * 1000000;
    return seconds != (time_t)-1 && (days_on > 0 || at.tm_mday == day->tm_mday);
}

bool clock_local_day(const char *day, int64_t *from_us, int64_t *to_us)
{
    struct tm asked = {0};
    const char *end = strptime(day, "%Y-%m-%d", &asked);
    return end && *end == '\0' && strlen(day) == strlen("2026-01-31") &&
           midnight(&asked, 0, from_us) && midnight(&asked, 1, to_us);
}

char *clock_day_of(int64_t wall_us, char text[11])
{
    struct tm local;
    local_time(wall_us, &local);
    strftime(text, 11, "%Y-%m-%d", &local);
    return text;
}

char *clock_utc_offset(int64_t wall_us, char text[7])
{
    struct tm local;
    local_time(wall_us, &local);
    long minutes = local.tm_gmtoff / 60;
    snprintf(text, 7, "%c%02d:%02d", minutes < 0 ? '-' : '+', (int)(labs(minutes) / 60 % 24),
             (int)(labs(minutes) % 60));
    return text;
}

void clock_sleep_until(double monotonic_s)
{
    /* A sleep that is over before it begins costs a change of threads all the same. */
    if (!(monotonic_s > clock_monotonic_s()))
        return;
    double whole_s = floor(monotonic_s);
    struct timespec until = {.tv_sec = (time_t)whole_s,
                             .tv_nsec = (long)((monotonic_s - whole_s) * 1e9)};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR) {
    }
}

void clock_wait_until(double monotonic_s)
{
    static const double AWAKE_S = 0.0001;
    clock_sleep_until(monotonic_s - AWAKE_S);
    while (clock_monotonic_s() < monotonic_s) {
    }
}
