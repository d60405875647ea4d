/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Records as links of a chain: each carries the SHA-256 (FIPS 180-4, by GnuTLS)
 * over its predecessor's and its own content, so that a record changed, left out
 * or put in later no longer fits. What the chain cannot show is that its end was
 * cut off; a printed record, which carries its number and hash, can. Pure.
 */
#ifndef WAKEDRAW_RECORD_RECORD_CHAIN_H
#define WAKEDRAW_RECORD_RECORD_CHAIN_H

#include "base/error.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

/* A hash in lower-case hexadecimal, with its zero byte. */
enum { RECORD_HASH_ROOM = 65 };

/* The form a content is hashed in: keys sorted, no blanks, UTF-8, reals with 17
 * digits, which is every double told from every other. malloc'd; NULL: memory is
 * out, or a value that JSON does not have. */
char *record_canonical(const json_t *content);

/* Over `previous`, a line's end and `content`; the first record's previous is
 * the empty text. -1: the library failed. */
int record_hash(const char *previous, const char *content, char hash[RECORD_HASH_ROOM]);

struct record_link {
    int64_t number; /* from 1, without a gap */
    const char *content, *previous_hash, *hash;
};

/* Where a check stands. All zero: nothing has been seen. */
struct record_chain {
    int64_t last_number;
    char last_hash[RECORD_HASH_ROOM];
    bool begun;
};

/* Takes the next link. The first may have any number, so that a part of a chain
 * can be checked; only number 1 has no predecessor. -1: what does not fit, with
 * EXIT_BAD_DATA and "record N" as the error's file. */
int record_chain_take(struct record_chain *chain, const struct record_link *link,
                      struct error *error);

#endif
