/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Records of work orders: written once, chained, never changed; a later one may
 * take an earlier one's place.
 */
#include "base/clock.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/order_power_ups.h"
#include "http/record_draft.h"
#include "http/route.h"
#include "record/record_content.h"
#include "store/records.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

struct record_change {
    int64_t work_order, corrects, id;
    json_t *content;
};

static int write_record(struct store *store, void *context, struct error *error)
{
    struct record_change *change = context;
    return store_put_record(store, change->work_order, change->corrects, change->content,
                            &change->id, error);
}

static void answer_record(struct desk *desk, struct call *call, int64_t id)
{
    struct error error = {0};
    json_t *item = store_record(desk->reader, id, false, &error);
    if (!item) {
        answer_error(call->answer, &error);
        return;
    }
    items_tell_order(desk, strtoll(fields_text(item, "work_order"), NULL, 10));
    answer_json(call->answer, MHD_HTTP_CREATED, item);
    snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/records/%lld",
             (long long)id);
}

static void write_draft(struct desk *desk, struct call *call, const json_t *order,
                        const struct record_wish *wish)
{
    struct error error = {0};
    const char *why_not = NULL;
    struct record_change change = {
        .work_order = strtoll(json_string_value(json_object_get(order, "id")), NULL, 10)};
    struct order_power_ups power_ups;
    if (order_power_ups_read(desk->reader, desk->office->bench, order, &power_ups, &error) != 0) {
        answer_error(call->answer, &error);
        return;
    }
    int status = record_draft(desk, order, &power_ups, wish, &change.content, &change.corrects,
                              &why_not, &error);
    order_power_ups_clear(&power_ups);
    if (status < 0)
        answer_error(call->answer, &error);
    else if (why_not)
        answer_problem(call->answer, MHD_HTTP_CONFLICT, NULL, "%s", why_not);
    else if (bench_write(desk->office->bench, write_record, &change, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        answer_record(desk, call, change.id);
    json_decref(change.content);
}

void record_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "hand", .kind = FIELD_TEXT, .needed = true, .longest = 63},
        {.key = "why", .kind = FIELD_TEXT, .longest = 500},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    json_t *order = desk_item(desk, call, STORE_WORK_ORDERS);
    struct record_wish wish = {.hand = fields_text(body, "hand"), .why = fields_text(body, "why")};
    if (order)
        write_draft(desk, call, order, &wish);
    json_decref(order);
    json_decref(body);
}

/* The record whose number of the row stands in the path; NULL with the answer made. */
static json_t *find_record(struct desk *desk, struct call *call)
{
    struct error error = {0};
    int64_t id = 0;
    if (!items_id(call, &id) || !desk_reader(desk, call->answer))
        return NULL;
    json_t *item = store_record(desk->reader, id, true, &error);
    if (!item)
        answer_error(call->answer, &error);
    else if (json_is_null(item))
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id", "no record with the id %s here",
                       call->parameters[0]);
    else
        return item;
    json_decref(item);
    return NULL;
}

void record_get(struct desk *desk, struct call *call)
{
    json_t *item = find_record(desk, call);
    if (item)
        answer_json(call->answer, MHD_HTTP_OK, item);
}

static void name_file(struct call *call, const json_t *item, const char *ending)
{
    snprintf(call->answer->file_name, sizeof call->answer->file_name, "record-%lld.%s",
             (long long)json_integer_value(json_object_get(item, "number")), ending);
}

void record_file_get(struct desk *desk, struct call *call)
{
    json_t *item = find_record(desk, call);
    if (!item)
        return;
    name_file(call, item, "json");
    answer_json(call->answer, MHD_HTTP_OK, item);
}

void record_csv_get(struct desk *desk, struct call *call)
{
    json_t *item = find_record(desk, call);
    if (!item)
        return;
    size_t length = 0;
    char *text = record_to_csv(json_object_get(item, "content"), &length);
    if (text) {
        name_file(call, item, "csv");
        answer_text(call->answer, "text/csv; charset=utf-8", text, length);
    } else {
        answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
    }
    json_decref(item);
}

void records_get(struct desk *desk, struct call *call)
{
    struct store_filter filter;
    struct error error = {0};
    if (!items_filter(call->path, &filter, call->answer) || !desk_reader(desk, call->answer))
        return;
    json_t *items = store_list_records(desk->reader, &filter, &error);
    if (items)
        answer_json(call->answer, MHD_HTTP_OK, items);
    else
        answer_error(call->answer, &error);
}
