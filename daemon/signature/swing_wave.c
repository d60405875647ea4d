/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/swing_wave.h"

#include "signature/swing.h"

#include <math.h>

enum { MISSES_END = 3 /* in a row: the swing is over */ };

#define FALSE_ALARM 1e-5
#define SCAN_SHOWS 0.9    /* of a peak's power, at the least */
#define MOST_FORETOLD 0.4 /* of the squares: what the other periods do not tell */
#define NEAR_FORETOLD 1.0 /* the same, while the period is off by a little */
#define LEAST_HEIGHT 0.04 /* of the level, from crest to trough */
#define COUNTS_HEIGHT 2.0 /* and of the readback's counts */
#define LOCAL_PERIODS 4.0 /* fitted while a swing is followed on */

double swing_fresh_s(const struct series *series)
{
    return series->interval_s * series->noise.repeats;
}

/* A conversion shown several times is one reading: bins hold a whole number of
 * them where they can. At most SWING_MOST_POINTS about the middle of first..end-1. */
void swing_gather(const struct series *series, size_t first, size_t end, size_t bin,
                  bool masked_too, struct points *points)
{
    size_t size = (size_t)fmax(1, nearbyint((double)bin * series->noise.repeats));
    if (end - first > size * SWING_MOST_POINTS) {
        first += (end - first - size * SWING_MOST_POINTS) / 2;
        end = first + size * SWING_MOST_POINTS;
    }
    points->count = 0;
    for (size_t from = first; from < end && points->count < SWING_MOST_POINTS; from += size) {
        double time_s = 0;
        double current_A = 0;
        size_t used = 0;
        for (size_t i = from; i < end && i < from + size; i++) {
            if (series->masked[i] && !masked_too)
                continue;
            time_s += series->time_s[i];
            current_A += series->current_A[i];
            used++;
        }
        if (2 * used < size)
            continue;
        points->time_s[points->count] = time_s / (double)used;
        points->current_A[points->count++] = current_A / (double)used;
    }
}

struct samples_in_time swing_in_time(const struct points *points)
{
    return (struct samples_in_time){points->time_s, points->current_A, NULL, points->count};
}

/* The straight line through them is taken off: a drift has no period. */
static void take_off_line(const struct points *points, double *values)
{
    double mean_s = 0;
    double mean_A = 0;
    for (size_t i = 0; i < points->count; i++) {
        mean_s += points->time_s[i] / (double)points->count;
        mean_A += points->current_A[i] / (double)points->count;
    }
    double ss = 0;
    double sA = 0;
    for (size_t i = 0; i < points->count; i++) {
        double d = points->time_s[i] - mean_s;
        ss += d * d;
        sA += d * (points->current_A[i] - mean_A);
    }
    for (size_t i = 0; i < points->count; i++)
        values[i] =
            points->current_A[i] - mean_A - (ss > 0 ? sA / ss : 0) * (points->time_s[i] - mean_s);
}

/* A second harmonic only where it is worth its terms and can be seen. The period
 * is looked for anew only where the wave is not far from a swing. */
static bool fit_wave(const struct points *points, bool known, struct wave *wave)
{
    struct samples_in_time samples = swing_in_time(points);
    wave->harmonics = 1;
    if (!wave_fit(&samples, wave))
        return false;
    double length_s = points->time_s[points->count - 1] - points->time_s[0];
    double a_period = wave->period_s * (double)points->count / length_s;
    struct wave second = *wave;
    second.harmonics = 2;
    if (a_period >= 2 * SWING_READINGS_LEAST && wave_fit(&samples, &second) &&
        second.left < (1 - SWING_SECOND_GAIN) * wave->left && second.foretold < wave->foretold)
        *wave = second;
    return known || wave->foretold > NEAR_FORETOLD || wave_fit_period(&samples, wave);
}

static bool is_swing(const struct points *points, const struct wave *wave, double count_A)
{
    double length_s = points->time_s[points->count - 1] - points->time_s[0];
    double height_A = wave_height(wave);
    return wave->foretold <= MOST_FORETOLD &&
           length_s >= SWING_PERIODS_LEAST * wave->period_s * (1 - 0.5 / (double)points->count) &&
           height_A >= LEAST_HEIGHT * fabs(wave->terms[0]) && height_A >= COUNTS_HEIGHT * count_A;
}

static bool may_swing(const struct periodogram_peak *peak)
{
    return peak->false_alarm <= FALSE_ALARM && peak->power >= 0.5 * (1 - MOST_FORETOLD);
}

