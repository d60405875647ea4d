/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/tail.h"

#include <math.h>
#include <stdlib.h>

static int compare_numbers(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median of the last few valid readings from there on. */
static double median_since(const struct judge *judge, size_t from)
{
    double values[MOST_TAIL];
    size_t count = 0;
    for (size_t i = count_since_onset(judge); i-- > from && count < MOST_TAIL;) {
        const struct reading *r = since_onset(judge, i);
        if (r->valid)
            values[count++] = r->current_A;
    }
    if (count == 0)
        return NAN;
    if (count <= 2)
        return values[0];
    qsort(values, count, sizeof *values, compare_numbers);
    return count % 2 ? values[count / 2] : 0.5 * (values[count / 2 - 1] + values[count / 2]);
}

struct tail tail_from(const struct judge *judge, size_t from)
{
    struct tail tail = {.from = from, .low_A = INFINITY, .high_A = -INFINITY, .voltage_V = NAN};
    double volts = 0;
    size_t volted = 0;
    for (size_t i = from; i < count_since_onset(judge); i++) {
        const struct reading *r = since_onset(judge, i);
        if (!r->valid)
            continue;
        tail.newest_A = r->current_A;
        tail.low_A = fmin(tail.low_A, r->current_A);
        tail.high_A = fmax(tail.high_A, r->current_A);
        if (!isnan(r->voltage_V)) {
            volts += r->voltage_V;
            volted++;
        }
        tail.count++;
    }
    tail.level_A = median_since(judge, from);
    if (volted > 0)
        tail.voltage_V = volts / (double)volted;
    return tail;
}

struct tail look_back(const struct judge *judge, size_t count)
{
    size_t from = count_since_onset(judge);
    while (from > 0 && count > 0) {
        from--;
        count -= since_onset(judge, from)->valid;
    }
    return tail_from(judge, from);
}
