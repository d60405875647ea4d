/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/fields.h"

#include <microhttpd.h>
#include <stdio.h>
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

static bool is_text_with(const json_t *value, size_t longest, const char *allowed)
{
    if (!json_is_string(value) || json_string_length(value) > longest)
        return false;
    for (const unsigned char *at = (const unsigned char *)json_string_value(value); *at; at++)
        if ((*at < 0x20 && !strchr(allowed, *at)) || *at == 0x7F)
            return false;
    return true;
}

static bool is_text(const json_t *value, size_t longest)
{
    return is_text_with(value, longest, "");
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

static const char *or_null(const struct field *field)
{
    return field->needed ? "" : " or null";
}

static void check_text(const struct field *field, const json_t *value, struct answer *answer)
{
    const unsigned status = MHD_HTTP_UNPROCESSABLE_CONTENT;
    const char *key = field->key;
    bool lines = field->kind == FIELD_LINES;
    if (!is_text_with(value, field->longest, lines ? "\n\r\t" : ""))
        answer_problem(answer, status, key,
                       "\"%s\" must be a text of at most %zu bytes without control "
                       "characters%s%s",
                       key, field->longest, lines ? " but line ends and tabs" : "", or_null(field));
    else if (field->needed && json_string_length(value) == 0)
        answer_problem(answer, status, key, "\"%s\" must not be empty", key);
}

static void check_number(const struct field *field, const json_t *value, struct answer *answer)
{
    double number = json_number_value(value);
    bool whole = field->kind == FIELD_WHOLE;
    if ((whole ? json_is_integer(value) : json_is_number(value)) && number >= field->least &&
        number <= field->most && !(field->above_least && number <= field->least))
        return;
    answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, field->key,
                   "\"%s\" must be a %snumber %s %g and at most %g%s", field->key,
                   whole ? "whole " : "", field->above_least ? "above" : "from", field->least,
                   field->most, or_null(field));
}

static void check_choice(const struct field *field, const json_t *value, struct answer *answer)
{
    const char *text = json_string_value(value);
    char all[300] = "";
    for (const char *const *choice = field->choices; *choice; choice++) {
        if (text && strcmp(*choice, text) == 0)
            return;
        size_t length = strlen(all);
        snprintf(all + length, sizeof all - length, "%s\"%s\"", length > 0 ? ", " : "", *choice);
    }
    answer_problem(answer, MHD_HTTP_UNPROCESSABLE_CONTENT, field->key, "\"%s\" must be one of %s%s",
                   field->key, all, or_null(field));
}

/* Makes the answer, 422, where the value does not fit. */
static bool check_value(const struct field *field, const json_t *value, struct answer *answer)
{
    const unsigned status = MHD_HTTP_UNPROCESSABLE_CONTENT;
    const char *key = field->key;
    if (json_is_null(value) && !field->needed)
        return true;
    switch (field->kind) {
    case FIELD_TEXT:
    case FIELD_LINES:
        check_text(field, value, answer);
        break;
    case FIELD_NUMBER:
    case FIELD_WHOLE:
        check_number(field, value, answer);
        break;
    case FIELD_CHOICE:
        check_choice(field, value, answer);
        break;
    case FIELD_SWITCH:
        if (!json_is_boolean(value))
            answer_problem(answer, status, key, "\"%s\" must be true or false%s", key,
                           or_null(field));
        break;
    case FIELD_TEXTS:
        if (!is_texts(value, field->longest))
            answer_problem(answer, status, key,
                           "\"%s\" must be an array of at most %d texts of at most %zu bytes%s",
                           key, MOST_TEXTS, field->longest, or_null(field));
        break;
    case FIELD_ANY:
        break;
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
