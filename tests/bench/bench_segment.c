/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How long the exact cut into levels and the whole segmentation take, on one
 * core: processor time, so that what else the machine does is left out. Status 1
 * where a limit is passed.
 */
#include "signature/levels.h"
#include "signature/segment.h"
#include "support/phase_trace.h"
#include "support/power_up_scene.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { LONG = 100000, ROUNDS = 7, SEVERAL = 2000 };

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Above 1: slower than the limit. */
static bool print_against(const char *what, double took_s, double limit_s)
{
    printf("%s: %.3f ms, limit %g ms, ratio %.2f\n", what, 1e3 * took_s, 1e3 * limit_s,
           took_s / limit_s);
    return took_s <= limit_s;
}

/* --- levels of long rows --- */

enum noise_kind { NOISE_NORMAL, NOISE_HEAVY, NOISE_NONE };

/* In units of a normal row's noise; `count`: rounded to multiples of it. */
struct row_kind {
    const char *name;
    size_t changes;
    enum noise_kind noise;
    double size, count;
};

/* Student's t of 2 degrees of freedom. */
static double heavy(uint64_t *random)
{
    double u = 2 * scene_uniform(random) - 1;
    return u * sqrt(2 / (1 - u * u + 1e-12));
}

static double *make_row(const struct row_kind *kind, size_t count)
{
    double *values = malloc(count * sizeof *values);
    if (!values)
        exit(1);
    uint64_t random = 7;
    double level = 300;
    size_t each = (count + kind->changes) / (kind->changes + 1);
    for (size_t i = 0; i < count; i++) {
        if (i && i % each == 0)
            level = 50 + 500 * scene_uniform(&random);
        double noise = kind->noise == NOISE_NORMAL  ? scene_normal(&random)
                       : kind->noise == NOISE_HEAVY ? heavy(&random)
                                                    : 0;
        values[i] = level + kind->size * noise;
        if (kind->count > 0)
            values[i] = nearbyint(values[i] / kind->count) * kind->count;
    }
    return values;
}

static double time_levels(const struct row_kind *kind, size_t count, size_t *levels)
{
    double *values = make_row(kind, count);
    double least_s = INFINITY;
    for (int round = 0; round < ROUNDS; round++) {
        struct level_problem problem = {
            .values = values, .count = count, .penalty = 3 * log((double)count), .bound = INFINITY};
        struct level_cut cut;
        double from_s = now_s();
        if (levels_cut(&problem, &cut) != 0)
            exit(1);
        least_s = fmin(least_s, now_s() - from_s);
        *levels = cut.count;
        level_cut_clear(&cut);
    }
    free(values);
    return least_s;
}

static bool measure_levels(void)
{
    static const struct row_kind kinds[] = {
        {"20 changes", 20, NOISE_NORMAL, 1, 0},
        {"2 changes", 2, NOISE_NORMAL, 1, 0},
        {"200 changes", 200, NOISE_NORMAL, 1, 0},
        {"20 changes, no noise", 20, NOISE_NONE, 0, 1},
        {"20 changes, rounded to the noise", 20, NOISE_NORMAL, 1, 1},
        {"20 changes, mostly ties", 20, NOISE_NORMAL, 0.3, 1},
        {"20 changes, heavy tails", 20, NOISE_HEAVY, 1, 0},
    };
    bool held = true;
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        char what[96];
        size_t levels = 0;
        double took_s = time_levels(&kinds[k], LONG, &levels);
        snprintf(what, sizeof what, "levels of %d readings, %s (%zu levels found)", LONG,
                 kinds[k].name, levels);
        held &= print_against(what, took_s, 15e-3);
    }
    size_t levels = 0;
    double half_s = time_levels(&kinds[0], LONG / 2, &levels);
    double whole_s = time_levels(&kinds[0], LONG, &levels);
    double double_s = time_levels(&kinds[0], (size_t)2 * LONG, &levels);
    printf("levels, growth from %d to %d: %.2f, to %d: %.2f (2 is linear)\n", LONG / 2, LONG,
           whole_s / half_s, 2 * LONG, double_s / whole_s);
    return held;
}

