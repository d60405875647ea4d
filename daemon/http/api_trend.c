/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A work order's power-ups looked at together: what each stage drew, what changed
 * between stages, what a stage's power-ups say of the unit.
 */
#include "http/order_power_ups.h"
#include "http/route.h"

#include <microhttpd.h>
#include <stdlib.h>
#include <string.h>

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

static json_t *trend_json(const struct order_power_ups *power_ups)
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

void work_order_trend_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *order = desk_item(desk, call, STORE_WORK_ORDERS);
    if (!order)
        return;
    struct order_power_ups power_ups;
    if (order_power_ups_read(desk->reader, desk->office->bench, order, &power_ups, &error) != 0) {
        answer_error(call->answer, &error);
    } else {
        json_t *trend = trend_json(&power_ups);
        if (trend)
            answer_json(call->answer, MHD_HTTP_OK, trend);
        else
            answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
        order_power_ups_clear(&power_ups);
    }
    json_decref(order);
}
