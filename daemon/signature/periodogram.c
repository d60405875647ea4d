/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/periodogram.h"

#include "signature/lanes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PLACES 5.0 /* a resolution */

enum {
    MOST_BLOCKS = 8,
    FEWEST_BLOCKS = 3,
    ROUNDS = 4, /* of moving a period */
    AT_ONCE = 32,
};

static double weight_of(const struct samples_in_time *samples, size_t i)
{
    return samples->weight ? samples->weight[i] : 1;
}

static double length_of(const struct samples_in_time *samples)
{
    return samples->time_s[samples->count - 1] - samples->time_s[0];
}

/* Sums over the samples, weights and values already made sums of one and none. */
struct sums {
    double c, s, cc, cs, yc, ys;
};

static double power_of(const struct sums *sums, double yy)
{
    double cc = sums->cc - sums->c * sums->c;
    double ss = 1 - sums->cc - sums->s * sums->s;
    double cs = sums->cs - sums->c * sums->s;
    double determinant = cc * ss - cs * cs;
    if (!(yy > 0) || !(determinant > 1e-12))
        return 0;
    double power =
        (ss * sums->yc * sums->yc + cc * sums->ys * sums->ys - 2 * cs * sums->yc * sums->ys) /
        (yy * determinant);
    return fmin(fmax(power, 0), 1);
}

/* Weighted mean and square about it; the sum of weights. */
static double centre(const struct samples_in_time *samples, double *mean, double *square)
{
    double weights = 0;
    *mean = *square = 0;
    for (size_t i = 0; i < samples->count; i++) {
        weights += weight_of(samples, i);
        *mean += weight_of(samples, i) * samples->value[i];
    }
    *mean /= weights;
    for (size_t i = 0; i < samples->count; i++) {
        double d = samples->value[i] - *mean;
        *square += weight_of(samples, i) * d * d / weights;
    }
    return weights;
}

/* What every frequency has in common. */
struct centred {
    const struct samples_in_time *samples;
    double weights, mean, square;
};

static double power_at(const struct centred *centred, double frequency_Hz)
{
    const struct samples_in_time *samples = centred->samples;
    struct sums sums = {0};
    for (size_t from = 0; from < samples->count; from += AT_ONCE) {
        double turns[AT_ONCE];
        double c[AT_ONCE];
        double s[AT_ONCE];
        size_t count = samples->count - from < AT_ONCE ? samples->count - from : AT_ONCE;
        for (size_t k = 0; k < count; k++)
            turns[k] = frequency_Hz * (samples->time_s[from + k] - samples->time_s[0]);
        lanes_turn(turns, c, s, count);
        for (size_t k = 0; k < count; k++) {
            double w = weight_of(samples, from + k) / centred->weights;
            double d = samples->value[from + k] - centred->mean;
            sums.c += w * c[k];
            sums.s += w * s[k];
            sums.cc += w * c[k] * c[k];
            sums.cs += w * c[k] * s[k];
            sums.yc += w * d * c[k];
            sums.ys += w * d * s[k];
        }
    }
    return power_of(&sums, centred->square);
}

static struct centred centred_of(const struct samples_in_time *samples)
{
    struct centred centred = {.samples = samples};
    centred.weights = centre(samples, &centred.mean, &centred.square);
    return centred;
}

double periodogram_power(const struct samples_in_time *samples, double frequency_Hz)
{
    if (samples->count == 0)
        return 0;
    struct centred centred = centred_of(samples);
    return power_at(&centred, frequency_Hz);
}

double periodogram_false_alarm(double power, size_t count, double frequencies)
{
    if (count < 4)
        return 1;
    double exponent = 0.5 * (double)(count - 3);
    double one = exp(exponent * log1p(-fmin(fmax(power, 0), 1)));
    return one >= 1 ? 1 : -expm1(fmax(frequencies, 1) * log1p(-one));
}

/* Each sample's phasor at the place, turned on to the next. */
struct turning {
    double *c, *s, *turn_c, *turn_s, *w, *wy;
};

