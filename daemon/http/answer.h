/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a request is answered with, before it becomes bytes; errors as problem
 * documents (RFC 9457).
 */
#ifndef WAKEDRAW_HTTP_ANSWER_H
#define WAKEDRAW_HTTP_ANSWER_H

#include "base/error.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* How JSON is written: with the library's 17 digits, so that a verdict's numbers
 * are the same in an event, in the store and here. */
#define ANSWER_JSON_FORM (JSON_COMPACT | JSON_PRESERVE_ORDER)

#define ANSWER_JSON "application/json"
#define ANSWER_PROBLEM "application/problem+json"

enum { ALLOW_ROOM = 48 };

struct answer {
    unsigned status;          /* 0: not answered yet */
    const char *content_type; /* static text */
    char *body;               /* malloc'd; may be NULL where length is 0 */
    size_t length;
    unsigned retry_after_s; /* 0: none */
    bool wants_code;        /* says that a Bearer code is needed */
    char allow[ALLOW_ROOM]; /* of a 405 */
    char location[160];     /* of a 201 */
    char file_name[64];     /* to be saved under; empty: shown */
    char entity_tag[72];    /* quoted; it never changes, and may be kept: empty: not so */
};

void answer_clear(struct answer *answer);

/* Takes over `value` (NULL: memory is out, which becomes a 500). */
void answer_json(struct answer *answer, unsigned status, json_t *value);

/* Takes over malloc'd text. */
void answer_text(struct answer *answer, const char *content_type, char *text, size_t length);

/* `field` names the key or parameter at fault; NULL: none. */
void answer_problem(struct answer *answer, unsigned status, const char *field, const char *detail,
                    ...) __attribute__((format(printf, 4, 5)));

/* An error from the rooms above the wire: bad data 422, not there 404, not to
 * be had 503, else 500. */
void answer_error(struct answer *answer, const struct error *error);
/* The same of a change: where the disk does not take it, 507 (RFC 4918, 11.5);
 * where it cannot be as things stand (EXIT_USAGE), 409. */
void answer_unchanged(struct answer *answer, const struct error *error);

#endif
