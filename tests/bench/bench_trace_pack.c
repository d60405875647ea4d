/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How small a power-up packs, and how long that takes: 30 s of a module's wake
 * as supplies of two resolutions read it at two rates, polled with the jitter
 * of a real wire.
 */
#include "base/clock.h"
#include "store/trace_pack.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static double uniform(void)
{
    return (double)random() / ((double)RAND_MAX + 1.0);
}

static double normal(void)
{
    return sqrt(-2 * log(1 - uniform())) * cos(2 * M_PI * uniform());
}

/* Rest, inrush, a boot with a ripple, a ramp, the settled draw. */
static double draw_A(double t)
{
    if (t < 0)
        return 0.0004;
    double inrush = 1.2 * exp(-t / 0.03);
    if (t < 1.5)
        return inrush + 0.18;
    if (t < 4)
        return 0.24 + 0.02 * (fmod(t, 0.25) < 0.1);
    if (t < 5)
        return 0.26 + 0.14 * (t - 4);
    return 0.402 + 0.003 * sin(2 * M_PI * 1.7 * t);
}

static size_t power_up(struct trace *trace, double rate_hz, double step_A, double jitter_s)
{
    double noise_A = 0.0004;
    for (int i = 0; i < 30.5 * rate_hz; i++) {
        double t = -0.5 + i / rate_hz;
        double amperes = draw_A(t) + noise_A * normal();
        double volts = 13.8 - 0.05 * amperes + 0.0015 * normal();
        struct reading reading = {.time_s = t + 0.5 + jitter_s * fabs(normal()),
                                  .voltage_V = 0.001 * nearbyint(volts / 0.001),
                                  .current_A = step_A * nearbyint(amperes / step_A),
                                  .valid = true,
                                  .output_on = t < 0 ? FLAG_NO : FLAG_YES,
                                  .limited = FLAG_NO};
        reading_quantise(&reading);
        if (!trace_append(trace, &reading))
            return 0;
    }
    return trace->count;
}

static int measure(double rate_hz, double step_A, double jitter_s)
{
    enum { TIMES = 20 };
    struct trace trace = {0};
    size_t count = power_up(&trace, rate_hz, step_A, jitter_s);
    size_t bytes = 0;
    uint8_t *packed = NULL;
    double began_s = clock_monotonic_s();
    for (int i = 0; i < TIMES; i++) {
        free(packed);
        packed = trace_pack(trace.readings, count, &bytes);
        if (!packed)
            return 1;
    }
    double packing_s = (clock_monotonic_s() - began_s) / TIMES;
    struct trace back = {0};
    began_s = clock_monotonic_s();
    for (int i = 0; i < TIMES; i++) {
        trace_clear(&back);
        if (trace_unpack(packed, bytes, &back) != 0)
            return 1;
    }
    double unpacking_s = (clock_monotonic_s() - began_s) / TIMES;
    printf("%7.0f /s %7.1f mA %7.1f ms %9zu %11.2f %11.2f ms %9.2f ms\n", rate_hz, 1e3 * step_A,
           1e3 * jitter_s, count, (double)bytes / (double)count, 1e3 * packing_s,
           1e3 * unpacking_s);
    trace_clear(&trace);
    trace_clear(&back);
    free(packed);
    return 0;
}

int main(void)
{
    srandom(1);
    printf("readings  resolution  jitter  readings  bytes/reading   packing  unpacking\n");
    static const double rates_hz[] = {20, 100};
    static const double steps_A[] = {0.001, 0.0001};
    static const double jitters_s[] = {0.0, 0.0003};
    int failed = 0;
    for (int rate = 0; rate < 2; rate++)
        for (int step = 0; step < 2; step++)
            for (int jitter = 0; jitter < 2; jitter++)
                failed |= measure(rates_hz[rate], steps_A[step], jitters_s[jitter]);
    return failed;
}