static struct sums sum_and_turn(const struct turning *at, size_t count)
{
    struct sums sums = {0};
    for (size_t i = 0; i < count; i++) {
        double c = at->c[i];
        double s = at->s[i];
        double wc = at->w[i] * c;
        sums.c += wc;
        sums.s += at->w[i] * s;
        sums.cc += wc * c;
        sums.cs += wc * s;
        sums.yc += at->wy[i] * c;
        sums.ys += at->wy[i] * s;
        at->c[i] = c * at->turn_c[i] - s * at->turn_s[i];
        at->s[i] = s * at->turn_c[i] + c * at->turn_s[i];
    }
    return sums;
}

void periodogram_refine(const struct samples_in_time *samples, struct periodogram_peak *peak)
{
    struct centred centred = centred_of(samples);
    double step_Hz = peak->step_Hz;
    for (int round = 0; round < 2; round++) {
        double below = power_at(&centred, peak->frequency_Hz - step_Hz);
        double above = power_at(&centred, peak->frequency_Hz + step_Hz);
        double bend = below + above - 2 * peak->power;
        double shift = bend < 0 ? 0.5 * (below - above) / bend : 0;
        if (fabs(shift) > 1)
            break;
        double frequency_Hz = peak->frequency_Hz + shift * step_Hz;
        double power = power_at(&centred, frequency_Hz);
        if (power <= peak->power)
            break;
        peak->frequency_Hz = frequency_Hz;
        peak->power = power;
        step_Hz /= 4;
    }
    peak->false_alarm = periodogram_false_alarm(peak->power, samples->count, peak->frequencies);
}

int periodogram_scan(const struct samples_in_time *samples, double low_Hz, double high_Hz,
                     struct periodogram_peak *peak)
{
    *peak = (struct periodogram_peak){.false_alarm = 1};
    size_t count = samples->count;
    double length_s = count ? length_of(samples) : 0;
    if (count < 4 || !(length_s > 0) || !(low_Hz > 0) || !(high_Hz > low_Hz))
        return 0;
    double *room = malloc(7 * count * sizeof *room);
    if (!room)
        return -1;
    struct turning at = {
        room, room + count, room + 2 * count, room + 3 * count, room + 4 * count, room + 5 * count};
    double *turns = room + 6 * count;
    size_t places = (size_t)ceil((high_Hz - low_Hz) * length_s * PLACES) + 1;
    double step_Hz = (high_Hz - low_Hz) / (double)(places - 1);
    struct centred centred = centred_of(samples);
    for (size_t i = 0; i < count; i++) {
        turns[i] = low_Hz * (samples->time_s[i] - samples->time_s[0]);
        at.w[i] = weight_of(samples, i) / centred.weights;
        at.wy[i] = at.w[i] * (samples->value[i] - centred.mean);
    }
    lanes_turn(turns, at.c, at.s, count);
    for (size_t i = 0; i < count; i++)
        turns[i] = step_Hz * (samples->time_s[i] - samples->time_s[0]);
    lanes_turn(turns, at.turn_c, at.turn_s, count);
    for (size_t k = 0; k < places; k++) {
        struct sums sums = sum_and_turn(&at, count);
        double power = power_of(&sums, centred.square);
        if (power > peak->power) {
            peak->power = power;
            peak->frequency_Hz = low_Hz + (double)k * step_Hz;
        }
    }
    free(room);
    peak->step_Hz = step_Hz;
    peak->frequencies = (high_Hz - low_Hz) * length_s;
    peak->false_alarm = periodogram_false_alarm(peak->power, count, peak->frequencies);
    return 0;
}

int periodogram_search(const struct samples_in_time *samples, double low_Hz, double high_Hz,
                       struct periodogram_peak *peak)
{
    if (periodogram_scan(samples, low_Hz, high_Hz, peak) != 0)
        return -1;
    if (peak->power > 0)
        periodogram_refine(samples, peak);
    return 0;
}

/* --- a wave of harmonics --- */

static size_t terms_of(const struct wave *wave)
{
    return 2 + 2 * (size_t)wave->harmonics;
}

