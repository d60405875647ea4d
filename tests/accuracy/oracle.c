/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "accuracy/oracle.h"

#include <math.h>

static const double tenth_up = 0.0953101798, tenth_down = 0.1053605157; /* |ln 1.1|, |ln 0.9| */

static double square(double x)
{
    return x * x;
}

void oracle_read(const struct module_type *type, const struct bench_supply *supply,
                 const struct spreads *spreads, const struct trace *trace,
                 const struct truth *truth, struct oracle *oracle)
{
    double products[MOST_STEPS] = {0};
    double squares[MOST_STEPS] = {0};
    double count[MOST_STEPS] = {0};
    for (size_t i = 0; i < trace->count && i < MOST_READINGS; i++) {
        int step = truth->step[i];
        if (step < 0)
            continue;
        double drawn = (trace->readings[i].current_A - supply->offset_A) / (1 + supply->gain);
        products[step] += drawn * truth->drawn_A[i];
        squares[step] += square(truth->drawn_A[i]);
        count[step]++;
    }
    double ratio[MOST_STEPS];
    double own[MOST_STEPS];
    for (int k = 0; k < type->count; k++) {
        ratio[k] = count[k] > 0 ? log(fmax(products[k] / squares[k], 1e-6)) : (double)NAN;
        /* Rounding averages away as far as noise dithers it. */
        double dithered = 1 - exp(-4 * square(M_PI * supply->noise_A / supply->step_A));
        double rounding = square(supply->step_A) / 12;
        double noise = square(supply->noise_A) + dithered * rounding;
        double mean2 = squares[k] / fmax(count[k], 1);
        own[k] = square(spreads->own) + noise / fmax(squares[k], 1e-12) +
                 (1 - dithered) * rounding / fmax(mean2, 1e-12);
    }
    double common = square(spreads->common) + square(spreads->again);
    for (int k = 0; k < type->count; k++) {
        double precision = 1 / fmax(common, 1e-12);
        double sum = 0;
        for (int j = 0; j < type->count; j++) {
            if (j == k || isnan(ratio[j]))
                continue;
            precision += 1 / own[j];
            sum += ratio[j] / own[j];
        }
        oracle->off[k] = ratio[k] - sum / precision;
        oracle->sd[k] = sqrt(own[k] + 1 / precision);
    }
}

int oracle_calls(const struct oracle *oracle, int step)
{
    double off = oracle->off[step];
    return off > 0.5 * tenth_up ? 1 : off < -0.5 * tenth_down ? -1 : 0;
}