/* --- a boot, cut anew as its readings come --- */

/* An inrush, steps, a ramp, pulses, the final draw. */
static const struct made_phase boot[] = {
    {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0.0004},
    {.kind = PHASE_DECAY, .lasts_s = 0.6, .from_A = 0.9, .to_A = 0.05, .time_s = 0.06},
    {.kind = PHASE_LEVEL, .lasts_s = 0.9, .from_A = 0.12},
    {.kind = PHASE_LEVEL, .lasts_s = 1.4, .from_A = 0.19},
    {.kind = PHASE_RAMP, .lasts_s = 1.1, .from_A = 0.19, .to_A = 0.31},
    {.kind = PHASE_LEVEL, .lasts_s = 1.2, .from_A = 0.31},
    {.kind = PHASE_PERIODIC,
     .lasts_s = 2.3,
     .from_A = 0.25,
     .to_A = 0.29,
     .time_s = 0.4,
     .share = 0.5},
    {.kind = PHASE_LEVEL, .lasts_s = 9, .from_A = 0.252}};

static bool measure_live(void)
{
    static const double counts_A[] = {1e-4, 1e-3, 1e-2};
    static double took_s[SEVERAL];
    size_t taken = 0;
    for (int which = 0; which < 12; which++) {
        struct made_record record = {.phases = boot,
                                     .count = sizeof boot / sizeof *boot,
                                     .rate_hz = which % 2 ? 50 : 33,
                                     .jitter = 0.1,
                                     .resolution_A = counts_A[which % 3],
                                     .noise_A = 2e-4 + 0.3 * counts_A[which % 3]};
        struct trace trace = {0};
        made_record_read(&record, 1 + (uint64_t)which, &trace);
        struct segment_options options = {.resolution_A = which < 6 ? record.resolution_A : 0};
        for (size_t count = 450; count <= 550 && count <= trace.count && taken < SEVERAL; count++) {
            struct phases phases;
            double from_s = now_s();
            if (segment_readings(trace.readings, count, &options, &phases) != 0)
                exit(1);
            took_s[taken++] = now_s() - from_s;
            phases_clear(&phases);
        }
        trace_clear(&trace);
    }
    qsort(took_s, taken, sizeof *took_s, by_size);
    bool held = print_against("live re-segmentation at 450 to 550 readings, median",
                              took_s[taken / 2], 0.2e-3);
    printf("  of %zu: least %.3f ms, 95 %% within %.3f ms, longest %.3f ms\n", taken,
           1e3 * took_s[0], 1e3 * took_s[taken * 95 / 100], 1e3 * took_s[taken - 1]);
    return held;
}

static void measure_long(void)
{
    struct row_kind kind = {"20 changes", 20, NOISE_NORMAL, 1, 0.1};
    double *values = make_row(&kind, LONG);
    struct reading *readings = malloc(LONG * sizeof *readings);
    if (!readings)
        exit(1);
    for (size_t i = 0; i < LONG; i++) {
        readings[i] = (struct reading){0.01 * (double)i, 12,          1e-3 * values[i], true,
                                       FLAG_UNKNOWN,     FLAG_UNKNOWN};
        reading_quantise(&readings[i]);
    }
    struct phases phases;
    double from_s = now_s();
    if (segment_readings(readings, LONG, NULL, &phases) != 0)
        exit(1);
    printf("phases of %d readings: %.1f ms, %zu phases\n", LONG, 1e3 * (now_s() - from_s),
           phases.count);
    phases_clear(&phases);
    free(readings);
    free(values);
}

int main(void)
{
    bool held = measure_live();
    held &= measure_levels();
    measure_long();
    return held ? 0 : 1;
}
