/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/tally.h"

#include <jansson.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

struct tally {
    pthread_mutex_t mutex;
    uint64_t counters[TALLY_COUNTERS];
    struct timing timings[TALLY_TIMINGS];
};

struct tally *tally_create(void)
{
    struct tally *tally = calloc(1, sizeof *tally);
    if (tally)
        pthread_mutex_init(&tally->mutex, NULL);
    return tally;
}

void tally_destroy(struct tally *tally)
{
    if (!tally)
        return;
    pthread_mutex_destroy(&tally->mutex);
    free(tally);
}

void tally_count(struct tally *tally, enum tally_counter counter, uint64_t by)
{
    pthread_mutex_lock(&tally->mutex);
    tally->counters[counter] += by;
    pthread_mutex_unlock(&tally->mutex);
}

double tally_bound_s(int bucket)
{
    static const double bounds_s[TALLY_BUCKETS - 1] = {0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005,
                                                       0.01,   0.02,   0.05,   0.1,   1.0};
    return bucket < TALLY_BUCKETS - 1 ? bounds_s[bucket] : (double)INFINITY;
}

void tally_time(struct tally *tally, enum tally_timing timing, double seconds)
{
    if (!isfinite(seconds))
        return;
    int bucket = 0;
    while (seconds > tally_bound_s(bucket))
        bucket++;
    pthread_mutex_lock(&tally->mutex);
    struct timing *to = &tally->timings[timing];
    to->buckets[bucket]++;
    to->count++;
    to->sum_s += seconds;
    pthread_mutex_unlock(&tally->mutex);
}

static void time_of(struct tally *tally, enum tally_timing timing, const json_t *event,
                    const char *key)
{
    const json_t *value = json_object_get(event, key);
    if (json_is_number(value))
        tally_time(tally, timing, json_number_value(value));
}

void tally_event(struct tally *tally, const char *name, const char *data)
{
    if (strcmp(name, "verdict") != 0)
        return;
    json_t *event = json_loads(data, 0, NULL);
    if (json_is_true(json_object_get(event, "kept"))) {
        time_of(tally, TALLY_JUDGING, event, "judging_s");
        time_of(tally, TALLY_COMMIT, event, "commit_s");
    }
    json_decref(event);
}

uint64_t tally_total(struct tally *tally, enum tally_counter counter)
{
    pthread_mutex_lock(&tally->mutex);
    uint64_t total = tally->counters[counter];
    pthread_mutex_unlock(&tally->mutex);
    return total;
}

struct timing tally_timing(struct tally *tally, enum tally_timing timing)
{
    pthread_mutex_lock(&tally->mutex);
    struct timing copy = tally->timings[timing];
    pthread_mutex_unlock(&tally->mutex);
    return copy;
}
