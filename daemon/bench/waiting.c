/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/waiting.h"

#include <errno.h>
#include <math.h>
#include <time.h>

void waiting_init(pthread_cond_t *condition)
{
    pthread_condattr_t attributes;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(condition, &attributes);
    pthread_condattr_destroy(&attributes);
}

bool waiting_until(pthread_cond_t *condition, pthread_mutex_t *mutex, double deadline_s)
{
    double whole_s = floor(deadline_s);
    struct timespec until = {.tv_sec = (time_t)whole_s,
                             .tv_nsec = (long)((deadline_s - whole_s) * 1e9)};
    return pthread_cond_timedwait(condition, mutex, &until) != ETIMEDOUT;
}
