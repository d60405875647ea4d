/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/phase_trace.h"

#include "support/power_up_scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const struct made_phase *phase_at(const struct made_record *record, double *time_s)
{
    size_t k = 0;
    while (k + 1 < record->count && *time_s >= record->phases[k].lasts_s)
        *time_s -= record->phases[k++].lasts_s;
    return &record->phases[k];
}

static double draw_A(const struct made_record *record, double time_s)
{
    const struct made_phase *p = phase_at(record, &time_s);
    switch (p->kind) {
    case PHASE_RAMP:
        return p->from_A + (p->to_A - p->from_A) * fmin(1, time_s / p->lasts_s);
    case PHASE_DECAY:
        return p->to_A + (p->from_A - p->to_A) * exp(-time_s / p->time_s);
    case PHASE_PERIODIC:
        return fmod(time_s, p->time_s) < p->share * p->time_s ? p->to_A : p->from_A;
    case PHASE_LEVEL:
        break;
    }
    return p->from_A;
}

static double mean_draw_A(const struct made_record *record, double time_s)
{
    if (!(record->averages_s > 0))
        return draw_A(record, time_s);
    enum { STEPS = 16 };
    double sum = 0;
    for (int i = 0; i < STEPS; i++)
        sum += draw_A(record, fmax(0, time_s - record->averages_s * (i + 0.5) / STEPS));
    return sum / STEPS;
}

void made_record_read(const struct made_record *record, uint64_t seed, struct trace *trace)
{
    uint64_t random = seed;
    double length_s = 0;
    for (size_t k = 0; k < record->count; k++)
        length_s += record->phases[k].lasts_s;
    double correlated = scene_normal(&random);
    double conversion = -1;
    double shown = 0;
    double time_s = scene_uniform(&random) / record->rate_hz;
    while (time_s < length_s) {
        double now = record->conversion_hz > 0 ? floor(time_s * record->conversion_hz) : -2;
        if (now != conversion || record->conversion_hz <= 0) {
            double at_s = record->conversion_hz > 0 ? now / record->conversion_hz : time_s;
            double phi = record->correlation;
            correlated = phi * correlated + sqrt(1 - phi * phi) * scene_normal(&random);
            double within = at_s;
            shown = mean_draw_A(record, at_s) + record->noise_A * correlated +
                    phase_at(record, &within)->noise_A * scene_normal(&random);
            conversion = now;
        }
        struct reading r = {.time_s = time_s,
                            .voltage_V = 12,
                            .current_A =
                                nearbyint(shown / record->resolution_A) * record->resolution_A,
                            .valid = true,
                            .output_on = FLAG_UNKNOWN,
                            .limited = FLAG_UNKNOWN};
        reading_quantise(&r);
        if (!trace_append(trace, &r)) {
            fprintf(stderr, "memory is out\n");
            exit(1);
        }
        double step = 1 + record->jitter * (2 * scene_uniform(&random) - 1);
        time_s += fmax(step / record->rate_hz, 1e-5);
    }
}
