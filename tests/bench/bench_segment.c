/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How long the exact cut into levels and the whole segmentation take.
 */
#include "signature/levels.h"
#include "signature/segment.h"
#include "support/power_up_scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double measure(size_t count, size_t changes, double *whole_s)
{
    double *values = malloc(count * sizeof *values);
    struct reading *readings = malloc(count * sizeof *readings);
    if (!values || !readings)
        exit(1);
    uint64_t random = 7;
    double level = 0.3;
    for (size_t i = 0; i < count; i++) {
        if (i && i % (count / (changes + 1)) == 0)
            level = 0.05 + 0.5 * scene_uniform(&random);
        readings[i] = (struct reading){
            0.01 * (double)i, 12,          level + 1e-3 * scene_normal(&random), true,
            FLAG_UNKNOWN,     FLAG_UNKNOWN};
        reading_quantise(&readings[i]);
        values[i] = readings[i].current_A * 1e3;
    }
    double levels_s = INFINITY;
    *whole_s = INFINITY;
    for (int round = 0; round < 7; round++) {
        struct level_problem problem = {
            .values = values, .count = count, .penalty = 2 * log((double)count), .bound = INFINITY};
        struct level_cut cut;
        double from_s = now_s();
        if (levels_cut(&problem, &cut) != 0)
            exit(1);
        levels_s = fmin(levels_s, now_s() - from_s);
        level_cut_clear(&cut);
        struct phases phases;
        from_s = now_s();
        if (segment_readings(readings, count, NULL, &phases) != 0)
            exit(1);
        *whole_s = fmin(*whole_s, now_s() - from_s);
        phases_clear(&phases);
    }
    free(values);
    free(readings);
    return levels_s;
}

/* Above 1: slower than the limit. */
static void print_against(const char *what, double took_s, double limit_s)
{
    printf("%s: %.3f ms, limit %g ms, ratio %.2f\n", what, 1e3 * took_s, 1e3 * limit_s,
           took_s / limit_s);
}

int main(void)
{
    double whole_s = 0;
    double levels_s = measure(500, 5, &whole_s);
    printf("levels of 500 readings: %.3f ms\n", 1e3 * levels_s);
    print_against("live re-segmentation at 500 readings", whole_s, 0.2e-3);
    double at_100000_s = measure(100000, 20, &whole_s);
    print_against("levels of 100000 readings, 20 changes", at_100000_s, 15e-3);
    printf("phases of 100000 readings: %.1f ms\n", 1e3 * whole_s);
    levels_s = measure(200000, 20, &whole_s);
    printf("levels, 200000 to 100000 readings: %.2f (2 is linear)\n", levels_s / at_100000_s);
    return 0;
}
