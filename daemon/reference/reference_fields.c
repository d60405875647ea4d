/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/reference_fields.h"

#include "reference/reference_model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define R(member) offsetof(struct reference, member)
#define S(member) offsetof(struct spread, member)
#define P(member) offsetof(struct reference_phase, member)
#define A(member) offsetof(struct accuracy, member)

static const struct field whole[] = {
    {"module_type", FIELD_TEXT, R(module_type), 0, 0},
    {"feeds", FIELD_FEEDS_OR_ABSENT, R(conditions.feeds), 0, 0},
    {"revision", FIELD_TEXT_OR_NULL, R(conditions.revision), 0, 0},
    {"set_up", FIELD_TEXT_OR_NULL, R(conditions.set_up), 0, 0},
    {"version", FIELD_COUNT, R(version), 1, 1e9},
    {"watch_s", FIELD_NUMBER, R(watch_s), 0.01, 86400},
    {"nominal_voltage_V", FIELD_NUMBER_OR_NULL, R(nominal_voltage_V), 0, 1000},
    {"compared_at_V", FIELD_NUMBER_OR_NULL, R(compared_at_V), 0, 1000},
    {"voltage_low_V", FIELD_NUMBER_OR_NULL, R(voltage_low_V), 0, 1000},
    {"voltage_high_V", FIELD_NUMBER_OR_NULL, R(voltage_high_V), 0, 1000},
    {"smallest_level_fault", FIELD_NUMBER, R(smallest_level_fault), 1e-4, 1},
    {"smallest_duration_fault", FIELD_NUMBER, R(smallest_duration_fault), 1.001, 100},
    {"baseline_A", FIELD_NUMBER_OR_NULL, R(baseline_A), -1000, 1000},
    {"baseline_high_A", FIELD_NUMBER_OR_NULL, R(baseline_high_A), -1000, 1000},
    {"limited_s", FIELD_NUMBER, R(limited_s), 0, 86400},
    {"sleeps", FIELD_SWITCH_OR_ABSENT, R(sleeps), 0, 0},
    {"range_weight", FIELD_NUMBER_OR_ABSENT, R(range_weight), 0, 100},
};

static const struct field supply[] = {
    {"profile", FIELD_TEXT_64, R(accuracy) + A(profile), 0, 0},
    {"current_resolution_A", FIELD_NUMBER, R(accuracy) + A(current_resolution_A), 0, 100},
    {"current_gain", FIELD_NUMBER, R(accuracy) + A(current_gain), 0, 1},
    {"current_offset_A", FIELD_NUMBER, R(accuracy) + A(current_offset_A), 0, 100},
    {"voltage_resolution_V", FIELD_NUMBER, R(accuracy) + A(voltage_resolution_V), 0, 100},
    {"voltage_gain", FIELD_NUMBER, R(accuracy) + A(voltage_gain), 0, 1},
    {"voltage_offset_V", FIELD_NUMBER, R(accuracy) + A(voltage_offset_V), 0, 100},
    {"reading_interval_s", FIELD_NUMBER_OR_NULL, R(reading_interval_s), 1e-6, 3600},
    {"refresh_s", FIELD_NUMBER, R(refresh_s), 0, 3600},
};

static const struct field spread[] = {
    {"between", FIELD_NUMBER_OR_NULL, S(between), 0, 10},
    {"between_df", FIELD_NUMBER, S(between_df), 0, 1e6},
    {"within", FIELD_NUMBER_OR_NULL, S(within), 0, 10},
    {"within_df", FIELD_NUMBER, S(within_df), 0, 1e6},
    {"prior_between", FIELD_NUMBER, S(prior_between), 0, 10},
    {"prior_within", FIELD_NUMBER, S(prior_within), 0, 10},
    {"prior_df", FIELD_NUMBER, S(prior_df), 0, 1e6},
    {"prior_assumed", FIELD_SWITCH, S(prior_assumed), 0, 0},
    {"predictive", FIELD_NUMBER, S(predictive), 0, 10},
    {"predictive_df", FIELD_NUMBER, S(predictive_df), 0, 1e6},
};

static const struct field final[] = {
    {"expected_A", FIELD_NUMBER, R(final_expected_A), -1000, 1000},
    {"low_A", FIELD_NUMBER, R(final_low_A), -1000, 1000},
    {"high_A", FIELD_NUMBER, R(final_high_A), -1000, 1000},
};

