/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Hands on outputs: on, off, hold, and the log of what was done to them.
 */
#include "base/clock.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/route.h"
#include "store/outputs.h"

#include <microhttpd.h>
#include <stdio.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

bool output_asks_on(const char *body, size_t length)
{
    if (fields_depth(body, length) > FIELDS_DEEPEST)
        return false;
    json_t *asked = json_loadb(body, length, JSON_REJECT_DUPLICATES, NULL);
    bool on = json_is_true(json_object_get(asked, "on"));
    json_decref(asked);
    return on;
}

static struct output_asker asker_of(const json_t *body)
{
    struct output_asker asker = {.who = "page"};
    snprintf(asker.hand, sizeof asker.hand, "%s", fields_text(body, "hand"));
    snprintf(asker.why, sizeof asker.why, "%s", fields_text(body, "why"));
    snprintf(asker.page, sizeof asker.page, "%s", fields_text(body, "page"));
    return asker;
}

/* What cannot be, or was refused by what the supply said, is no fault of the request's:
 * the output is off, and why is for a person to read. */
static void answer_switched(struct desk *desk, struct call *call, int status,
                            const struct error *error)
{
    if (status == 0)
        answer_json(call->answer, MHD_HTTP_OK,
                    supply_item(desk->office->bench, call->parameters[0]));
    else if (error->status == EXIT_USAGE || error->status == EXIT_BAD_DATA)
        answer_problem(call->answer, MHD_HTTP_CONFLICT, NULL, "%s", error->found);
    else
        answer_error(call->answer, error);
}

void output_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "on", .kind = FIELD_SWITCH, .needed = true},
        {.key = "hand", .kind = FIELD_TEXT, .longest = HAND_BYTES - 1},
        {.key = "page", .kind = FIELD_TEXT, .longest = PAGE_BYTES - 1},
        {.key = "why", .kind = FIELD_TEXT, .longest = WHY_BYTES - 1},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct error error = {0};
    bool on = json_is_true(json_object_get(body, "on"));
    struct output_asker asker = asker_of(body);
    json_decref(body);
    int status = bench_switch_output(desk->office->bench, call->parameters[0], on, &asker,
                                     call->asked_s, &error);
    answer_switched(desk, call, status, &error);
}

void hold_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "on", .kind = FIELD_SWITCH, .needed = true},
        {.key = "hand", .kind = FIELD_TEXT, .longest = HAND_BYTES - 1},
        {.key = "why", .kind = FIELD_TEXT, .longest = WHY_BYTES - 1},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct error error = {0};
    bool on = json_is_true(json_object_get(body, "on"));
    struct output_asker asker = asker_of(body);
    json_decref(body);
    if (bench_hold(desk->office->bench, call->parameters[0], on, &asker, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        answer_json(call->answer, MHD_HTTP_OK,
                    supply_item(desk->office->bench, call->parameters[0]));
}

void output_log_get(struct desk *desk, struct call *call)
{
    struct store_filter filter;
    struct error error = {0};
    if (!items_filter(call->path, &filter, call->answer) || !desk_reader(desk, call->answer))
        return;
    bench_flush_outputs(desk->office->bench);
    json_t *items = store_output_log(desk->reader, &filter, &error);
    if (items)
        answer_json(call->answer, MHD_HTTP_OK, items);
    else
        answer_error(call->answer, &error);
}
