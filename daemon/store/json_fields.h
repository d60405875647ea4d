/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Fields of a JSON object that is to be kept; an error's file is the field's
 * name, its status EXIT_BAD_DATA. Pure.
 */
#ifndef WAKEDRAW_STORE_JSON_FIELDS_H
#define WAKEDRAW_STORE_JSON_FIELDS_H

#include "base/error.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum { LONGEST_NAME = 127, LONGEST_STAGE = 63, LONGEST_TEXT = 4000 };

/* It is an object and has no other keys than `known` (up to a NULL). */
int json_check_keys(const json_t *object, const char *what, const char *const *known,
                    struct error *error);

/* A text of at most `most` bytes; "" where the field is missing or null. */
int json_text_field(const json_t *object, const char *key, bool needed, size_t most,
                    const char **text, struct error *error);

/* Above 0; not-a-number where the field is missing or null. */
int json_number_field(const json_t *object, const char *key, double most, double *number,
                      struct error *error);

/* An array of texts or objects, as malloc'd text; NULL where the field is missing. */
int json_list_field(const json_t *object, const char *key, bool objects_too, char **text,
                    struct error *error);

bool json_has(const json_t *object, const char *key);

/* The text of a key that has been checked; "" where it is null or missing. */
const char *json_text(const json_t *object, const char *key);

#endif