/* Looks for a period between the frequencies. 1: found, 0: none, -1: memory is out. */
int swing_find_wave(const struct points *points, double low_Hz, double high_Hz, double above_Hz,
                    double count_A, struct wave *wave)
{
    if (points->count < SWING_FEWEST_POINTS)
        return 0;
    double length_s = points->time_s[points->count - 1] - points->time_s[0];
    low_Hz = fmax(low_Hz, SWING_PERIODS_LEAST / length_s);
    if (!(high_Hz > low_Hz))
        return 0;
    double values[SWING_MOST_POINTS];
    take_off_line(points, values);
    struct samples_in_time samples = {points->time_s, values, NULL, points->count};
    struct periodogram_peak peak;
    if (periodogram_scan(&samples, low_Hz, high_Hz, &peak) != 0)
        return -1;
    /* Most stretches show so little that it need not be told how much. */
    struct periodogram_peak most = peak;
    most.power = fmin(1, peak.power / SCAN_SHOWS);
    most.false_alarm = periodogram_false_alarm(most.power, points->count, peak.frequencies);
    if (!may_swing(&most) || peak.frequency_Hz + 1.25 * peak.step_Hz <= above_Hz)
        return 0;
    periodogram_refine(&samples, &peak);
    if (!may_swing(&peak))
        return 0;
    *wave = (struct wave){.period_s = 1 / peak.frequency_Hz};
    return fit_wave(points, true, wave) && is_swing(points, wave, count_A);
}

/* --- following a swing on to both sides --- */

/* Of single readings, which bins are not. */
static double deviation_about(const struct series *series, const struct wave *wave, size_t first,
                              size_t end)
{
    size_t stride = 1 + (end - first) / SWING_MOST_POINTS;
    double square = 0;
    size_t used = 0;
    for (size_t i = first; i < end; i += stride) {
        double d = series->current_A[i] - wave_at(wave, series->time_s[i]);
        square += d * d;
        used++;
    }
    return sqrt(square / (double)used);
}

static struct wave local_wave(const struct series *series, const struct wave *wave, size_t first,
                              size_t end)
{
    struct points points;
    double fresh = (double)(end - first) / series->noise.repeats;
    swing_gather(series, first, end, 1 + (size_t)(fresh / SWING_MOST_POINTS), true, &points);
    struct samples_in_time samples = swing_in_time(&points);
    struct wave local = *wave;
    if (points.count < SWING_FEWEST_POINTS || !wave_fit(&samples, &local)) {
        local = *wave;
        local.deviation = deviation_about(series, &local, first, end);
        return local;
    }
    /* A trend of so few periods is not carried on. */
    local.terms[1] = 0;
    local.deviation = deviation_about(series, &local, first, end);
    return local;
}

/* How far a reading may lie from the wave that was fitted to others. */
static double room_A(const struct series *series, const struct wave *wave)
{
    return fmax(4 * fmax(wave->deviation, series->noise.floor_A), 0.2 * wave_height(wave));
}

/* The end of what goes on like the readings first..end-1, `most` at most. */
static size_t follow_on(const struct series *series, const struct wave *wave, size_t first,
                        size_t end, size_t most)
{
    size_t misses_end = (size_t)ceil(MISSES_END * series->noise.repeats);
    while (end < most) {
        double last_s = series->time_s[end - 1];
        size_t from = end - 1;
        while (from > first && last_s - series->time_s[from] < LOCAL_PERIODS * wave->period_s)
            from--;
        struct wave local = local_wave(series, wave, from, end);
        double room = room_A(series, &local);
        size_t misses = 0;
        size_t at = end;
        for (; at < most && series->time_s[at] - last_s <= wave->period_s; at++) {
            double off_A = fabs(series->current_A[at] - wave_at(&local, series->time_s[at]));
            misses = off_A > room ? misses + 1 : 0;
            if (misses == misses_end)
                return at + 1 - misses;
        }
        if (at < most)
            at -= misses;
        if (at == end)
            return end;
        end = at;
    }
    return end;
}

static size_t follow_back(const struct series *series, const struct wave *wave, size_t first,
                          size_t end, size_t least)
{
    size_t misses_end = (size_t)ceil(MISSES_END * series->noise.repeats);
    while (first > least) {
        double begin_s = series->time_s[first];
        size_t to = first + 1;
        while (to < end && series->time_s[to] - begin_s < LOCAL_PERIODS * wave->period_s)
            to++;
        struct wave local = local_wave(series, wave, first, to);
        double room = room_A(series, &local);
        size_t misses = 0;
        size_t at = first;
        for (; at > least && begin_s - series->time_s[at - 1] <= wave->period_s; at--) {
            double off_A =
                fabs(series->current_A[at - 1] - wave_at(&local, series->time_s[at - 1]));
            misses = off_A > room ? misses + 1 : 0;
            if (misses == misses_end)
                return at - 1 + misses;
        }
        at += misses;
        if (at == first)
            return first;
        first = at;
    }
    return first;
}

