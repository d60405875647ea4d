/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * References made on the page: tried out, and gone back to.
 */
#include "http/fields.h"
#include "http/reference_trial.h"
#include "http/route.h"
#include "reference/reference_json.h"

#include <math.h>
#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static bool read_range(const json_t *body, struct reference_request *request, struct answer *answer)
{
    const json_t *range = json_object_get(body, "range");
    if (!range || json_is_null(range))
        return true;
    const json_t *low = json_object_get(range, "low_A");
    const json_t *high = json_object_get(range, "high_A");
    request->range_low_A = json_number_value(low);
    request->range_high_A = json_number_value(high);
    request->has_range = true;
    if (json_object_size(range) == 2 && json_is_number(low) && json_is_number(high) &&
        request->range_low_A > 0 && request->range_low_A < request->range_high_A &&
        request->range_high_A < 1000)
        return true;
    answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "range",
                   "\"range\" must be {\"low_A\", \"high_A\"} with 0 < low_A < high_A, or null");
    return false;
}

static bool read_ids(const json_t *body, const struct reference_request *request,
                     struct answer *answer)
{
    const json_t *ids = json_object_get(body, "power_ups");
    size_t count = json_array_size(ids);
    bool right = !ids || json_is_null(ids) || (json_is_array(ids) && count <= TRIAL_MOST_POWER_UPS);
    for (size_t i = 0; right && i < count; i++)
        right = json_is_string(json_array_get(ids, i));
    if (!right)
        answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "power_ups",
                       "\"power_ups\" must be an array of at most %d ids", TRIAL_MOST_POWER_UPS);
    else if (count == 0 && !request->has_range)
        answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, "power_ups",
                       "a reference needs power-ups of known-good units, or a stated range");
    return answer->status == 0;
}

static int read_conditions(const json_t *body, struct conditions *conditions)
{
    const char *revision = fields_text(body, "revision");
    const char *set_up = fields_text(body, "set_up");
    const json_t *feeds = json_object_get(body, "feeds");
    if (revision[0] && (conditions->revision = strdup(revision)) == NULL)
        return -1;
    if (set_up[0] && (conditions->set_up = strdup(set_up)) == NULL)
        return -1;
    for (size_t i = 0; i < json_array_size(feeds); i++) {
        const char *feed = json_string_value(json_array_get(feeds, i));
        if (texts_add(&conditions->feeds, feed, strlen(feed)) != 0)
            return -1;
    }
    return 0;
}

static json_t *trial_json(const struct reference *reference, json_t *changes)
{
    char *text = reference_print(reference);
    json_t *content = text ? json_loads(text, 0, NULL) : NULL;
    free(text);
    json_t *claims = json_array();
    for (size_t i = 0; i < reference_claim_count(reference); i++)
        json_array_append_new(claims, json_string(reference_claim(reference, i)));
    json_t *trial =
        content && claims ? json_pack("{s:O, s:O}", "reference", content, "claims", claims) : NULL;
    if (trial && json_object_update(trial, changes) != 0) {
        json_decref(trial);
        trial = NULL;
    }
    json_decref(content);
    json_decref(claims);
    return trial;
}

/* Nothing teaches how long to watch: as long as the type is watched. */
static int watch_as_type(struct desk *desk, struct reference_request *request, struct error *error)
{
    json_t *type = store_module_type(desk->reader, request->module_type, error);
    if (!type)
        return -1;
    const json_t *watch = json_object_get(type, "watch_s");
    if (json_is_number(watch))
        request->watch_s = json_number_value(watch);
    json_decref(type);
    return 0;
}

