/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/envelope.h"

#include "reference/follow.h"

#include <math.h>
#include <stdlib.h>

enum { MOST_POINTS = 1200, PER_PHASE = 24, STEPS = 6 };
static const double wide = 2.5; /* predictive standard deviations, level and time */

/* Earliest and latest a phase may begin. */
struct span {
    double early_s, late_s;
};

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

static void find_spans(const struct reference *r, struct span *spans)
{
    double stretch = exp(wide * r->duration.predictive);
    spans[0] = (struct span){0, 0};
    for (size_t p = 0; p + 1 < r->phase_count; p++) {
        double slack = isnan(r->reading_interval_s) ? 0 : 0.5 * r->reading_interval_s;
        spans[p + 1].early_s =
            fmax(0, spans[p].early_s + r->phases[p].duration_s / stretch - slack);
        spans[p + 1].late_s = spans[p].late_s + r->phases[p].duration_s * stretch + slack;
    }
    spans[r->phase_count] = (struct span){INFINITY, INFINITY};
}

static size_t choose_times(const struct reference *r, const struct span *spans, double *times)
{
    size_t count = 0;
    for (size_t p = 0; p < r->phase_count; p++) {
        double from = spans[p].early_s;
        double to = p + 1 < r->phase_count ? spans[p + 1].late_s : r->watch_s;
        to = fmin(to, r->watch_s);
        times[count++] = fmin(from, r->watch_s);
        times[count++] = fmin(spans[p].late_s, r->watch_s);
        double shape = from + (double)(r->phases[p].cell_count) * r->phases[p].cell_s;
        double fine = fmin(shape, to);
        for (int k = 1; k <= PER_PHASE; k++)
            times[count++] = from + (to - from) * k / PER_PHASE;
        for (int k = 1; k <= PER_PHASE && fine > from; k++)
            times[count++] = from + (fine - from) * k / PER_PHASE;
    }
    times[count++] = r->watch_s;
    qsort(times, count, sizeof *times, by_size);
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        double time = round(1e4 * times[i]) / 1e4;
        if (time >= 0 && (kept == 0 || time > times[kept - 1]))
            times[kept++] = time;
    }
    return kept;
}

static void band_at(const struct reference *r, const struct span *spans, double time_s,
                    double *low_A, double *high_A)
{
    double level = wide * sqrt(r->level_common.predictive * r->level_common.predictive +
                               r->level_own.predictive * r->level_own.predictive);
    *low_A = INFINITY;
    *high_A = -INFINITY;
    for (size_t p = 0; p < r->phase_count; p++) {
        const struct reference_phase *phase = &r->phases[p];
        if (time_s < spans[p].early_s - 1e-4 || time_s > spans[p + 1].late_s + 1e-4)
            continue;
        double longest = time_s - spans[p].early_s;
        double shortest = fmax(0, time_s - spans[p].late_s);
        for (int k = 0; k <= STEPS; k++) {
            double since = shortest + (longest - shortest) * k / STEPS;
            struct shape_band band = follow_shape(phase, since, 0);
            double noise = 3 * phase->noise_A;
            *low_A = fmin(*low_A, band.low_A - level * fabs(band.low_A) - noise);
            *high_A = fmax(*high_A, band.high_A + level * fabs(band.high_A) + noise);
        }
    }
}

int envelope_make(struct reference *r)
{
    struct span spans[REFERENCE_MOST_PHASES + 1];
    double *times = calloc(MOST_POINTS, sizeof *times);
    r->envelope_low_A = calloc(MOST_POINTS, sizeof(double));
    r->envelope_high_A = calloc(MOST_POINTS, sizeof(double));
    r->envelope_time_s = times;
    if (!times || !r->envelope_low_A || !r->envelope_high_A)
        return -1;
    find_spans(r, spans);
    size_t count = choose_times(r, spans, times);
    for (size_t i = 0; i < count; i++)
        band_at(r, spans, times[i], &r->envelope_low_A[i], &r->envelope_high_A[i]);
    /* Where the limits of time leave a hole, the band goes on from before. */
    for (size_t i = 1; i < count; i++) {
        if (!isfinite(r->envelope_low_A[i])) {
            r->envelope_low_A[i] = r->envelope_low_A[i - 1];
            r->envelope_high_A[i] = r->envelope_high_A[i - 1];
        }
    }
    r->envelope_count = count;
    return 0;
}
