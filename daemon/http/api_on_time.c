/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The log of a power-up's on-time, with its drops marked.
 */
#include "http/items.h"
#include "http/route.h"
#include "trend/on_time.h"

#include <math.h>
#include <microhttpd.h>

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

void power_up_on_time_get(struct desk *desk, struct call *call)
{
    struct trace trace = {0};
    struct error error = {0};
    int64_t id = 0;
    if (!items_id(call, &id) || !desk_reader(desk, call->answer))
        return;
    bench_flush(desk->office->bench, id);
    if (store_read_on_time(desk->reader, id, &trace, &error) == 0)
        answer_json(call->answer, MHD_HTTP_OK, log_json(&trace));
    else
        answer_error(call->answer, &error);
    trace_clear(&trace);
}
