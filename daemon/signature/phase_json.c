/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/phase_json.h"

#include <math.h>

static json_t *rounded(double value, double steps_per_unit)
{
    if (!isfinite(value))
        return json_null();
    double whole = nearbyint(value * steps_per_unit);
    return json_real(whole == 0.0 ? 0.0 : whole / steps_per_unit);
}

static size_t spikes_within(const struct phases *phases, const struct phase *phase)
{
    size_t count = 0;
    for (size_t i = 0; i < phases->spike_count; i++) {
        size_t at = phases->spikes[i].reading;
        count += at >= phase->first && at < phase->first + phase->count;
    }
    return count;
}

static json_t *one_phase(const struct phases *phases, const struct phase *phase, double zero_s)
{
    return json_pack(
        "{s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:I}", "from_s",
        rounded(phase->from_s - zero_s, 1e6), "to_s", rounded(phase->to_s - zero_s, 1e6), "level_A",
        rounded(phase->level_A, 1e9), "kind", phase_kind_name(phase->kind), "slope_A_per_s",
        rounded(phase->slope_A_per_s, 1e9), "spread_A", rounded(phase->spread_A, 1e9), "charge_C",
        rounded(phase->charge_C, 1e9), "period_s", rounded(phase->period_s, 1e6), "spikes",
        (json_int_t)spikes_within(phases, phase));
}

json_t *phase_json(const struct phases *phases, double zero_s)
{
    json_t *array = json_array();
    for (size_t i = 0; array && i < phases->count; i++) {
        if (json_array_append_new(array, one_phase(phases, &phases->items[i], zero_s)) != 0) {
            json_decref(array);
            array = NULL;
        }
    }
    return array;
}
