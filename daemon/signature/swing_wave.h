/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of finding swings: readings in bins, the wave in them, and following
 * it on. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_SWING_WAVE_H
#define WAKEDRAW_SIGNATURE_SWING_WAVE_H

#include "signature/periodogram.h"
#include "signature/shape.h"

enum {
    SWING_MOST_POINTS = 256,  /* in one periodogram */
    SWING_FEWEST_POINTS = 16, /* that tell a period */
    SWING_PERIODS_LEAST = 3,
    SWING_READINGS_LEAST = 4, /* a period */
};

#define SWING_SECOND_GAIN 0.15 /* share a second harmonic must take off what is left */

/* What is looked at: readings that are fresh, in bins. */
struct points {
    double time_s[SWING_MOST_POINTS], current_A[SWING_MOST_POINTS];
    size_t count;
};

/* Readings first..end-1 that swing like the wave. */
struct stretch {
    size_t first, end;
    struct wave wave;
};

/* From one fresh reading to the next. */
double swing_fresh_s(const struct series *series);

/* Bins of `bin` fresh readings of first..end-1, at most SWING_MOST_POINTS about
 * the middle; without masked ones unless masked_too. */
void swing_gather(const struct series *series, size_t first, size_t end, size_t bin,
                  bool masked_too, struct points *points);

struct samples_in_time swing_in_time(const struct points *points);

/* Looks for a wave between the frequencies that may be called a swing. The highest
 * peak that is not above above_Hz (0: any is) is none. 1: found, 0: none, -1:
 * memory is out. */
int swing_find_wave(const struct points *points, double low_Hz, double high_Hz, double above_Hz,
                    double count_A, struct wave *wave);

/* Follows the wave from the core (or its middle periods) to both sides, between
 * the readings least and most-1. */
void swing_follow(const struct series *series, struct stretch *core, bool from_middle, size_t least,
                  size_t most);

/* Fits the wave to what it was followed through. False: it was no swing. */
bool swing_settle(const struct series *series, struct stretch *swing);

/* Mean over whole periods. */
double swing_mean_A(const double *time_s, const double *current_A, size_t count, double period_s);

#endif
