/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/readback.h"

#include "reference/level.h"
#include "signature/noise.h"

#include <math.h>
#include <stdlib.h>

static const double slow_repeats = 1.5; /* polls a conversion: repeats are then left out */
enum { REPEATS_MOST = 12, RUNS_LEAST = 20, STAYS_MOST = 4 * REPEATS_MOST };

/* Not read twice in a row is no change either. */
static bool is_same_voltage(double a_V, double b_V)
{
    return a_V == b_V || (isnan(a_V) && isnan(b_V));
}

/* How long values stand behind a change of more than a count, over all
 * known-goods; at the last place those that stand longer. */
static size_t count_stays(const struct reference *reference, const struct course *courses,
                          size_t course_count, size_t lengths[STAYS_MOST])
{
    double wide = 1.5 * reference->accuracy.current_resolution_A;
    size_t runs = 0;
    for (size_t i = 0; i < course_count; i++) {
        const struct course *course = &courses[i];
        size_t from = 0;
        for (size_t k = 1; k < course->count; k++) {
            const struct reading *r = &course->readings[k];
            double change = fabs(r->current_A - r[-1].current_A);
            if (change == 0 && is_same_voltage(r->voltage_V, r[-1].voltage_V))
                continue;
            if (from) {
                size_t length = k - from;
                lengths[length < STAYS_MOST ? length : STAYS_MOST - 1]++;
                runs++;
            }
            from = change > wide ? k : 0;
        }
    }
    return runs;
}

/* Polls a conversion, where values stand for a whole number of them again and
 * again; 1: they do not. */
static double regular_repeats(const struct reference *reference, const struct course *courses,
                              size_t course_count)
{
    size_t lengths[STAYS_MOST] = {0};
    size_t runs = count_stays(reference, courses, course_count, lengths);
    size_t shorter = lengths[1];
    for (size_t repeats = 2; runs >= RUNS_LEAST && repeats <= REPEATS_MOST; repeats++) {
        size_t whole = 0;
        for (size_t k = repeats; k < STAYS_MOST - 1; k += repeats)
            whole += lengths[k];
        size_t longest = lengths[STAYS_MOST - 1];
        if (25 * shorter > runs)
            return 1;
        if (3 * lengths[repeats] > runs && 10 * (runs - longest - whole) < runs - longest)
            return (double)repeats;
        shorter += lengths[repeats];
    }
    return 1;
}

int readback_learn(struct reference *r, const struct course *courses, size_t course_count)
{
    double current = INFINITY;
    double voltage = INFINITY;
    double *repeats = calloc(course_count, sizeof *repeats);
    if (!repeats)
        return -1;
    int status = 0;
    for (size_t i = 0; i < course_count && status == 0; i++) {
        const struct course *course = &courses[i];
        double *values = malloc(course->count * sizeof *values);
        if (!values) {
            status = -1;
            break;
        }
        struct noise noise = {0};
        for (size_t k = 0; k < course->count; k++)
            values[k] = course->readings[k].current_A;
        status = noise_learn(values, course->count, r->accuracy.current_resolution_A, &noise);
        current = fmin(current, noise.count_A);
        repeats[i] = noise.repeats;
        for (size_t k = 0; k < course->count; k++)
            values[k] = course->readings[k].voltage_V;
        if (status == 0 && !isnan(course->voltage_V) &&
            noise_learn(values, course->count, r->accuracy.voltage_resolution_V, &noise) == 0)
            voltage = fmin(voltage, noise.count_A);
        free(values);
    }
    if (!(r->accuracy.current_resolution_A > 0) && isfinite(current))
        r->accuracy.current_resolution_A = current;
    if (!(r->accuracy.voltage_resolution_V > 0) && isfinite(voltage))
        r->accuracy.voltage_resolution_V = voltage;
    double typical =
        fmax(median_of(repeats, course_count), regular_repeats(r, courses, course_count));
    r->refresh_s = typical > slow_repeats ? (typical - 0.5) * r->reading_interval_s : 0;
    free(repeats);
    return status;
}

void readback_drop_repeats(const struct reference *r, struct course *courses, size_t course_count)
{
    for (size_t i = 0; i < course_count; i++) {
        struct course *course = &courses[i];
        struct fresh fresh = {0};
        struct rise rise = {0};
        size_t kept = 0;
        for (size_t k = 0; k < course->count; k++) {
            const struct reading *reading = &course->readings[k];
            if (rise_passed(&rise, course->voltage_V, reading->time_s, reading->voltage_V) &&
                fresh_take(&fresh, r->refresh_s, reading))
                course->readings[kept++] = *reading;
        }
        course->count = kept;
        course->interval_s = fmax(course->interval_s, r->refresh_s);
    }
}
