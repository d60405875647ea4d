/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of the power-up machine: what was read last, and the resting draw
 * that it shows. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_REST_H
#define WAKEDRAW_SIGNATURE_REST_H

#include <stdbool.h>
#include <stddef.h>

/* Half a step of time (reading.h): a span's exact end counts, wherever the
 * row's zero is. */
#define TIME_SLACK_S 5e-7

struct sample {
    double time_s, voltage_V, current_A;
};

enum { RECENT_MOST = 1024 };

/* The last readings, a ring. */
struct recent {
    struct sample items[RECENT_MOST];
    size_t first, count;
};

/* The last but `back`; back below count. */
const struct sample *recent_back(const struct recent *recent, size_t back);
void recent_push(struct recent *recent, const struct sample *sample);
void recent_drop_before(struct recent *recent, double time_s);

/* From so many readings on their noise is known. */
enum { NOISE_LEAST = 5 };

struct baseline {
    double median_A, most_A, noise_A;
    double reach_A; /* how far from the median readings come, the farthest left out */
    size_t readings;
};

/* The resting draw as the last half second before the instant shows it; noise
 * and reach are 0 of fewer than NOISE_LEAST readings. */
struct baseline baseline_before(const struct recent *recent, double time_s);

/* The largest of those counts, most_A at most, of which the draw is a whole number. */
double count_of_A(double current_A, double most_A);

/* One count of the readback as the last half second and this reading tell it:
 * 10, 5, 2 or 1 mA; finer ones are 0. */
double count_seen_A(const struct recent *recent, const struct sample *s);

#endif
