/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/record_content.h"

#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

enum { FORM = 1 };

/* Common practice, no source. */
static const char *const never_tested[] = {
    "communication with the module, and what its memory holds",
    "inputs, outputs and loads beyond the ones of the set-up",
    "work under heat, cold, vibration or moisture, save where a stage says so",
    "work in the vehicle or machine it belongs to",
};

static const char *const cautions[] = {
    "A good draw shows that the module wakes as known-good units of its type do. It is no proof "
    "that it works.",
    "Fit and test it by the maker's procedure; local codes and licensed practice come first.",
    "Feed it through a fuse, with the polarity checked, and set the current limit before the "
    "output goes on.",
};

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

static json_t *copy_of(const json_t *value)
{
    return value ? json_deep_copy(value) : json_null();
}

static json_t *copy_keys(const json_t *object, const char *const *keys, size_t count)
{
    json_t *copy = json_object();
    for (size_t i = 0; i < count; i++)
        json_object_set_new(copy, keys[i], copy_of(json_object_get(object, keys[i])));
    return copy;
}

static json_t *texts(const char *const *list, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(array, json_string(list[i]));
    return array;
}

/* Without what was struck. */
static json_t *standing(const json_t *list)
{
    json_t *kept = json_array();
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *entry = json_array_get(list, i);
        const json_t *struck = json_object_get(entry, "struck_at");
        if (struck && !json_is_null(struck))
            continue;
        json_t *copy = json_deep_copy(entry);
        json_object_del(copy, "struck_at");
        json_object_del(copy, "struck_why");
        json_array_append_new(kept, copy);
    }
    return kept;
}

/* --- power-ups --- */

static const char *verdict_of(const json_t *item)
{
    return text_of(json_object_get(item, "verdict"), "verdict");
}

static bool is_decided(const json_t *item)
{
    const char *verdict = verdict_of(item);
    return strcmp(verdict, "good") == 0 || strcmp(verdict, "bad") == 0;
}

static const json_t *first_decided(const json_t *power_ups)
{
    for (size_t i = 0; i < json_array_size(power_ups); i++)
        if (is_decided(json_array_get(power_ups, i)))
            return json_array_get(power_ups, i);
    return json_array_get(power_ups, 0);
}

/* The order's stages, and behind them those that its power-ups name. */
static json_t *stages_of(const struct record_source *source)
{
    json_t *stages = json_array();
    const json_t *own = json_object_get(source->work_order, "stages");
    for (size_t i = 0; i < json_array_size(own); i++)
        json_array_append(stages, json_array_get(own, i));
    for (size_t i = 0; i < json_array_size(source->power_ups); i++) {
        const char *stage = text_of(json_array_get(source->power_ups, i), "stage");
        bool known = stage[0] == '\0';
        for (size_t s = 0; !known && s < json_array_size(stages); s++)
            known = strcmp(stage, json_string_value(json_array_get(stages, s))) == 0;
        if (!known)
            json_array_append_new(stages, json_string(stage));
    }
    return stages;
}

static const json_t *last_of_stage(const json_t *power_ups, const char *stage)
{
    for (size_t i = json_array_size(power_ups); i-- > 0;)
        if (strcmp(text_of(json_array_get(power_ups, i), "stage"), stage) == 0)
            return json_array_get(power_ups, i);
    return NULL;
}

/* Of the last stage that has any; without stages the last of all. */
static const json_t *last_power_up(const json_t *power_ups, const json_t *stages)
{
    for (size_t s = json_array_size(stages); s-- > 0;) {
        const json_t *found =
            last_of_stage(power_ups, json_string_value(json_array_get(stages, s)));
        if (found)
            return found;
    }
    return json_array_get(power_ups, json_array_size(power_ups) - 1);
}

static json_t *power_up_json(const json_t *item, bool with_signature)
{
    static const char *const keys[] = {"id",        "started_at", "supply",
                                       "stage",     "tag",        "state",
                                       "ended_why", "on_time_s",  "reference_version"};
    if (!item)
        return json_null();
    json_t *told = copy_keys(item, keys, COUNT(keys));
    const json_t *verdict = json_object_get(item, "verdict");
    const json_t *first = json_array_get(json_object_get(verdict, "reasons"), 0);
    json_object_set_new(told, "verdict", copy_of(json_object_get(verdict, "verdict")));
    json_object_set_new(told, "decided_at_s", copy_of(json_object_get(verdict, "decided_at_s")));
    json_object_set_new(told, "final_draw_A", copy_of(json_object_get(verdict, "final_draw_A")));
    json_object_set_new(told, "code", copy_of(json_object_get(first, "code")));
    json_object_set_new(told, "reason", copy_of(json_object_get(first, "text")));
    if (with_signature)
        json_object_set_new(told, "signature", copy_of(json_object_get(item, "signature")));
    return told;
}

