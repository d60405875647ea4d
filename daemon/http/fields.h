/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * JSON bodies, bounded and checked key by key. Pure.
 */
#ifndef WAKEDRAW_HTTP_FIELDS_H
#define WAKEDRAW_HTTP_FIELDS_H

#include "http/answer.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum { FIELDS_DEEPEST = 32 };

enum field_kind {
    FIELD_TEXT,   /* UTF-8 without control characters, longest bytes at most */
    FIELD_NUMBER, /* least..most */
    FIELD_SWITCH, /* true or false */
    FIELD_TEXTS,  /* an array of at most 32 such texts */
    FIELD_LINES,  /* a text that may have line ends and tabs */
    FIELD_WHOLE,  /* a whole number, least..most */
    FIELD_CHOICE, /* one of choices */
    FIELD_ANY,    /* looked at by the caller */
};

struct field {
    const char *key;
    size_t longest;
    double least, most;
    enum field_kind kind;
    bool needed;      /* there, and neither null nor empty; else null or left out is welcome */
    bool above_least; /* least itself is not allowed */
    const char *const *choices; /* up to a NULL */
};

/* The object in a body of JSON; NULL with the answer made: 400 where it is not
 * JSON or nested deeper than FIELDS_DEEPEST, 422 naming the key where one is
 * unknown, missing or wrong. */
json_t *fields_read(const char *body, size_t length, const struct field *fields, size_t count,
                    struct answer *answer);

/* How deep arrays and objects nest in a JSON text, whether it is right or not. */
size_t fields_depth(const char *text, size_t length);

/* The text of a key; "" where it is null or absent. */
const char *fields_text(const json_t *object, const char *key);

#endif
