/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Condition variables on the monotonic clock.
 */
#ifndef WAKEDRAW_BENCH_WAITING_H
#define WAKEDRAW_BENCH_WAITING_H

#include <pthread.h>
#include <stdbool.h>

void waiting_init(pthread_cond_t *condition);

/* False: the monotonic deadline has passed. */
bool waiting_until(pthread_cond_t *condition, pthread_mutex_t *mutex, double deadline_s);

#endif