static const struct field unit[] = {
    {"unit", FIELD_TEXT, offsetof(struct reference_unit, unit), 0, 0},
    {"power_ups", FIELD_COUNT, offsetof(struct reference_unit, power_ups), 1, 1e6},
    {"trusted_because", FIELD_TEXT_OR_NULL, offsetof(struct reference_unit, trusted_because), 0, 0},
};

static const struct field phase[] = {
    {"noise_A", FIELD_NUMBER, P(noise_A), 0, 1000},
    {"spread_A", FIELD_NUMBER, P(spread_A), 0, 1000},
    {"longest_above_s", FIELD_NUMBER_OR_ABSENT, P(longest_above_s), 0, 86400},
    {"longest_below_s", FIELD_NUMBER_OR_ABSENT, P(longest_below_s), 0, 86400},
    {"repeat_u", FIELD_NUMBER_OR_ABSENT, P(repeat_u), 0, 1e6},
    {"pulse_low_A", FIELD_NUMBER_OR_ABSENT, P(pulse_low_A), -1000, 1000},
    {"pulse_high_A", FIELD_NUMBER_OR_ABSENT, P(pulse_high_A), -1000, 1000},
    {"paced", FIELD_SWITCH_OR_ABSENT, P(paced), 0, 0},
    {"uncertainty", FIELD_NUMBER, P(uncertainty), 0, 1e6},
    {"exponent", FIELD_NUMBER, P(exponent), -10, 10},
    {"exponent_u", FIELD_NUMBER, P(exponent_u), 0, 10},
    {"period_s", FIELD_NUMBER_OR_NULL, P(period_s), 0, 86400},
};

const struct field_table reference_fields = FIELD_TABLE(whole);
const struct field_table reference_supply_fields = FIELD_TABLE(supply);
const struct field_table reference_spread_fields = FIELD_TABLE(spread);
const struct field_table reference_final_fields = FIELD_TABLE(final);
const struct field_table reference_unit_fields = FIELD_TABLE(unit);
const struct field_table reference_phase_fields = FIELD_TABLE(phase);

static json_t *text_or_null(const char *text)
{
    return text ? json_string(text) : json_null();
}

static json_t *texts_or_null(const struct texts *texts)
{
    if (texts->count == 0)
        return json_null();
    json_t *array = json_array();
    for (size_t i = 0; i < texts->count; i++)
        json_array_append_new(array, json_string(texts->items[i]));
    return array;
}

int fields_print(const struct field_table *table, const void *item, json_t *object)
{
    for (size_t i = 0; i < table->count; i++) {
        const struct field *field = &table->fields[i];
        const char *at = (const char *)item + field->offset;
        json_t *value = NULL;
        switch (field->kind) {
        case FIELD_TEXT:
        case FIELD_TEXT_OR_NULL:
            value = text_or_null(*(char *const *)(const void *)at);
            break;
        case FIELD_TEXT_64:
            value = json_string(at);
            break;
        case FIELD_NUMBER:
        case FIELD_NUMBER_OR_ABSENT:
        case FIELD_NUMBER_OR_NULL: {
            double number = *(const double *)(const void *)at;
            value = isnan(number) ? json_null() : json_real(number);
            break;
        }
        case FIELD_COUNT:
            value = json_integer(*(const int *)(const void *)at);
            break;
        case FIELD_SWITCH:
        case FIELD_SWITCH_OR_ABSENT:
            value = json_boolean(*(const bool *)(const void *)at);
            break;
        case FIELD_FEEDS_OR_ABSENT:
            value = texts_or_null((const struct texts *)(const void *)at);
            break;
        }
        if (json_object_set_new(object, field->key, value) != 0)
            return -1;
    }
    return 0;
}

static const char *kind_found(const json_t *found, char text[80])
{
    if (!found)
        return "nothing";
    if (json_is_string(found))
        snprintf(text, 80, "\"%.40s\"", json_string_value(found));
    else if (json_is_number(found))
        snprintf(text, 80, "%.9g", json_number_value(found));
    else
        snprintf(text, 80, "%s",
                 json_is_object(found)  ? "an object"
                 : json_is_array(found) ? "an array"
                 : json_is_null(found)  ? "null"
                                        : "true or false");
    return text;
}

int field_error(struct error *error, const char *name, const char *place, const char *key,
                const json_t *found, const char *expected)
{
    char text[80];
    return error_set(error, EXIT_BAD_DATA, name, 0, expected, "%s%s%s: found %s", place,
                     place[0] && key[0] ? "." : "", key, kind_found(found, text));
}

