/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/rest.h"

#include "signature/power_up.h"

#include <math.h>

enum { BASELINE_MOST = 128 };

const struct sample *recent_back(const struct recent *recent, size_t back)
{
    return &recent->items[(recent->first + recent->count - 1 - back) % RECENT_MOST];
}

void recent_push(struct recent *recent, const struct sample *sample)
{
    recent->items[(recent->first + recent->count) % RECENT_MOST] = *sample;
    if (recent->count < RECENT_MOST)
        recent->count++;
    else
        recent->first = (recent->first + 1) % RECENT_MOST;
}

void recent_drop_before(struct recent *recent, double time_s)
{
    while (recent->count && recent->items[recent->first].time_s < time_s) {
        recent->first = (recent->first + 1) % RECENT_MOST;
        recent->count--;
    }
}

/* Puts them in order. A few, much alike: by insertion. */
static double median_of(double *values, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        double value = values[i];
        size_t at = i;
        for (; at > 0 && values[at - 1] > value; at--)
            values[at] = values[at - 1];
        values[at] = value;
    }
    return count % 2 ? values[count / 2] : 0.5 * (values[count / 2 - 1] + values[count / 2]);
}

struct baseline baseline_before(const struct recent *recent, double time_s)
{
    struct baseline b = {.median_A = NAN};
    double values[BASELINE_MOST];
    for (size_t back = 0; back < recent->count && b.readings < BASELINE_MOST; back++) {
        const struct sample *s = recent_back(recent, back);
        if (s->time_s < time_s - POWER_UP_BEFORE_S - TIME_SLACK_S)
            break;
        if (s->time_s < time_s)
            values[b.readings++] = s->current_A;
    }
    if (!b.readings)
        return b;
    b.median_A = median_of(values, b.readings);
    b.most_A = values[b.readings - 1];
    if (b.readings >= NOISE_LEAST) {
        for (size_t i = 0; i < b.readings; i++)
            values[i] = fabs(values[i] - b.median_A);
        b.noise_A = 1.4826 * median_of(values, b.readings);
        b.reach_A = values[b.readings - 2];
    }
    return b;
}

static bool is_multiple(double value, double step)
{
    return fabs(value / step - nearbyint(value / step)) < 1e-4;
}

static const double steps[] = {0.01, 0.005, 0.002, 0.001};

double count_of_A(double current_A, double most_A)
{
    for (size_t k = 0; k < sizeof steps / sizeof *steps; k++)
        if (steps[k] <= most_A && is_multiple(current_A, steps[k]))
            return steps[k];
    return 0;
}

double count_seen_A(const struct recent *recent, const struct sample *s)
{
    for (size_t k = 0; k < sizeof steps / sizeof *steps; k++) {
        bool all = is_multiple(s->current_A, steps[k]);
        for (size_t back = 0; all && back < recent->count && back < BASELINE_MOST; back++) {
            const struct sample *r = recent_back(recent, back);
            if (r->time_s < s->time_s - POWER_UP_BEFORE_S - TIME_SLACK_S)
                break;
            all = is_multiple(r->current_A, steps[k]);
        }
        if (all)
            return steps[k];
    }
    return 0;
}