/* c, s: cosine and sine of the wave's turn since its middle. */
static void regressors(double since_s, double c, double s, double *x)
{
    x[0] = 1;
    x[1] = since_s;
    x[2] = c;
    x[3] = s;
    x[4] = c * c - s * s;
    x[5] = 2 * c * s;
}

static double wave_of(const struct wave *wave, const double *x)
{
    double sum = 0;
    for (size_t k = 0; k < terms_of(wave); k++)
        sum += wave->terms[k] * x[k];
    return sum;
}

double wave_at(const struct wave *wave, double time_s)
{
    double x[WAVE_TERMS];
    double angle = 2 * M_PI * (time_s - wave->middle_s) / wave->period_s;
    regressors(time_s - wave->middle_s, cos(angle), sin(angle), x);
    return wave_of(wave, x);
}

double wave_height(const struct wave *wave)
{
    enum { STEPS = 64 };
    double turns[STEPS];
    double c[STEPS];
    double s[STEPS];
    double low = INFINITY;
    double high = -INFINITY;
    struct wave level = *wave;
    level.terms[0] = level.terms[1] = 0;
    for (int k = 0; k < STEPS; k++)
        turns[k] = (double)k / STEPS;
    lanes_turn(turns, c, s, STEPS);
    for (int k = 0; k < STEPS; k++) {
        double x[WAVE_TERMS];
        regressors(0, c[k], s[k], x);
        double value = wave_of(&level, x);
        low = fmin(low, value);
        high = fmax(high, value);
    }
    return high - low;
}

/* Normal equations of some of the samples. */
struct normal {
    double xx[WAVE_TERMS][WAVE_TERMS], xy[WAVE_TERMS], yy;
};

static void normal_add(struct normal *to, const double *x, double y, double weight, size_t terms)
{
    for (size_t a = 0; a < terms; a++) {
        for (size_t b = 0; b <= a; b++)
            to->xx[a][b] += weight * x[a] * x[b];
        to->xy[a] += weight * x[a] * y;
    }
    to->yy += weight * y * y;
}

static struct normal normal_without(const struct normal *all, const struct normal *part)
{
    struct normal rest = *all;
    for (size_t a = 0; a < WAVE_TERMS; a++) {
        for (size_t b = 0; b < WAVE_TERMS; b++)
            rest.xx[a][b] -= part->xx[a][b];
        rest.xy[a] -= part->xy[a];
    }
    return rest;
}

/* By Cholesky; false where the terms are not told apart. */
static bool normal_solve(const struct normal *normal, size_t terms, double *solution)
{
    double root[WAVE_TERMS][WAVE_TERMS];
    for (size_t a = 0; a < terms; a++) {
        double y = normal->xy[a];
        for (size_t b = 0; b <= a; b++) {
            double sum = normal->xx[a][b];
            for (size_t k = 0; k < b; k++)
                sum -= root[a][k] * root[b][k];
            if (a == b && !(sum > 1e-9 * normal->xx[a][a]))
                return false;
            root[a][b] = a == b ? sqrt(sum) : sum / root[b][b];
            if (b < a)
                y -= root[a][b] * solution[b];
        }
        solution[a] = y / root[a][a];
    }
    for (size_t a = terms; a-- > 0;) {
        for (size_t k = a + 1; k < terms; k++)
            solution[a] -= root[k][a] * solution[k];
        solution[a] /= root[a][a];
    }
    return true;
}

static double squares_left(const struct normal *normal, size_t terms, const double *solution)
{
    double left = normal->yy;
    for (size_t a = 0; a < terms; a++) {
        left -= 2 * solution[a] * normal->xy[a];
        for (size_t b = 0; b <= a; b++)
            left += (a == b ? 1 : 2) * solution[a] * solution[b] * normal->xx[a][b];
    }
    return fmax(left, 0);
}

/* Each block foretold by the others. NAN: they do not tell. */
static double squares_foretold(const struct normal *all, const struct normal *blocks, size_t count,
                               size_t terms)
{
    double sum = 0;
    for (size_t k = 0; k < count; k++) {
        double solution[WAVE_TERMS];
        struct normal rest = normal_without(all, &blocks[k]);
        if (!normal_solve(&rest, terms, solution))
            return NAN;
        sum += squares_left(&blocks[k], terms, solution);
    }
    return sum;
}

