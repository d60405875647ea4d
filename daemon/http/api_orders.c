/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The repair as it goes: settings, units coming in, work orders. The writing
 * itself happens in the store writer's thread.
 */
#include "http/corrections.h"
#include "http/fields.h"
#include "http/items.h"
#include "http/route.h"
#include "store/orders.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

enum { LONGEST_NAME = 127, LONGEST_LINES = 4000, LONGEST_HAND = 63 };

/* What one of the writing functions takes and gives. */
struct change {
    const json_t *value;
    int64_t id;
    struct corrections corrections;
};

/* --- settings --- */

void settings_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    if (!desk_reader(desk, call->answer))
        return;
    json_t *settings = store_settings(desk->reader, &error);
    if (settings)
        answer_json(call->answer, MHD_HTTP_OK, settings);
    else
        answer_error(call->answer, &error);
}

static int write_settings(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_settings(store, change->value, error);
}

void settings_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "stages", .kind = FIELD_ANY},         {.key = "warranty_days", .kind = FIELD_ANY},
        {.key = "check_every_h", .kind = FIELD_ANY},  {.key = "resistors", .kind = FIELD_ANY},
        {.key = "check_standard", .kind = FIELD_ANY}, {.key = "ask_after_min", .kind = FIELD_ANY},
        {.key = "page_gone_s", .kind = FIELD_ANY},    {.key = "shop", .kind = FIELD_ANY},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct change change = {.value = body};
    struct error error = {0};
    if (bench_write(desk->office->bench, write_settings, &change, &error) < 0) {
        answer_unchanged(call->answer, &error);
    } else {
        bench_settings_changed(desk->office->bench);
        settings_get(desk, call);
    }
    json_decref(body);
}

/* --- units --- */

static int write_unit(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_change_unit(store, change->id, change->value, error);
}

void unit_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "module_type", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "revision", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "set_up", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
    };
    struct change change = {0};
    struct error error = {0};
    if (!items_id(call, &change.id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    json_t *item = NULL;
    if (bench_write(desk->office->bench, write_unit, &change, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        item = items_kept(desk, call, STORE_UNITS, change.id);
    if (item) {
        bench_unit_changed(desk->office->bench, fields_text(item, "serial"));
        answer_json(call->answer, MHD_HTTP_OK, item);
    }
    json_decref(body);
}

/* --- intake --- */

static json_t *supply_named(struct bench *bench, const char *name)
{
    json_t *supplies = bench_supplies(bench);
    size_t index;
    json_t *supply;
    json_t *found = NULL;
    json_array_foreach(supplies, index, supply)
    {
        if (strcmp(fields_text(supply, "name"), name) == 0)
            found = json_incref(supply);
    }
    json_decref(supplies);
    return found;
}

static void answer_intake(struct desk *desk, struct call *call, const struct intake *intake)
{
    json_t *unit = items_kept(desk, call, STORE_UNITS, intake->unit);
    json_t *order = unit ? items_kept(desk, call, STORE_WORK_ORDERS, intake->work_order) : NULL;
    if (order)
        answer_json(call->answer, MHD_HTTP_OK,
                    json_pack("{s:O, s:O, s:b, s:b, s:o}", "unit", unit, "work_order", order,
                              "made_unit", intake->made_unit, "made_work_order",
                              intake->made_work_order, "supply",
                              supply_named(desk->office->bench, call->parameters[0])));
    json_decref(unit);
    json_decref(order);
}

void intake_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "serial", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_NAME},
        {.key = "module_type", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "revision", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "set_up", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "complaint", .kind = FIELD_LINES, .longest = LONGEST_LINES},
        {.key = "customer_reference", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "condition", .kind = FIELD_LINES, .longest = LONGEST_LINES},
        {.key = "cells", .kind = FIELD_LINES, .longest = LONGEST_LINES},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_HAND},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct intake intake = {0};
    struct error error = {0};
    if (bench_take_in(desk->office->bench, call->parameters[0], body, &intake, &error) < 0) {
        answer_unchanged(call->answer, &error);
    } else {
        items_tell_order(desk, intake.work_order);
        answer_intake(desk, call, &intake);
    }
    json_decref(body);
}

