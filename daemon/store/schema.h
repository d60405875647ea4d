/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The shape of the store's file and its history. A migration is never changed
 * once it has left the house; a later one adds.
 */
#ifndef WAKEDRAW_STORE_SCHEMA_H
#define WAKEDRAW_STORE_SCHEMA_H

#include "store/database.h"

#include <stddef.h>

/* In the file's header (PRAGMA application_id): "WkDr". */
#define SCHEMA_APPLICATION_ID 0x576B4472

struct schema {
    const char *const *migrations; /* SQL; number i brings version i to i + 1 */
    int count;
};

extern const struct schema store_schema;

/* Brings an empty or older file up to date in one transaction; a file of
 * another program or a newer version is refused, untouched. */
int schema_bring_up(struct database *database, const struct schema *schema, struct error *error);

/* For readers: the file is ours and of this very version. */
int schema_check(struct database *database, const struct schema *schema, struct error *error);

/* quick_check: -1 with what it found, where it found anything. */
int schema_quick_check(struct database *database, struct error *error);

#endif