/* The normal equations of each block. */
static void add_up(const struct samples_in_time *samples, const struct wave *wave, double mean,
                   size_t block_count, struct normal *blocks)
{
    size_t terms = terms_of(wave);
    double length_s = length_of(samples);
    for (size_t from = 0; from < samples->count; from += AT_ONCE) {
        double turns[AT_ONCE];
        double c[AT_ONCE];
        double s[AT_ONCE];
        size_t count = samples->count - from < AT_ONCE ? samples->count - from : AT_ONCE;
        for (size_t k = 0; k < count; k++)
            turns[k] = (samples->time_s[from + k] - wave->middle_s) / wave->period_s;
        lanes_turn(turns, c, s, count);
        for (size_t k = 0; k < count; k++) {
            double time_s = samples->time_s[from + k];
            double x[WAVE_TERMS];
            regressors((time_s - wave->middle_s) / length_s, c[k], s[k], x);
            double place = (time_s - samples->time_s[0]) / length_s * (double)block_count;
            size_t block = place < (double)(block_count - 1) ? (size_t)place : block_count - 1;
            normal_add(&blocks[block], x, samples->value[from + k] - mean,
                       weight_of(samples, from + k), terms);
        }
    }
}

bool wave_fit(const struct samples_in_time *samples, struct wave *wave)
{
    size_t terms = terms_of(wave);
    if (samples->count <= terms)
        return false;
    double length_s = length_of(samples);
    size_t periods = (size_t)fmax(length_s / wave->period_s * (1 + 1e-9), 0);
    size_t block_count = periods < FEWEST_BLOCKS ? FEWEST_BLOCKS
                         : periods > MOST_BLOCKS ? MOST_BLOCKS
                                                 : periods;
    struct normal all = {0};
    struct normal blocks[MOST_BLOCKS] = {0};
    double mean = 0;
    double square = 0;
    double weights = centre(samples, &mean, &square);
    wave->middle_s = samples->time_s[0] + 0.5 * length_s;
    add_up(samples, wave, mean, block_count, blocks);
    for (size_t k = 0; k < block_count; k++) {
        for (size_t a = 0; a < terms; a++) {
            for (size_t b = 0; b <= a; b++)
                all.xx[a][b] += blocks[k].xx[a][b];
            all.xy[a] += blocks[k].xy[a];
        }
        all.yy += blocks[k].yy;
    }
    double line[WAVE_TERMS];
    if (!normal_solve(&all, terms, wave->terms) || !normal_solve(&all, 2, line))
        return false;
    double about_line = squares_left(&all, 2, line);
    double left = squares_left(&all, terms, wave->terms);
    double foretold = squares_foretold(&all, blocks, block_count, terms);
    wave->left = about_line > 0 ? left / about_line : 1;
    wave->foretold = about_line > 0 && !isnan(foretold) ? foretold / about_line : 1;
    wave->deviation =
        sqrt(left / weights * (double)samples->count / (double)(samples->count - terms));
    wave->terms[0] += mean;
    wave->terms[1] /= length_s;
    return true;
}

static bool try_frequency(const struct samples_in_time *samples, const struct wave *wave,
                          double frequency_Hz, struct wave *best)
{
    struct wave tried = *wave;
    tried.period_s = 1 / frequency_Hz;
    if (!wave_fit(samples, &tried))
        return false;
    if (tried.left < best->left)
        *best = tried;
    return true;
}

bool wave_fit_period(const struct samples_in_time *samples, struct wave *wave)
{
    struct wave best = *wave;
    if (!wave_fit(samples, &best))
        return false;
    double step_Hz = 0.25 / length_of(samples);
    for (int round = 0; round < ROUNDS; round++, step_Hz /= 3) {
        double frequency_Hz = 1 / best.period_s;
        (void)try_frequency(samples, wave, frequency_Hz - step_Hz, &best);
        (void)try_frequency(samples, wave, frequency_Hz + step_Hz, &best);
    }
    *wave = best;
    return true;
}
