/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is put in: module types, references, units. The writing itself
 * happens in the store writer's thread.
 */
#include "http/fields.h"
#include "http/items.h"
#include "http/route.h"
#include "reference/reference_json.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

/* What one of the writing functions takes and gives. */
struct change {
    const json_t *value;
    const char *module_type, *text; /* of a reference */
    int version;
    int64_t id;
};

static int write_module_type(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_module_type(store, change->value, error);
}

static int write_unit(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    return store_put_unit(store, change->value, &change->id, error);
}

static int write_reference(struct store *store, void *context, struct error *error)
{
    struct change *change = context;
    int wanted = change->version;
    return store_put_reference(store, change->module_type, wanted, change->text, &change->version,
                               &change->id, error);
}

void module_type_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "name", .kind = FIELD_TEXT, .needed = true, .longest = 127},
        {.key = "nominal_voltage_V", .kind = FIELD_NUMBER, .most = 1000, .above_least = true},
        {.key = "current_limit_A", .kind = FIELD_NUMBER, .most = 1000, .above_least = true},
        {.key = "watch_s", .kind = FIELD_NUMBER, .least = 0.1, .most = 86400},
        {.key = "look_voltage_V", .kind = FIELD_NUMBER, .most = 1000, .above_least = true},
        {.key = "look_limit_A", .kind = FIELD_NUMBER, .most = 1000, .above_least = true},
        {.key = "limit_longest_s", .kind = FIELD_NUMBER, .most = 3600, .above_least = true},
        {.key = "feeds", .kind = FIELD_TEXTS, .longest = 127},
        {.key = "cautions", .kind = FIELD_TEXTS, .longest = 500},
    };
    json_t *type = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!type)
        return;
    struct change change = {.value = type};
    struct error error = {0};
    const char *name = fields_text(type, "name");
    json_t *before =
        desk_reader(desk, call->answer) ? store_module_type(desk->reader, name, &error) : NULL;
    bool made = json_is_null(before);
    json_t *after = NULL;
    if (before && bench_write(desk->office->bench, write_module_type, &change, &error) == 0) {
        /* Its watch time is part of the rules by which power-ups are caught. */
        bench_reference_changed(desk->office->bench, name);
        after = store_module_type(desk->reader, name, &error);
    }
    if (after)
        answer_json(call->answer, made ? MHD_HTTP_CREATED : MHD_HTTP_OK, after);
    else if (call->answer->status == 0)
        answer_unchanged(call->answer, &error);
    json_decref(before);
    json_decref(type);
}

void unit_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "serial", .kind = FIELD_TEXT, .needed = true, .longest = 127},
        {.key = "module_type", .kind = FIELD_TEXT, .longest = 127},
        {.key = "revision", .kind = FIELD_TEXT, .longest = 127},
        {.key = "set_up", .kind = FIELD_TEXT, .longest = 127},
    };
    json_t *unit = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!unit)
        return;
    struct change change = {.value = unit};
    struct error error = {0};
    if (bench_write(desk->office->bench, write_unit, &change, &error) < 0)
        answer_unchanged(call->answer, &error);
    else {
        /* Its revision and set-up say which reference it is compared with. */
        bench_unit_changed(desk->office->bench, fields_text(unit, "serial"));
        items_answer(desk, call, MHD_HTTP_CREATED, STORE_UNITS, change.id);
    }
    json_decref(unit);
}

void reference_post(struct desk *desk, struct call *call)
{
    struct error error = {0};
    if (fields_depth(call->body, call->body_length) > FIELDS_DEEPEST) {
        answer_problem(call->answer, MHD_HTTP_BAD_REQUEST, NULL,
                       "JSON nested deeper than %d levels", FIELDS_DEEPEST);
        return;
    }
    struct reference *reference =
        reference_parse(call->body, call->body_length, "POST references", &error);
    if (!reference) {
        answer_error(call->answer, &error);
        return;
    }
    struct change change = {.module_type = reference_module_type(reference),
                            .text = call->body,
                            .version = reference_version(reference)};
    if (bench_write(desk->office->bench, write_reference, &change, &error) < 0) {
        answer_unchanged(call->answer, &error);
    } else {
        bench_reference_changed(desk->office->bench, change.module_type);
        items_answer(desk, call, MHD_HTTP_CREATED, STORE_REFERENCES, change.id);
    }
    reference_destroy(reference);
}