static json_t *power_ups_json(const json_t *power_ups)
{
    json_t *told = json_array();
    for (size_t i = 0; i < json_array_size(power_ups); i++)
        json_array_append_new(told, power_up_json(json_array_get(power_ups, i), false));
    return told;
}

/* --- stages --- */

static json_t *stage_json(const struct record_source *source, const char *stage)
{
    json_int_t counts[3] = {0};
    static const char *const kinds[] = {"good", "bad", "unsure"};
    json_int_t all = 0;
    for (size_t i = 0; i < json_array_size(source->power_ups); i++) {
        const json_t *item = json_array_get(source->power_ups, i);
        if (strcmp(text_of(item, "stage"), stage) != 0)
            continue;
        all++;
        for (size_t k = 0; k < COUNT(kinds); k++)
            counts[k] += strcmp(verdict_of(item), kinds[k]) == 0;
    }
    return json_pack("{s:s, s:I, s:I, s:I, s:I, s:o}", "stage", stage, "power_ups", all, "good",
                     counts[0], "bad", counts[1], "unsure", counts[2], "together",
                     copy_of(json_object_get(source->together, stage)));
}

static json_t *stages_json(const struct record_source *source, const json_t *stages)
{
    json_t *told = json_array();
    for (size_t s = 0; s < json_array_size(stages); s++)
        json_array_append_new(told,
                              stage_json(source, json_string_value(json_array_get(stages, s))));
    return told;
}

/* What the last stage's power-ups say of the failure rate. */
static json_t *supports(const struct record_source *source, const json_t *after)
{
    const json_t *together = json_object_get(source->together, text_of(after, "stage"));
    const json_t *rate = json_object_get(together, "failure_rate");
    return copy_of(json_object_get(rate, "text"));
}

static json_t *not_tested(const struct record_source *source, const json_t *stages)
{
    json_t *list = texts(never_tested, COUNT(never_tested));
    for (size_t s = 0; s < json_array_size(stages); s++) {
        const char *stage = json_string_value(json_array_get(stages, s));
        if (!last_of_stage(source->power_ups, stage))
            json_array_append_new(list,
                                  json_sprintf("the draw at the stage \"%s\": no power-up", stage));
    }
    if (!source->reference)
        json_array_append_new(
            list, json_string("the draw against a reference of this type: there was none"));
    return list;
}

json_t *record_content(const struct record_source *source)
{
    static const char *const unit_keys[] = {"serial", "module_type", "revision", "set_up"};
    static const char *const order_keys[] = {
        "id",        "complaint", "customer_reference", "condition", "cells", "created_at",
        "closed_at", "outcome",   "found_cause",        "parts",     "hand",  "warranty_days"};
    json_t *stages = stages_of(source);
    const json_t *after = last_power_up(source->power_ups, stages);
    const struct {
        const char *key;
        json_t *value;
    } parts[] = {
        {"form", json_integer(FORM)},
        {"bench", json_string(source->bench)},
        {"shop", copy_of(source->shop)},
        {"written_at", json_string(source->written_at)},
        {"hand", json_string(source->hand)},
        {"simulated", json_boolean(source->simulated)},
        {"corrects", copy_of(source->corrects)},
        {"unit", copy_keys(source->unit, unit_keys, COUNT(unit_keys))},
        {"work_order", copy_keys(source->work_order, order_keys, COUNT(order_keys))},
        {"before", power_up_json(first_decided(source->power_ups), true)},
        {"after", power_up_json(after, true)},
        {"stages", stages_json(source, stages)},
        {"power_ups", power_ups_json(source->power_ups)},
        {"supports", supports(source, after)},
        {"rows", copy_of(source->rows)},
        {"method", json_string(source->method)},
        {"reference", copy_of(source->reference)},
        {"bench_check", copy_of(source->bench_check)},
        {"against_shipped", copy_of(source->against_shipped)},
        {"meter_readings", standing(json_object_get(source->work_order, "meter_readings"))},
        {"notes", standing(json_object_get(source->work_order, "notes"))},
        {"photos", standing(json_object_get(source->work_order, "photos"))},
        {"not_tested", not_tested(source, stages)},
        {"cautions", texts(cautions, COUNT(cautions))},
    };
    json_t *content = json_object();
    int failed = content ? 0 : -1;
    for (size_t i = 0; i < COUNT(parts); i++)
        failed |= json_object_set_new(content, parts[i].key, parts[i].value);
    json_decref(stages);
    if (failed == 0)
        return content;
    json_decref(content);
    return NULL;
}

bool record_may_be_written(const struct record_source *source, const char **why_not)
{
    if (text_of(source->work_order, "closed_at")[0] == '\0')
        *why_not = "close the work order first: found cause, parts, outcome and hand";
    else if (json_array_size(source->power_ups) == 0)
        *why_not = "this work order has no power-up: there is no draw to put on record";
    else
        return true;
    return false;
}
