/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/stated_range.h"

#include "reference/spread.h"

#include <math.h>

static double square(double x)
{
    return x * x;
}

static double of_one_power_up2(const struct spread *spread)
{
    return spread_between2(spread) + spread_within2(spread);
}

void stated_range_use(struct reference *reference)
{
    reference->range_weight = 0;
    if (!reference->has_range || reference->phase_count == 0)
        return;
    struct reference_phase *last = &reference->phases[reference->phase_count - 1];
    double middle = 0.5 * (reference->range_low_A + reference->range_high_A);
    double units = fmax((double)reference->unit_count, 1);
    double common2 = of_one_power_up2(&reference->level_common);
    double unit2 = common2 + of_one_power_up2(&reference->level_own);
    double range2 = square(0.25 * (reference->range_high_A - reference->range_low_A) / middle);
    double off = log(middle / last->level_A);
    if (!(last->level_A > 0) || !isfinite(off))
        return;
    double z = fabs(off) / sqrt(range2 + unit2 / units + square(last->uncertainty));
    if (z >= RANGE_CONTRADICTED)
        return;
    double weight =
        fmin(RANGE_MOST_UNITS, unit2 / range2) * square(1 - square(z / RANGE_CONTRADICTED));
    double shift = weight / (units + weight) * off;
    /* What the final draw tells of the others is what they have in common. */
    double shared = common2 / unit2;
    for (size_t p = 0; p < reference->phase_count; p++)
        phase_scale(&reference->phases[p], shared * shift);
    phase_scale(last, (1 - shared) * shift);
    spread_predict(&reference->level_common, units + weight, fmax(reference->power_ups, 1) / units);
    reference->range_weight = weight;
}
