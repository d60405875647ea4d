/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The file's scalar fields as tables: key, place in the struct, kind, bounds.
 * Printing and parsing both go by them, so they cannot drift apart.
 */
#ifndef WAKEDRAW_REFERENCE_REFERENCE_FIELDS_H
#define WAKEDRAW_REFERENCE_REFERENCE_FIELDS_H

#include "base/error.h"

#include <jansson.h>
#include <stddef.h>

enum field_kind {
    FIELD_TEXT,             /* char *, malloc'd */
    FIELD_TEXT_OR_NULL,     /* char *, NULL allowed */
    FIELD_TEXT_64,          /* char[64] */
    FIELD_NUMBER,           /* double, finite */
    FIELD_NUMBER_OR_NULL,   /* double, NAN is null */
    FIELD_NUMBER_OR_ABSENT, /* double, 0 where a file of an older minor lacks it */
    FIELD_COUNT,            /* int */
    FIELD_SWITCH,           /* bool */
    FIELD_SWITCH_OR_ABSENT, /* bool, false where a file of an older minor lacks it */
    FIELD_FEEDS_OR_ABSENT,  /* struct texts, null where empty; an older file may lack it */
};

struct field {
    const char *key;
    enum field_kind kind;
    size_t offset;
    double low, high; /* of numbers and counts */
};

struct field_table {
    const struct field *fields;
    size_t count;
};

#define FIELD_TABLE(array)                                                                         \
    {                                                                                              \
        (array), sizeof(array) / sizeof *(array)                                                   \
    }

extern const struct field_table reference_fields, reference_supply_fields, reference_spread_fields,
    reference_final_fields, reference_unit_fields, reference_phase_fields;

/* Adds the table's fields of *item to object. -1: memory is out. */
int fields_print(const struct field_table *table, const void *item, json_t *object);

/* Reads the table's fields into *item (texts there must be NULL or ours).
 * `place` names the object in errors ("phases[2]"; "" for the whole). */
int fields_parse(const struct field_table *table, const json_t *object, void *item,
                 const char *name, const char *place, struct error *error);

/* Error texts for one value: "phases[2].level_A: found text, expected ...". */
int field_error(struct error *error, const char *name, const char *place, const char *key,
                const json_t *found, const char *expected);

#endif
