/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/lanes.h"

#include <math.h>
#include <string.h>

/* A sum with it has no room for a fraction, and its last bits are the whole number
 * that is nearest. */
#define WHOLE 0x1.8p52

/* ln 2, of which the first part times any exponent is exact. */
#define LN2_HIGH 0x1.62e42fefa0000p-1
#define LN2_LOW 0x1.cf79abc9e3b3ap-40

/* Taylor's series in the reach that is left, half of ln 2 to both sides: what
 * follows is less than a rounding. */
static inline double exp_lane(double x)
{
    double shifted = x * M_LOG2E + WHOLE;
    double power = shifted - WHOLE;
    double r = x - power * LN2_HIGH - power * LN2_LOW;
    double sum = 1.0 / 6227020800;
    sum = 1.0 / 479001600 + r * sum;
    sum = 1.0 / 39916800 + r * sum;
    sum = 1.0 / 3628800 + r * sum;
    sum = 1.0 / 362880 + r * sum;
    sum = 1.0 / 40320 + r * sum;
    sum = 1.0 / 5040 + r * sum;
    sum = 1.0 / 720 + r * sum;
    sum = 1.0 / 120 + r * sum;
    sum = 1.0 / 24 + r * sum;
    sum = 1.0 / 6 + r * sum;
    sum = 0.5 + r * sum;
    sum = 1 + r * sum;
    sum = 1 + r * sum;
    /* Times two to the power. */
    uint64_t bits = 0;
    uint64_t exponent = 0;
    memcpy(&bits, &sum, sizeof bits);
    memcpy(&exponent, &shifted, sizeof exponent);
    bits += exponent << 52;
    memcpy(&sum, &bits, sizeof sum);
    return sum;
}

IN_LANES void lanes_exp(double *values, size_t count)
{
    for (size_t i = 0; i < count; i++)
        values[i] = exp_lane(values[i]);
}

/* Likewise to a quarter turn to both sides of the nearest half turn; every other
 * half turn points back. */
IN_LANES void lanes_turn(const double *restrict turns, double *restrict cosine,
                         double *restrict sine, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double halves = (2 * turns[i] + WHOLE) - WHOLE;
        double odd = halves - 2 * ((0.5 * halves + WHOLE) - WHOLE);
        double sign = 1 - 2 * odd * odd;
        double x = (2 * turns[i] - halves) * M_PI;
        double square = x * x;
        double c = 1.0 / 2432902008176640000;
        c = -1.0 / 6402373705728000 + square * c;
        c = 1.0 / 20922789888000 + square * c;
        c = -1.0 / 87178291200 + square * c;
        c = 1.0 / 479001600 + square * c;
        c = -1.0 / 3628800 + square * c;
        c = 1.0 / 40320 + square * c;
        c = -1.0 / 720 + square * c;
        c = 1.0 / 24 + square * c;
        c = -0.5 + square * c;
        c = 1 + square * c;
        double s = -1.0 / 121645100408832000;
        s = 1.0 / 355687428096000 + square * s;
        s = -1.0 / 1307674368000 + square * s;
        s = 1.0 / 6227020800 + square * s;
        s = -1.0 / 39916800 + square * s;
        s = 1.0 / 362880 + square * s;
        s = -1.0 / 5040 + square * s;
        s = 1.0 / 120 + square * s;
        s = -1.0 / 6 + square * s;
        s = 1 + square * s;
        cosine[i] = sign * c;
        sine[i] = sign * x * s;
    }
}
