/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The daily checks of a supply: one put down, and all of them on charts.
 */
#include "base/clock.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/route.h"
#include "record/check_content.h"
#include "store/checks.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

enum { MOST_CHECKS = 400, LONGEST_HAND = 63 };

struct check_change {
    const char *supply, *hand;
    const json_t *content;
    bool passed;
    int64_t id;
};

static int write_check(struct store *store, void *context, struct error *error)
{
    struct check_change *change = context;
    return store_put_check(store, change->supply, change->content, change->passed, change->hand,
                           &change->id, error);
}

/* NULL with the answer made. */
static const struct accuracy *accuracy_of(struct desk *desk, struct call *call)
{
    const struct accuracy *accuracy = bench_accuracy(desk->office->bench, call->parameters[0]);
    if (!accuracy)
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "supply", "there is no supply \"%.60s\"",
                       call->parameters[0]);
    return accuracy;
}

/* {"power_up", "unit", "final_draw_A"}, or JSON null where none is named; NULL with the
 * answer made. */
static json_t *read_standard(struct desk *desk, const json_t *body, struct call *call)
{
    const json_t *named = json_object_get(body, "check_standard");
    struct error error = {0};
    int64_t id = 0;
    if (!named || json_is_null(named))
        return json_null();
    const char *text = json_string_value(json_object_get(named, "power_up"));
    json_t *item = NULL;
    if (text && read_digits(text, 1, INT64_MAX, &id) && desk_reader(desk, call->answer))
        item = store_get(desk->reader, STORE_POWER_UPS, id, false, &error);
    if (call->answer->status != 0)
        return NULL;
    const json_t *draw = json_object_get(json_object_get(item, "verdict"), "final_draw_A");
    json_t *standard = NULL;
    if (json_is_number(draw))
        standard = json_pack("{s:s, s:O, s:O}", "power_up", text, "unit",
                             json_object_get(item, "unit"), "final_draw_A", draw);
    else
        answer_problem(call->answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "check_standard",
                       "\"check_standard\" must be {\"power_up\": the id of one with a final "
                       "draw} or null");
    json_decref(item);
    return standard;
}

static void answer_newest(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *checks = store_list_checks(desk->reader, call->parameters[0], 1, &error);
    if (!checks) {
        answer_error(call->answer, &error);
        return;
    }
    json_t *newest = json_incref(json_array_get(checks, 0));
    json_decref(checks);
    answer_json(call->answer, MHD_HTTP_CREATED, newest);
    snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/supplies/%.60s/checks",
             call->parameters[0]);
}

static void put_down(struct desk *desk, struct call *call, const json_t *body,
                     const struct accuracy *accuracy)
{
    struct error error = {0};
    json_t *standard = read_standard(desk, body, call);
    if (!standard)
        return;
    struct check_change change = {.supply = call->parameters[0], .hand = fields_text(body, "hand")};
    json_t *content = check_content(body, json_is_null(standard) ? NULL : standard, accuracy,
                                    &change.passed, &error);
    change.content = content;
    if (!content)
        answer_error(call->answer, &error);
    else if (bench_write(desk->office->bench, write_check, &change, &error) < 0)
        answer_unchanged(call->answer, &error);
    else if (desk_reader(desk, call->answer))
        answer_newest(desk, call);
    json_decref(content);
    json_decref(standard);
}

void check_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "zero", .kind = FIELD_ANY, .needed = true},
        {.key = "resistors", .kind = FIELD_ANY},
        {.key = "check_standard", .kind = FIELD_ANY},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_HAND},
    };
    const struct accuracy *accuracy = accuracy_of(desk, call);
    if (!accuracy)
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (body)
        put_down(desk, call, body, accuracy);
    json_decref(body);
}

void checks_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    const struct accuracy *accuracy = accuracy_of(desk, call);
    if (!accuracy || !desk_reader(desk, call->answer))
        return;
    json_t *checks = store_list_checks(desk->reader, call->parameters[0], MOST_CHECKS, &error);
    json_t *state =
        checks ? store_bench_state(desk->reader, call->parameters[0], clock_wall_us(), &error)
               : NULL;
    json_t *all = state ? check_charts(checks, accuracy) : NULL;
    if (all) {
        json_object_update(all, state);
        json_object_set(all, "items", checks);
        answer_json(call->answer, MHD_HTTP_OK, all);
    } else if (error.status != EXIT_OK) {
        answer_error(call->answer, &error);
    } else {
        answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
    }
    json_decref(checks);
    json_decref(state);
}