static int parse_text(const struct field *field, const json_t *value, char *at)
{
    if (field->kind == FIELD_TEXT_64) {
        if (!json_is_string(value) || json_string_length(value) > 63)
            return -1;
        snprintf(at, 64, "%s", json_string_value(value));
        return 0;
    }
    char **text = (char **)(void *)at;
    if (json_is_null(value) && field->kind == FIELD_TEXT_OR_NULL)
        return 0;
    if (!json_is_string(value) || json_string_length(value) > 500)
        return -1;
    if (field->kind == FIELD_TEXT && json_string_length(value) == 0)
        return -1;
    free(*text);
    *text = strdup(json_string_value(value));
    return *text ? 0 : -1;
}

static int parse_feeds(const json_t *value, char *at)
{
    struct texts *feeds = (struct texts *)(void *)at;
    size_t count = json_array_size(value);
    texts_clear(feeds);
    if (!value || json_is_null(value))
        return 0;
    if (!json_is_array(value) || count < 1 || count > FEEDS_MOST)
        return -1;
    for (size_t i = 0; i < count; i++) {
        const json_t *feed = json_array_get(value, i);
        size_t length = json_string_length(feed);
        if (!json_is_string(feed) || length < 1 || length > FEED_LONGEST ||
            texts_add(feeds, json_string_value(feed), length) != 0)
            return -1;
    }
    return 0;
}

static int parse_number(const struct field *field, const json_t *value, char *at)
{
    if (field->kind == FIELD_NUMBER_OR_NULL && json_is_null(value)) {
        *(double *)(void *)at = NAN;
        return 0;
    }
    if (!json_is_number(value))
        return -1;
    double number = json_number_value(value);
    if (!(number >= field->low && number <= field->high))
        return -1;
    if (field->kind == FIELD_COUNT) {
        if (!json_is_integer(value))
            return -1;
        *(int *)(void *)at = (int)number;
        return 0;
    }
    *(double *)(void *)at = number;
    return 0;
}

static const char *expectation(const struct field *field, char text[100])
{
    switch (field->kind) {
    case FIELD_TEXT:
        return "text";
    case FIELD_TEXT_OR_NULL:
        return "text or null";
    case FIELD_TEXT_64:
        return "text of at most 63 bytes";
    case FIELD_SWITCH:
    case FIELD_SWITCH_OR_ABSENT:
        return "true or false";
    case FIELD_FEEDS_OR_ABSENT:
        return "1 to 16 texts of 1 to 127 bytes, or null";
    case FIELD_NUMBER:
    case FIELD_NUMBER_OR_ABSENT:
    case FIELD_NUMBER_OR_NULL:
    case FIELD_COUNT:
        break;
    }
    snprintf(text, 100, "%s from %g to %g%s",
             field->kind == FIELD_COUNT ? "a whole number" : "a number", field->low, field->high,
             field->kind == FIELD_NUMBER_OR_NULL ? ", or null" : "");
    return text;
}

int fields_parse(const struct field_table *table, const json_t *object, void *item,
                 const char *name, const char *place, struct error *error)
{
    if (!json_is_object(object))
        return field_error(error, name, place, "", object, "an object");
    for (size_t i = 0; i < table->count; i++) {
        const struct field *field = &table->fields[i];
        char *at = (char *)item + field->offset;
        const json_t *value = json_object_get(object, field->key);
        int status = -1;
        if (!value && field->kind == FIELD_NUMBER_OR_ABSENT) {
            *(double *)(void *)at = 0;
            continue;
        }
        if (!value && field->kind == FIELD_SWITCH_OR_ABSENT)
            continue;
        if (field->kind == FIELD_FEEDS_OR_ABSENT) {
            if (parse_feeds(value, at) != 0)
                return field_error(error, name, place, field->key, value, expectation(field, NULL));
            continue;
        }
        bool is_switch = field->kind == FIELD_SWITCH || field->kind == FIELD_SWITCH_OR_ABSENT;
        if (value && field->kind <= FIELD_TEXT_64)
            status = parse_text(field, value, at);
        else if (value && is_switch && json_is_boolean(value)) {
            *(bool *)(void *)at = json_is_true(value);
            status = 0;
        } else if (value && !is_switch)
            status = parse_number(field, value, at);
        if (status != 0) {
            char expected[100];
            return field_error(error, name, place, field->key, value, expectation(field, expected));
        }
    }
    return 0;
}