void confirm_post(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *body = fields_read(call->body, call->body_length, NULL, 0, call->answer);
    if (!body)
        return;
    if (bench_confirm_unit(desk->office->bench, call->parameters[0], &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        answer_json(call->answer, MHD_HTTP_OK,
                    supply_named(desk->office->bench, call->parameters[0]));
    json_decref(body);
}

/* --- work orders --- */

static int make_order(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_work_order(store, change->value, &change->id, error);
}

static int change_alone(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_change_work_order(store, change->id, change->value, error);
}

static int change_order(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return corrections_write(store, &change->corrections, change_alone, change, error);
}

static int close_order(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_close_work_order(store, change->id, change->value, error);
}

static int reopen_order(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_reopen_work_order(store, change->id, fields_text(change->value, "why"), error);
}

/* The body's fields first: where there are two, the first is of POST alone. */
static const struct field order_fields[] = {
    {.key = "unit", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_NAME},
    {.key = "complaint", .kind = FIELD_LINES, .longest = LONGEST_LINES},
    {.key = "customer_reference", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
    {.key = "condition", .kind = FIELD_LINES, .longest = LONGEST_LINES},
    {.key = "cells", .kind = FIELD_LINES, .longest = LONGEST_LINES},
    {.key = "stages", .kind = FIELD_TEXTS, .longest = LONGEST_HAND},
    {.key = "found_cause", .kind = FIELD_LINES, .longest = LONGEST_LINES},
    {.key = "parts", .kind = FIELD_LINES, .longest = LONGEST_LINES},
    {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_HAND},
    {.key = "correct_record", .kind = FIELD_SWITCH},
};

/* Writes, and answers with the work order as it is kept. */
static void write_order(struct desk *desk, struct call *call, struct change *change,
                        int (*write)(struct store *, void *, struct error *), unsigned status)
{
    struct error error = {0};
    if (bench_write(desk->office->bench, write, change, &error) < 0) {
        answer_unchanged(call->answer, &error);
        return;
    }
    items_tell_order(desk, change->id);
    items_answer(desk, call, status, STORE_WORK_ORDERS, change->id);
}

void work_order_post(struct desk *desk, struct call *call)
{
    json_t *body = fields_read(call->body, call->body_length, order_fields, COUNT(order_fields) - 1,
                               call->answer);
    if (!body)
        return;
    struct change change = {.value = body};
    write_order(desk, call, &change, make_order, MHD_HTTP_CREATED);
    json_decref(body);
}

void work_order_put(struct desk *desk, struct call *call)
{
    struct change change = {0};
    if (!items_id(call, &change.id))
        return;
    json_t *body = fields_read(call->body, call->body_length, order_fields + 1,
                               COUNT(order_fields) - 1, call->answer);
    if (!body)
        return;
    change.value = body;
    bool corrects = json_is_true(json_object_get(body, "correct_record"));
    bool ready = !corrects ||
                 (desk_reader(desk, call->answer) &&
                  corrections_for_order(desk, change.id, body, &change.corrections, call->answer));
    corrections_settle(&change.corrections, body);
    if (ready)
        write_order(desk, call, &change, change_order, MHD_HTTP_OK);
    corrections_clear(&change.corrections);
    json_decref(body);
}

/* Its unit is no longer on the bench for it. */
static void tell_bench(struct desk *desk, int64_t order)
{
    struct error error = {0};
    json_t *item =
        desk->reader ? store_get(desk->reader, STORE_WORK_ORDERS, order, false, &error) : NULL;
    if (item)
        bench_unit_changed(desk->office->bench, fields_text(item, "unit"));
    json_decref(item);
}

void work_order_close(struct desk *desk, struct call *call)
{
    static const char *const outcomes[] = {"repaired", "nothing found", "not repairable",
                                           "returned as it was", NULL};
    static const struct field fields[] = {
        {.key = "outcome", .kind = FIELD_CHOICE, .needed = true, .choices = outcomes},
        {.key = "found_cause", .kind = FIELD_LINES, .longest = LONGEST_LINES},
        {.key = "parts", .kind = FIELD_LINES, .longest = LONGEST_LINES},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_HAND},
        {.key = "warranty_days", .kind = FIELD_WHOLE, .least = 0, .most = 3650},
    };
    struct change change = {0};
    if (!items_id(call, &change.id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    write_order(desk, call, &change, close_order, MHD_HTTP_OK);
    if (call->answer->status == MHD_HTTP_OK)
        tell_bench(desk, change.id);
    json_decref(body);
}

void work_order_reopen(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "why", .kind = FIELD_LINES, .needed = true, .longest = 2000},
    };
    struct change change = {0};
    if (!items_id(call, &change.id))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    write_order(desk, call, &change, reopen_order, MHD_HTTP_OK);
    json_decref(body);
}
