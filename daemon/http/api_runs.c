/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs: one unit powered up again and again.
 */
#include "bench/runs.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/route.h"
#include "http/run_result.h"
#include "store/runs.h"

#include <math.h>
#include <microhttpd.h>
#include <stdio.h>

/* With its power-ups, what is left, and once it is over its result. NULL with the
 * answer made. */
static json_t *whole_run(struct desk *desk, struct call *call, int64_t id)
{
    struct error error = {0};
    struct bench *bench = desk->office->bench;
    if (!desk_reader(desk, call->answer))
        return NULL;
    json_t *item = store_run(desk->reader, id, true, &error);
    bool is_over = json_is_string(json_object_get(item, "ended_at"));
    json_t *result = NULL;
    if (json_is_object(item))
        result = is_over ? run_result(desk->reader, bench, item, &error) : json_null();
    if (result) {
        double left_s = runs_left_s(bench_runs(bench), id);
        if (!is_over && isfinite(left_s))
            json_object_set_new(item, "left_s", json_real(left_s));
        json_object_set_new(item, "result", result);
        return item;
    }
    if (json_is_null(item))
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id", "no run with the id %lld here",
                       (long long)id);
    else
        answer_error(call->answer, &error);
    json_decref(item);
    return NULL;
}

static void tell_order(struct desk *desk, const json_t *item)
{
    int64_t order = 0;
    if (read_digits(fields_text(item, "work_order"), 1, INT64_MAX, &order))
        items_tell_order(desk, order);
}

void run_post(struct desk *desk, struct call *call)
{
    static const char *const tags[] = {"heat", "cold", NULL};
    static const char *const stops[] = {"bad", "never", NULL};
    static const char *const hands[] = {"wakedraw", "hand", NULL};
    static const struct field fields[] = {
        {.key = "wanted",
         .kind = FIELD_WHOLE,
         .needed = true,
         .least = 1,
         .most = RUN_MOST_POWER_UPS},
        {.key = "off_s", .kind = FIELD_NUMBER, .needed = true, .least = 0.5, .most = 600},
        {.key = "on_s", .kind = FIELD_NUMBER, .least = 0, .above_least = true, .most = 86400},
        {.key = "stop_on", .kind = FIELD_CHOICE, .needed = true, .choices = stops},
        {.key = "tag", .kind = FIELD_CHOICE, .choices = tags},
        {.key = "switched", .kind = FIELD_CHOICE, .needed = true, .choices = hands},
    };
    json_t *body = fields_read(call->body, call->body_length, fields,
                               sizeof fields / sizeof fields[0], call->answer);
    if (!body)
        return;
    int64_t id = 0;
    struct error error = {0};
    json_t *item = NULL;
    if (runs_begin(bench_runs(desk->office->bench), call->parameters[0], body, &id, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        item = whole_run(desk, call, id);
    json_decref(body);
    if (!item)
        return;
    tell_order(desk, item);
    answer_json(call->answer, MHD_HTTP_CREATED, item);
    snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/runs/%lld",
             (long long)id);
}

void run_get(struct desk *desk, struct call *call)
{
    int64_t id = 0;
    json_t *item = items_id(call, &id) ? whole_run(desk, call, id) : NULL;
    if (item)
        answer_json(call->answer, MHD_HTTP_OK, item);
}

/* False with the answer made: there is none. */
static bool is_there(struct desk *desk, struct call *call, int64_t id)
{
    struct error error = {0};
    json_t *item =
        desk_reader(desk, call->answer) ? store_run(desk->reader, id, false, &error) : NULL;
    bool there = json_is_object(item);
    if (json_is_null(item))
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id", "no run with the id %lld here",
                       (long long)id);
    else if (!there && call->answer->status == 0)
        answer_error(call->answer, &error);
    json_decref(item);
    return there;
}

void run_end_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "why", .kind = FIELD_TEXT, .longest = RUN_MOST_WHY}};
    int64_t id = 0;
    if (!items_id(call, &id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, 1, call->answer);
    if (!body)
        return;
    struct error error = {0};
    const char *why = fields_text(body, "why");
    json_t *item = NULL;
    if (is_there(desk, call, id)) {
        if (runs_end(bench_runs(desk->office->bench), id, why[0] ? why : "ended on the page",
                     &error) < 0)
            answer_unchanged(call->answer, &error);
        else
            item = whole_run(desk, call, id);
    }
    json_decref(body);
    if (!item)
        return;
    tell_order(desk, item);
    answer_json(call->answer, MHD_HTTP_OK, item);
}
