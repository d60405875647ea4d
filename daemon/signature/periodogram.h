/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Whether unevenly sampled values swing with a period: the generalised
 * Lomb-Scargle periodogram (Zechmeister and Kuerster 2009, after Scargle 1982: a
 * sine and a constant fitted at once by weighted least squares), and a wave of one
 * or two harmonics on a straight line fitted at a period. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_PERIODOGRAM_H
#define WAKEDRAW_SIGNATURE_PERIODOGRAM_H

#include <stdbool.h>
#include <stddef.h>

/* Values at times in ascending order. weight NULL: all the same. */
struct samples_in_time {
    const double *time_s, *value, *weight;
    size_t count;
};

/* Share, 0 to 1, of the weighted squares about the mean that a sine of that
 * frequency takes away; 0 where there is nothing to take. */
double periodogram_power(const struct samples_in_time *samples, double frequency_Hz);

/* The chance that white noise of unknown size shows such a power, or a greater
 * one, at any of so many independent frequencies: 1 - (1 - (1 - p)^((n-3)/2))^m. Exact for one; of
 * a search, places between the independent ones let up to three times as many pass. */
double periodogram_false_alarm(double power, size_t count, double frequencies);

struct periodogram_peak {
    double frequency_Hz, power;
    double false_alarm; /* with so many independent frequencies, 1 at least */
    double frequencies; /* (high - low) x length */
    double step_Hz;     /* between the places looked at */
};

/* The highest peak between two frequencies, looked for at five places a
 * resolution (one over the length) and refined. Costs count times the number of
 * places. -1: memory is out. 4 samples, of some length, and 0 < low < high. */
int periodogram_search(const struct samples_in_time *samples, double low_Hz, double high_Hz,
                       struct periodogram_peak *peak);

/* Its two parts: the highest of the places, which shows 0.96 or more of the peak's
 * power; and the peak itself, within a step and a quarter of it. */
int periodogram_scan(const struct samples_in_time *samples, double low_Hz, double high_Hz,
                     struct periodogram_peak *peak);
void periodogram_refine(const struct samples_in_time *samples, struct periodogram_peak *peak);

enum { WAVE_TERMS = 6 };

/* terms[0] + terms[1] (t - middle_s) + the cosine and sine of each harmonic. */
struct wave {
    double period_s, middle_s;
    int harmonics; /* 1 or 2 */
    double terms[WAVE_TERMS];
    double left;      /* share of the squares about a straight line that it leaves */
    double foretold;  /* the same where each period in turn is foretold by the others: not below
                         `left` but for luck; of more than 8 periods, eighths of the length */
    double deviation; /* standard deviation of what it leaves */
};

double wave_at(const struct wave *wave, double time_s);

/* From crest to trough of the wave alone. */
double wave_height(const struct wave *wave);

/* Least squares at wave->period_s with wave->harmonics; false where the samples
 * do not tell its terms apart. */
bool wave_fit(const struct samples_in_time *samples, struct wave *wave);

/* Moves the period to where the wave fits best, within a half of what the length
 * resolves. False as above. */
bool wave_fit_period(const struct samples_in_time *samples, struct wave *wave);

#endif
