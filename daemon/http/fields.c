/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/fields.h"

#include <microhttpd.h>
#include <string.h>

enum { MOST_TEXTS = 32 };

size_t fields_depth(const char *text, size_t length)
{
    size_t depth = 0;
    size_t deepest = 0;
    bool in_string = false;
    for (size_t i = 0; i < length; i++) {
        if (in_string) {
            if (text[i] == '\\')
                i++;
            else if (text[i] == '"')
                in_string = false;
        } else if (text[i] == '"') {
            in_string = true;
        } else if (text[i] == '[' || text[i] == '{') {
            depth++;
            if (depth > deepest)
                deepest = depth;
        } else if ((text[i] == ']' || text[i] == '}') && depth > 0) {
            depth--;
        }
    }
    return deepest;
}

static const struct field *find(const struct field *fields, size_t count, const char *key)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(fields[i].key, key) == 0)
            return &fields[i];
    return NULL;
}

static bool is_text(const json_t *value, size_t longest)
{
    if (!json_is_string(value) || json_string_length(value) > longest)
        return false;
    for (const unsigned char *at = (const unsigned char *)json_string_value(value); *at; at++)
        if (*at < 0x20 || *at == 0x7F)
            return false;
    return true;
}

static bool is_texts(const json_t *value, size_t longest)
{
    size_t index;
    json_t *text;
    if (!json_is_array(value) || json_array_size(value) > MOST_TEXTS)
        return false;
    json_array_foreach(value, index, text) if (!is_text(text, longest)) return false;
    return true;
}

/* Makes the answer, 422, where the value does not fit. */
static bool check_value(const struct field *field, const json_t *value, struct answer *answer)
{
    const unsigned status = MHD_HTTP_UNPROCESSABLE_CONTENT;
    const char *key = field->key;
    const char *or_null = field->needed ? "" : " or null";
    if (field->kind == FIELD_ANY || (json_is_null(value) && !field->needed))
        return true;
    if (field->kind == FIELD_TEXT) {
        if (!is_text(value, field->longest))
            answer_problem(answer, status, key,
                           "\"%s\" must be a text of at most %zu bytes without control "
                           "characters%s",
                           key, field->longest, or_null);
        else if (field->needed && json_string_length(value) == 0)
            answer_problem(answer, status, key, "\"%s\" must not be empty", key);
    } else if (field->kind == FIELD_NUMBER) {
        double number = json_number_value(value);
        if (!json_is_number(value) || number < field->least || number > field->most ||
            (field->above_least && number <= field->least))
            answer_problem(answer, status, key, "\"%s\" must be a number %s %g and at most %g%s",
                           key, field->above_least ? "above" : "from", field->least, field->most,
                           or_null);
    } else if (field->kind == FIELD_SWITCH) {
        if (!json_is_boolean(value))
            answer_problem(answer, status, key, "\"%s\" must be true or false%s", key, or_null);
    } else if (!is_texts(value, field->longest)) {
        answer_problem(answer, status, key,
                       "\"%s\" must be an array of at most %d texts of at most %zu bytes%s", key,
                       MOST_TEXTS, field->longest, or_null);
    }
    return answer->status == 0;
}

static bool check_object(json_t *object, const struct field *fields, size_t count,
                         struct answer *answer)
{
    const char *key;
    json_t *value;
    json_object_foreach(object, key, value)
    {
        const struct field *field = find(fields, count, key);
        if (!field) {
            answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, key, "unknown key \"%.100s\"",
                           key);
            return false;
        }
        if (!check_value(field, value, answer))
            return false;
    }
    for (size_t i = 0; i < count; i++)
        if (fields[i].needed && !json_object_get(object, fields[i].key)) {
            answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, fields[i].key,
                           "\"%s\" is missing", fields[i].key);
            return false;
        }
    return true;
}

json_t *fields_read(const char *body, size_t length, const struct field *fields, size_t count,
                    struct answer *answer)
{
    if (fields_depth(body, length) > FIELDS_DEEPEST) {
        answer_problem(answer, MHD_HTTP_BAD_REQUEST, NULL, "JSON nested deeper than %d levels",
                       FIELDS_DEEPEST);
        return NULL;
    }
    json_error_t why;
    json_t *object = json_loadb(length > 0 ? body : "", length, JSON_REJECT_DUPLICATES, &why);
    if (!object) {
        answer_problem(answer, MHD_HTTP_BAD_REQUEST, NULL, "not JSON: line %d, column %d: %s",
                       why.line, why.column, why.text);
        return NULL;
    }
    if (!json_is_object(object)) {
        answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, NULL,
                       "the body must be one JSON object");
    } else if (check_object(object, fields, count, answer)) {
        return object;
    }
    json_decref(object);
    return NULL;
}

const char *fields_text(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}
