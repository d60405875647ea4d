/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/json_fields.h"

#include "store/store_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_FEEDS = 64 };

int json_check_keys(const json_t *object, const char *what, const char *const *known,
                    struct error *error)
{
    if (!json_is_object(object))
        return error_set(error, EXIT_BAD_DATA, what, 0, "a JSON object", "found something else");
    /* The library walks only what it may change. */
    json_t *copy = json_deep_copy(object);
    if (!copy)
        return error_set(error, EXIT_SOFTWARE, what, 0, NULL, "memory is out");
    int status = 0;
    const char *key = NULL;
    json_t *value = NULL;
    json_object_foreach(copy, key, value)
    {
        const char *const *name = known;
        while (*name && strcmp(*name, key) != 0)
            name++;
        if (!*name)
            status = error_set(error, EXIT_BAD_DATA, key, 0, NULL, "is an unknown key of %s", what);
    }
    json_decref(copy);
    return status;
}

int json_text_field(const json_t *object, const char *key, bool needed, size_t most,
                    const char **text, struct error *error)
{
    const json_t *value = json_object_get(object, key);
    char expected[80];
    snprintf(expected, sizeof expected, "a text of 1 to %zu bytes", most);
    *text = "";
    if (!value || json_is_null(value))
        return needed ? error_set(error, EXIT_BAD_DATA, key, 0, expected, "is missing") : 0;
    if (!json_is_string(value))
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "is no text");
    size_t length = json_string_length(value);
    if (length > most || (needed && length == 0) || strlen(json_string_value(value)) != length)
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found %zu bytes", length);
    *text = json_string_value(value);
    return 0;
}

int json_number_field(const json_t *object, const char *key, double most, double *number,
                      struct error *error)
{
    const json_t *value = json_object_get(object, key);
    *number = NAN;
    if (!value || json_is_null(value))
        return 0;
    char expected[80];
    snprintf(expected, sizeof expected, "a number above 0, at most %g, or null", most);
    if (!json_is_number(value))
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "is no number");
    double found = json_number_value(value);
    if (!(found > 0 && found <= most))
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found %g", found);
    *number = found;
    return 0;
}

int json_list_field(const json_t *object, const char *key, bool objects_too, char **text,
                    struct error *error)
{
    const json_t *value = json_object_get(object, key);
    *text = NULL;
    if (!value || json_is_null(value))
        return 0;
    const char *expected = objects_too ? "at most 64 texts or objects" : "at most 64 texts";
    if (!json_is_array(value) || json_array_size(value) > MOST_FEEDS)
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found something else");
    for (size_t i = 0; i < json_array_size(value); i++) {
        const json_t *item = json_array_get(value, i);
        if (!json_is_string(item) && !(objects_too && json_is_object(item)))
            return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found another kind inside");
    }
    *text = json_to_text(value, error);
    return *text ? 0 : -1;
}

bool json_has(const json_t *object, const char *key)
{
    return json_object_get(object, key) != NULL;
}

const char *json_text(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}