static void try_out(struct desk *desk, struct call *call, struct reference_request *request,
                    const json_t *ids)
{
    struct error error = {0};
    if (!desk_reader(desk, call->answer))
        return;
    struct reference *reference = NULL;
    bool watch_is_open = isnan(request->watch_s) && json_array_size(ids) == 0;
    if (!watch_is_open || watch_as_type(desk, request, &error) == 0)
        reference = trial_build(desk->reader, desk->office->bench, request, ids, &error);
    json_t *changes =
        reference ? trial_changes(desk->reader, desk->office->bench, reference, &error) : NULL;
    if (changes)
        answer_json(call->answer, MHD_HTTP_OK, trial_json(reference, changes));
    else
        answer_error(call->answer, &error);
    json_decref(changes);
    reference_destroy(reference);
}

void reference_trial_post(struct desk *desk, struct call *call)
{
    static const struct field fields[] = {
        {.key = "module_type", .kind = FIELD_TEXT, .needed = true, .longest = 127},
        {.key = "power_ups", .kind = FIELD_ANY},
        {.key = "range", .kind = FIELD_ANY},
        {.key = "revision", .kind = FIELD_TEXT, .longest = 127},
        {.key = "set_up", .kind = FIELD_TEXT, .longest = 127},
        {.key = "feeds", .kind = FIELD_TEXTS, .longest = FEED_LONGEST},
        {.key = "nominal_voltage_V", .kind = FIELD_NUMBER, .most = 1000, .above_least = true},
        {.key = "watch_s", .kind = FIELD_NUMBER, .least = 0.1, .most = 86400},
    };
    json_t *body = fields_read(call->body, call->body_length, fields, COUNT(fields), call->answer);
    if (!body)
        return;
    struct conditions conditions = {.revision = NULL};
    const json_t *volts = json_object_get(body, "nominal_voltage_V");
    const json_t *watch = json_object_get(body, "watch_s");
    struct reference_request request = {
        .module_type = fields_text(body, "module_type"),
        .conditions = &conditions,
        .nominal_voltage_V = json_is_number(volts) ? json_number_value(volts) : (double)NAN,
        .watch_s = json_is_number(watch) ? json_number_value(watch) : (double)NAN,
    };
    if (read_conditions(body, &conditions) != 0)
        answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
    else if (read_range(body, &request, call->answer) && read_ids(body, &request, call->answer))
        try_out(desk, call, &request, json_object_get(body, "power_ups"));
    conditions_clear(&conditions);
    json_decref(body);
}

/* --- an older version again --- */

struct restored {
    const char *module_type;
    char *text;
    int version;
    int64_t id;
};

static int write_restored(struct store *store, void *context, struct error *error)
{
    struct restored *restored = context;
    return store_put_reference(store, restored->module_type, 0, restored->text, &restored->version,
                               &restored->id, error);
}

void reference_restore_post(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *item = desk_item(desk, call, STORE_REFERENCES);
    if (!item)
        return;
    struct restored restored = {.module_type =
                                    json_string_value(json_object_get(item, "module_type"))};
    int64_t from = strtoll(call->parameters[0], NULL, 10);
    restored.text = store_reference_text_by_id(desk->reader, from, &error);
    json_t *made = NULL;
    if (!restored.text)
        answer_error(call->answer, &error);
    else if (bench_write(desk->office->bench, write_restored, &restored, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        made = store_get(desk->reader, STORE_REFERENCES, restored.id, false, &error);
    if (made) {
        bench_reference_changed(desk->office->bench, restored.module_type);
        json_object_del(made, "reference");
        answer_json(call->answer, MHD_HTTP_CREATED, made);
        snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/references/%lld",
                 (long long)restored.id);
    } else if (call->answer->status == 0) {
        answer_error(call->answer, &error);
    }
    free(restored.text);
    json_decref(item);
}

void reference_file_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    json_t *item = desk_item(desk, call, STORE_REFERENCES);
    if (!item)
        return;
    char *text =
        store_reference_text_by_id(desk->reader, strtoll(call->parameters[0], NULL, 10), &error);
    if (text) {
        snprintf(call->answer->file_name, sizeof call->answer->file_name, "reference-%s.json",
                 call->parameters[0]);
        answer_text(call->answer, ANSWER_JSON, text, strlen(text));
    } else {
        answer_error(call->answer, &error);
    }
    json_decref(item);
}
