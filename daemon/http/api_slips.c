/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Notes, meter readings and photos of a work order; power-ups moved to another,
 * and tagged.
 */
#include "base/clock.h"
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

enum { LONGEST_NAME = 127, LONGEST_LINES = 4000, LONGEST_STAGE = 63 };

/* What one of the writing functions takes and gives. */
struct change {
    enum slip kind;
    int64_t of; /* the work order's, or the id of what is changed */
    const json_t *value;
    const char *text; /* a stage */
    const void *bytes;
    size_t size;
    int64_t id;
    struct corrections corrections;
};

/* Answers with it, and tells the pages. */
static void answer_slip(struct desk *desk, struct call *call, unsigned status, enum slip kind,
                        int64_t id)
{
    struct error error = {0};
    if (!desk_reader(desk, call->answer))
        return;
    json_t *item = store_slip(desk->reader, kind, id, &error);
    if (!item) {
        answer_error(call->answer, &error);
        return;
    }
    items_tell_order(desk, strtoll(fields_text(item, "work_order"), NULL, 10));
    answer_json(call->answer, status, item);
    if (status == MHD_HTTP_CREATED && kind == SLIP_PHOTO)
        snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/photos/%lld",
                 (long long)id);
}

/* What the order's item will say under this key: with the slip put, or struck. */
static json_t *list_with(const json_t *order, const char *key, const struct change *change,
                         bool strikes)
{
    char now[25];
    json_t *list = json_deep_copy(json_object_get(order, key));
    json_t *at = json_string(clock_rfc3339(clock_wall_us(), now));
    if (!strikes) {
        json_t *slip = json_deep_copy(change->value);
        json_object_del(slip, "correct_record");
        json_object_set(slip, "at", at);
        json_array_append_new(list, slip);
    }
    for (size_t i = 0; strikes && i < json_array_size(list); i++) {
        json_t *slip = json_array_get(list, i);
        if (strtoll(fields_text(slip, "id"), NULL, 10) == change->of)
            json_object_set(slip, "struck_at", at);
    }
    json_decref(at);
    return list;
}

/* Where a record is to be corrected by it: false with the answer made. */
static bool prepare_slip(struct desk *desk, struct call *call, struct change *change, json_t *asked,
                         int64_t order, bool strikes)
{
    static const char *const keys[] = {"notes", "meter_readings", "photos"};
    if (!json_is_true(json_object_get(asked, "correct_record")))
        return true;
    json_t *item = items_kept(desk, call, STORE_WORK_ORDERS, order);
    if (!item)
        return false;
    json_t *changed = json_object();
    const char *key = keys[change->kind];
    bool ready = json_is_null(item);
    if (!ready && json_object_set_new(changed, key, list_with(item, key, change, strikes)) == 0)
        ready = corrections_for_order(desk, order, changed, &change->corrections, call->answer);
    json_decref(changed);
    json_decref(item);
    corrections_settle(&change->corrections, asked);
    return ready;
}

static int put_alone(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_slip(store, change->kind, change->of, change->value, &change->id, error);
}

static int write_slip(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return corrections_write(store, &change->corrections, put_alone, change, error);
}

static void post_slip(struct desk *desk, struct call *call, enum slip kind,
                      const struct field *fields, size_t count)
{
    struct change change = {.kind = kind};
    struct error error = {0};
    if (!items_id(call, &change.of))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, count, call->answer);
    if (!body)
        return;
    change.value = body;
    if (prepare_slip(desk, call, &change, body, change.of, false)) {
        if (bench_write(desk->office->bench, write_slip, &change, &error) < 0)
            answer_unchanged(call->answer, &error);
        else
            answer_slip(desk, call, MHD_HTTP_CREATED, kind, change.id);
    }
    corrections_clear(&change.corrections);
    json_decref(body);
}

void note_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "stage", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "text", .kind = FIELD_LINES, .needed = true, .longest = LONGEST_LINES},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "correct_record", .kind = FIELD_SWITCH},
    };
    post_slip(desk, call, SLIP_NOTE, fields, COUNT(fields));
}

void meter_reading_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "stage", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "before_power", .kind = FIELD_SWITCH},
        {.key = "what", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_NAME},
        {.key = "value", .kind = FIELD_NUMBER, .needed = true, .least = -1e12, .most = 1e12},
        {.key = "unit", .kind = FIELD_TEXT, .needed = true, .longest = LONGEST_STAGE},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "correct_record", .kind = FIELD_SWITCH},
    };
    post_slip(desk, call, SLIP_METER_READING, fields, COUNT(fields));
}

/* --- photos --- */

static int write_photo(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_photo(store, change->of, change->text, change->bytes, change->size,
                           &change->id, error);
}

