/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A work order's power-ups looked at together: what each stage drew, what changed
 * between stages, what a stage's power-ups say of the unit.
 */
#include "http/items.h"
#include "http/order_trend.h"
#include "http/route.h"
#include "store/orders.h"
#include "verdict/under_heat.h"

#include <microhttpd.h>
#include <stdlib.h>
#include <string.h>

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
        json_t *trend = order_trend_json(&power_ups);
        if (trend)
            answer_json(call->answer, MHD_HTTP_OK, trend);
        else
            answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
        order_power_ups_clear(&power_ups);
    }
    json_decref(order);
}

/* --- against how it left --- */

static void compare(struct desk *desk, struct call *call, const json_t *shipped, int64_t today)
{
    struct error error = {0};
    struct order_power_ups power_ups;
    if (order_power_ups_read_shipped(desk->reader, desk->office->bench,
                                     json_object_get(shipped, "power_ups"), today, &power_ups,
                                     &error) != 0) {
        answer_error(call->answer, &error);
        return;
    }
    json_t *compared = shipped_comparison(&power_ups, shipped, today);
    if (compared)
        answer_json(call->answer, MHD_HTTP_OK, compared);
    else
        answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
    order_power_ups_clear(&power_ups);
}

static bool is_warm_or_cold(const json_t *item)
{
    const char *tag = json_string_value(json_object_get(item, "tag"));
    const char *stage = json_string_value(json_object_get(item, "stage"));
    return tag || is_under_heat("", stage ? stage : "");
}

/* The power-up asked about, of this unit and watched to its end; NULL with the
 * answer made. */
static json_t *power_up_of_unit(struct desk *desk, struct call *call, const json_t *unit)
{
    static const int64_t most_id = 999999999999999999;
    struct error error = {0};
    int64_t id = 0;
    const char *asked = path_parameter(call->path, "power_up");
    if (!asked || !read_digits(asked, 1, most_id, &id)) {
        answer_problem(call->answer, MHD_HTTP_BAD_REQUEST, "power_up",
                       "\"power_up\" must be an id, digits only, found \"%s\"", asked ? asked : "");
        return NULL;
    }
    bench_flush(desk->office->bench, id);
    json_t *item = store_get(desk->reader, STORE_POWER_UPS, id, false, &error);
    const char *serial = json_string_value(json_object_get(unit, "serial"));
    const char *of = json_string_value(json_object_get(item, "unit"));
    const char *state = json_string_value(json_object_get(item, "state"));
    if (!item)
        answer_error(call->answer, &error);
    else if (!of || strcmp(of, serial) != 0)
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "power_up",
                       "no power-up %s of unit %s here", asked, serial);
    else if (strcmp(state, "open") == 0)
        answer_problem(call->answer, MHD_HTTP_CONFLICT, "power_up",
                       "power-up %s is still being watched", asked);
    else if (is_warm_or_cold(item))
        answer_problem(call->answer, MHD_HTTP_CONFLICT, "power_up",
                       "power-up %s was under heat or cold: it is no measure of what changed",
                       asked);
    else
        return item;
    json_decref(item);
    return NULL;
}

void shipped_comparison_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *unit = desk_item(desk, call, STORE_UNITS);
    json_t *item = unit ? power_up_of_unit(desk, call, unit) : NULL;
    if (item) {
        const char *order = json_string_value(json_object_get(item, "work_order"));
        int64_t today = strtoll(json_string_value(json_object_get(item, "id")), NULL, 10);
        json_t *shipped = store_shipped(desk->reader, strtoll(call->parameters[0], NULL, 10),
                                        order ? strtoll(order, NULL, 10) : 0, &error);
        if (!shipped)
            answer_error(call->answer, &error);
        else if (json_is_null(shipped))
            answer_problem(call->answer, MHD_HTTP_CONFLICT, NULL,
                           "this unit has no earlier work order that was closed as repaired with a "
                           "good power-up of its last stage: there is nothing to compare with");
        else
            compare(desk, call, shipped, today);
        json_decref(shipped);
    }
    json_decref(item);
    json_decref(unit);
}
