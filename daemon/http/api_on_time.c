/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The log of a power-up's on-time, with its drops marked.
 */
#include "http/items.h"
#include "http/route.h"
#include "trend/on_time.h"

#include <math.h>
#include <microhttpd.h>
#include <stdlib.h>

enum { MOST_DROPS = 500 };

static json_t *cell(bool valid, double number)
{
    return valid && isfinite(number) ? json_real(number) : json_null();
}

static json_t *drops_json(const struct trace *trace)
{
    struct drop drops[MOST_DROPS];
    size_t found = on_time_drops(trace->readings, trace->count, drops, MOST_DROPS);
    json_t *list = json_array();
    for (size_t i = 0; i < found && i < MOST_DROPS; i++)
        json_array_append_new(list, json_pack("{s:f, s:f, s:f, s:f}", "from_s", drops[i].from_s,
                                              "to_s", drops[i].to_s, "low_A", drops[i].low_A,
                                              "of_A", drops[i].of_A));
    return list;
}

static json_t *log_json(const struct trace *trace)
{
    json_t *time_s = json_array();
    json_t *voltage_V = json_array();
    json_t *current_A = json_array();
    int failed = 0;
    for (size_t i = 0; i < trace->count; i++) {
        const struct reading *reading = &trace->readings[i];
        failed |= json_array_append_new(time_s, json_real(reading->time_s));
        failed |= json_array_append_new(voltage_V, cell(reading->valid, reading->voltage_V));
        failed |= json_array_append_new(current_A, cell(reading->valid, reading->current_A));
    }
    json_t *log = failed ? NULL
                         : json_pack("{s:O, s:O, s:O, s:o}", "time_s", time_s, "voltage_V",
                                     voltage_V, "current_A", current_A, "drops", drops_json(trace));
    json_decref(time_s);
    json_decref(voltage_V);
    json_decref(current_A);
    return log;
}

/* What was read when it was over is none of it: the fall that ends it is no drop. */
static void leave_end_out(const json_t *item, struct trace *trace)
{
    const json_t *on_time_s = json_object_get(item, "on_time_s");
    double ended_s = json_number_value(json_object_get(item, "onset_s")) +
                     json_number_value(on_time_s) - READING_TIME_STEP_S / 2;
    while (json_is_number(on_time_s) && trace->count > 0 &&
           trace->readings[trace->count - 1].time_s >= ended_s)
        trace->count--;
}

void power_up_on_time_get(struct desk *desk, struct call *call)
{
    struct trace trace = {0};
    struct error error = {0};
    json_t *item = desk_item(desk, call, STORE_POWER_UPS);
    if (!item)
        return;
    int64_t id = strtoll(call->parameters[0], NULL, 10);
    if (store_read_on_time(desk->reader, id, &trace, &error) == 0) {
        leave_end_out(item, &trace);
        answer_json(call->answer, MHD_HTTP_OK, log_json(&trace));
    } else {
        answer_error(call->answer, &error);
    }
    trace_clear(&trace);
    json_decref(item);
}