void photo_post(struct desk *desk, struct call *call)
{
    const char *stage = path_parameter(call->path, "stage");
    struct change change = {
        .text = stage ? stage : "", .bytes = call->body, .size = call->body_length};
    struct error error = {0};
    if (!items_id(call, &change.of))
        return;
    if (bench_write(desk->office->bench, write_photo, &change, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        answer_slip(desk, call, MHD_HTTP_CREATED, SLIP_PHOTO, change.id);
}

void photo_get(struct desk *desk, struct call *call)
{
    static const char *const types[] = {"image/jpeg", "image/png", "image/webp"};
    struct photo photo = {0};
    struct error error = {0};
    int64_t id = 0;
    if (!items_id(call, &id) || !desk_reader(desk, call->answer))
        return;
    if (store_photo(desk->reader, id, &photo, &error) < 0) {
        answer_error(call->answer, &error);
        return;
    }
    for (size_t i = 0; i < COUNT(types); i++)
        if (strcmp(types[i], photo.media_type) == 0)
            answer_text(call->answer, types[i], photo.bytes, photo.size);
    snprintf(call->answer->entity_tag, sizeof call->answer->entity_tag, "\"%s\"", photo.sha256);
}

/* --- striking --- */

static int strike_alone(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_strike(store, change->kind, change->of, change->value, error);
}

static int write_strike(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return corrections_write(store, &change->corrections, strike_alone, change, error);
}

/* The work order it is of; 0: there is no such slip. */
static int64_t order_of(struct desk *desk, struct call *call, const struct change *change)
{
    struct error error = {0};
    json_t *slip = desk_reader(desk, call->answer)
                       ? store_slip(desk->reader, change->kind, change->of, &error)
                       : NULL;
    int64_t order = strtoll(fields_text(slip, "work_order"), NULL, 10);
    json_decref(slip);
    return order;
}

static void strike(struct desk *desk, struct call *call, enum slip kind)
{
    static const struct field fields[] = {
        {.key = "why", .kind = FIELD_LINES, .needed = true, .longest = 2000},
        {.key = "correct_record", .kind = FIELD_SWITCH},
    };
    struct change change = {.kind = kind};
    struct error error = {0};
    if (!items_id(call, &change.of))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    int64_t order = order_of(desk, call, &change);
    if (call->answer->status == 0 && prepare_slip(desk, call, &change, body, order, true)) {
        if (bench_write(desk->office->bench, write_strike, &change, &error) < 0)
            answer_unchanged(call->answer, &error);
        else
            answer_slip(desk, call, MHD_HTTP_OK, kind, change.of);
    }
    corrections_clear(&change.corrections);
    json_decref(body);
}

void note_strike(struct desk *desk, struct call *call)
{
    strike(desk, call, SLIP_NOTE);
}

void meter_reading_strike(struct desk *desk, struct call *call)
{
    strike(desk, call, SLIP_METER_READING);
}

void photo_strike(struct desk *desk, struct call *call)
{
    strike(desk, call, SLIP_PHOTO);
}

/* --- power-ups --- */

static void tell_order_of(struct desk *desk, const json_t *item)
{
    const char *order = fields_text(item, "work_order");
    if (*order)
        items_tell_order(desk, strtoll(order, NULL, 10));
}

/* Writes, and answers with the power-up as it is kept. */
static void change_power_up(struct desk *desk, struct call *call, struct change *change,
                            int (*write)(struct store *, void *, struct error *))
{
    struct error error = {0};
    json_t *before = items_kept(desk, call, STORE_POWER_UPS, change->of);
    if (!before)
        return;
    if (bench_write(desk->office->bench, write, change, &error) < 0) {
        answer_unchanged(call->answer, &error);
        json_decref(before);
        return;
    }
    json_t *item = items_kept(desk, call, STORE_POWER_UPS, change->of);
    if (item) {
        bench_power_up_moved(desk->office->bench, change->of, item);
        tell_order_of(desk, item);
        if (strcmp(fields_text(before, "work_order"), fields_text(item, "work_order")) != 0)
            tell_order_of(desk, before);
        answer_json(call->answer, MHD_HTTP_OK, item);
    }
    json_decref(before);
}

static int move_alone(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_move_power_up(store, change->of, change->value, error);
}

static int write_move(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return corrections_write(store, &change->corrections, move_alone, change, error);
}

/* False with the answer made. `tag` NULL: it is moved. */
static bool prepare_corrections(struct desk *desk, struct call *call, struct change *change,
                                json_t *asked, const char *tag)
{
    if (!json_is_true(json_object_get(asked, "correct_record")))
        return true;
    json_t *item = items_kept(desk, call, STORE_POWER_UPS, change->of);
    bool done = item != NULL;
    if (done && tag)
        done = corrections_for_tag(desk, item, tag, &change->corrections, call->answer);
    else if (done)
        done = corrections_for_move(desk, item, asked, &change->corrections, call->answer);
    json_decref(item);
    corrections_settle(&change->corrections, asked);
    return done;
}

void attachment_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "unit", .kind = FIELD_TEXT, .longest = LONGEST_NAME},
        {.key = "work_order", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "stage", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "why", .kind = FIELD_LINES, .needed = true, .longest = 2000},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
        {.key = "correct_record", .kind = FIELD_SWITCH},
    };
    struct change change = {0};
    if (!items_id(call, &change.of))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    if (prepare_corrections(desk, call, &change, body, NULL))
        change_power_up(desk, call, &change, write_move);
    corrections_clear(&change.corrections);
    json_decref(body);
}

static int tag_alone(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_tag_power_up(store, change->of, change->value, error);
}

static int write_tag(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return corrections_write(store, &change->corrections, tag_alone, change, error);
}

void tag_put(struct desk *desk, struct call *call)
{
    static const char *const tags[] = {"heat", "cold", NULL};
    static const struct field fields[] = {
        {.key = "tag", .kind = FIELD_CHOICE, .choices = tags},
        {.key = "correct_record", .kind = FIELD_SWITCH},
    };
    struct change change = {0};
    if (!items_id(call, &change.of))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    if (prepare_corrections(desk, call, &change, body, fields_text(body, "tag")))
        change_power_up(desk, call, &change, write_tag);
    corrections_clear(&change.corrections);
    json_decref(body);
}

static int write_trust(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_trust_power_up(store, change->of, fields_text(change->value, "why"),
                                fields_text(change->value, "hand"), error);
}

void known_good_put(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "why", .kind = FIELD_LINES, .longest = 500},
        {.key = "hand", .kind = FIELD_TEXT, .longest = LONGEST_STAGE},
    };
    struct change change = {0};
    if (!items_id(call, &change.of))
        return;
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    change.value = body;
    change_power_up(desk, call, &change, write_trust);
    json_decref(body);
}
