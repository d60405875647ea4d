/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/order_trend.h"

#include "record/change_words.h"

static json_t *stages_met(const struct order_power_ups *power_ups)
{
    json_t *met = json_array();
    for (size_t s = 0; s < power_ups->stage_count; s++)
        for (size_t i = 0; i < power_ups->count; i++)
            if (power_ups->power_ups[i].stage == s) {
                json_array_append_new(met, json_string(power_ups->stages[s]));
                break;
            }
    return met;
}

json_t *order_trend_json(const struct order_power_ups *power_ups)
{
    json_t *rows =
        stage_rows_to_json(power_ups->reference, power_ups->accuracy, power_ups->stages,
                           power_ups->stage_count, power_ups->power_ups, power_ups->count);
    json_t *together = order_power_ups_together(power_ups);
    json_t *trend = NULL;
    if (rows && together)
        trend = json_pack("{s:o, s:O, s:O, s:s, s:i, s:b}", "stages", stages_met(power_ups), "rows",
                          rows, "together", together, "method", stage_rows_method, "power_ups",
                          (int)power_ups->count, "earlier_left_out", power_ups->more);
    json_decref(rows);
    json_decref(together);
    return trend;
}

static json_t *changed_json(const json_t *rows)
{
    enum changed changed = changed_by(rows);
    return changed == CHANGED_NOT_TOLD ? json_null() : json_boolean(changed == CHANGED_YES);
}

json_t *shipped_comparison(const struct order_power_ups *power_ups, const json_t *shipped,
                           int64_t today)
{
    json_t *compared = order_trend_json(power_ups);
    const json_t *rows = json_object_get(compared, "rows");
    json_t *words = compared ? change_words(rows) : NULL;
    if (!words) {
        json_decref(compared);
        return NULL;
    }
    json_object_set(compared, "work_order", json_object_get(shipped, "work_order"));
    json_object_set(compared, "shipped", json_object_get(shipped, "power_ups"));
    json_object_set_new(compared, "power_up", json_sprintf("%lld", (long long)today));
    json_object_set_new(compared, "changed", changed_json(rows));
    json_object_set_new(compared, "said", words);
    return compared;
}