/* The middle periods of first..end-1. */
static void take_middle(const struct series *series, double period_s, size_t *first, size_t *end)
{
    double middle_s = 0.5 * (series->time_s[*first] + series->time_s[*end - 1]);
    double half_s = (0.5 * SWING_PERIODS_LEAST + 0.05) * period_s;
    while (*end - *first > SWING_FEWEST_POINTS && series->time_s[*first] < middle_s - half_s)
        (*first)++;
    while (*end - *first > SWING_FEWEST_POINTS && series->time_s[*end - 1] > middle_s + half_s)
        (*end)--;
}

/* Mean over whole periods. */
double swing_mean_A(const double *time_s, const double *current_A, size_t count, double period_s)
{
    double periods = floor((time_s[count - 1] - time_s[0]) / period_s * (1 + 1e-6));
    double sum = 0;
    size_t used = 0;
    for (size_t i = 0; i < count && (periods < 1 || time_s[i] - time_s[0] < periods * period_s);
         i++) {
        sum += current_A[i];
        used++;
    }
    return sum / (double)used;
}

void swing_follow(const struct series *series, struct stretch *core, bool from_middle, size_t least,
                  size_t most)
{
    if (from_middle)
        take_middle(series, core->wave.period_s, &core->first, &core->end);
    core->end = follow_on(series, &core->wave, core->first, core->end, most);
    core->first = follow_back(series, &core->wave, core->first, core->end, least);
}

bool swing_settle(const struct series *series, struct stretch *swing)
{
    size_t first = swing->first;
    size_t end = swing->end;
    struct points points;
    double fresh = (double)(end - first) / series->noise.repeats;
    double fresh_a_period =
        fresh * swing->wave.period_s / (series->time_s[end - 1] - series->time_s[first]);
    double bin = fmax(1, fmin(ceil(fresh / SWING_MOST_POINTS),
                              floor(fresh_a_period / (2 * SWING_READINGS_LEAST))));
    swing_gather(series, first, end, (size_t)bin, true, &points);
    struct wave whole = swing->wave;
    if (points.count < SWING_FEWEST_POINTS || !fit_wave(&points, false, &whole))
        return false;
    /* A period that wanders is no one wave, but it was one in the middle. */
    bool one = is_swing(&points, &whole, series->noise.count_A);
    if (!one && series->time_s[end - 1] - series->time_s[first] <
                    2 * SWING_PERIODS_LEAST * swing->wave.period_s)
        return false;
    if (one)
        swing->wave = whole;
    swing->wave.deviation = deviation_about(series, &swing->wave, first, end);
    return true;
}

int swing_measure(const double *time_s, const double *current_A, size_t count, double low_s,
                  double high_s, struct swing *swing)
{
    *swing = (struct swing){0};
    if (count < SWING_FEWEST_POINTS)
        return 0;
    double length_s = time_s[count - 1] - time_s[0];
    if (!(length_s > 0))
        return 0;
    struct points points;
    size_t bin = 1 + (count - 1) / SWING_MOST_POINTS;
    points.count = 0;
    for (size_t from = 0; from + bin <= count; from += bin) {
        double sum_s = 0;
        double sum_A = 0;
        for (size_t i = from; i < from + bin; i++) {
            sum_s += time_s[i];
            sum_A += current_A[i];
        }
        points.time_s[points.count] = sum_s / (double)bin;
        points.current_A[points.count++] = sum_A / (double)bin;
    }
    double highest_Hz = (double)points.count / (SWING_READINGS_LEAST * length_s);
    if (low_s > 0)
        highest_Hz = fmin(highest_Hz, 1 / low_s);
    struct wave wave;
    int found = swing_find_wave(&points, high_s > 0 ? 1 / high_s : 0, highest_Hz, 0, 0, &wave);
    if (found == 1)
        *swing = (struct swing){.period_s = wave.period_s,
                                .height_A = wave_height(&wave),
                                .level_A = swing_mean_A(time_s, current_A, count, wave.period_s)};
    return found < 0 ? -1 : 0;
}
