/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/on_time.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What was read last while nothing was low. */
struct before {
    double current_A[ON_TIME_BEFORE];
    size_t count, next;
};

static void add(struct before *before, double current_A)
{
    before->current_A[before->next] = current_A;
    before->next = (before->next + 1) % ON_TIME_BEFORE;
    if (before->count < ON_TIME_BEFORE)
        before->count++;
}

struct level {
    double median_A, lowest_A;
};

static struct level level_of(const struct before *before)
{
    double sorted[ON_TIME_BEFORE];
    memcpy(sorted, before->current_A, before->count * sizeof *sorted);
    gsl_sort(sorted, 1, before->count);
    return (struct level){gsl_stats_median_from_sorted_data(sorted, 1, before->count), sorted[0]};
}

/* Low by so large a share of the draw. */
static bool is_below(const struct level *level, double share, double current_A)
{
    return current_A < level->lowest_A - share * fabs(level->median_A);
}

/* Half the usual voltage and less is the output going off, whoever switched it. */
static double least_voltage_V(const struct reading *readings, size_t count)
{
    double *sorted = calloc(count + 1, sizeof *sorted);
    size_t known = 0;
    for (size_t i = 0; sorted && i < count; i++)
        if (readings[i].valid && isfinite(readings[i].voltage_V))
            sorted[known++] = readings[i].voltage_V;
    double least_V = known > 0 ? gsl_stats_median(sorted, 1, known) / 2 : -(double)INFINITY;
    free(sorted);
    return least_V;
}

static bool counts(const struct reading *reading, double least_V)
{
    return reading->valid && isfinite(reading->current_A) && reading->output_on != FLAG_NO &&
           !(reading->voltage_V < least_V);
}

size_t on_time_drops(const struct reading *readings, size_t count, struct drop *drops, size_t most)
{
    struct before before = {.count = 0};
    struct drop now = {0};
    struct level level = {0};
    double last_s = 0;
    bool is_low = false;
    size_t found = 0;
    double least_V = least_voltage_V(readings, count);
    for (size_t i = 0; i < count; i++) {
        const struct reading *reading = &readings[i];
        if (!counts(reading, least_V))
            continue;
        double current_A = reading->current_A;
        last_s = reading->time_s;
        if (is_low && is_below(&level, ON_TIME_DROP_SHARE / 2, current_A)) {
            now.low_A = fmin(now.low_A, current_A);
            continue;
        }
        if (is_low) {
            now.to_s = reading->time_s;
            if (found++ < most)
                drops[found - 1] = now;
        }
        if (before.count >= ON_TIME_FEWEST)
            level = level_of(&before);
        is_low = before.count >= ON_TIME_FEWEST && is_below(&level, ON_TIME_DROP_SHARE, current_A);
        if (is_low)
            now = (struct drop){.from_s = last_s, .low_A = current_A, .of_A = level.median_A};
        else
            add(&before, current_A);
    }
    if (is_low) {
        now.to_s = last_s;
        if (found++ < most)
            drops[found - 1] = now;
    }
    return found;
}
