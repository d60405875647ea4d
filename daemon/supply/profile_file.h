/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Reading a profile's file: the keys (profile.c), their values (profile_values.c)
 * and what has to stand together (profile_check.c). Private to these.
 */
#ifndef WAKEDRAW_SUPPLY_PROFILE_FILE_H
#define WAKEDRAW_SUPPLY_PROFILE_FILE_H

#include "base/ini_file.h"
#include "supply/profile_content.h"

#include <stddef.h>

enum value_kind {
    VALUE_TEXT,     /* char[160] */
    VALUE_QUERY,    /* char[120], asks */
    VALUE_COMMAND,  /* char[120], tells */
    VALUE_NUMBER,   /* double */
    VALUE_WHOLE,    /* int */
    VALUE_ACCURACY, /* two doubles: gain, offset */
    VALUE_QUANTITY, /* struct register_quantity */
    VALUE_FLAG,     /* struct register_flag */
    VALUE_STATES,   /* struct register_flag's values */
    VALUE_PAIR,     /* int[2] */
    VALUE_WORD,     /* struct register_word */
    VALUE_BIT,      /* struct state_bit */
    VALUE_REPLY,    /* bool: byte */
    VALUE_ARRAY,    /* char[120], asks, {count} allowed */
    VALUE_FORM,     /* enum array_form, and array_little */
    VALUE_SPEAKS,
    VALUE_END, /* enum line_end */
};

struct key {
    const char *section, *name;
    enum value_kind kind;
    size_t offset;
    double low, high;
    const char *unit; /* of a number; what has to stand in a message */
};

enum { MOST_KEYS = 96 };

struct loading {
    struct profile *profile;
    long line_of[MOST_KEYS]; /* 0: not met */
    long first_modbus, first_scpi;
};

/* The line that the key stood in; 0: it was not met. */
long profile_line_of(const struct loading *loading, const char *section, const char *name);

/* Takes one value to where its key wants it. -1 with the error filled. */
int profile_read_value(const struct ini_pair *pair, const struct key *key, struct profile *profile,
                       struct error *error);

/* All keys are read: is everything there that has to be, and does it go together?
 * Fills in what follows from the rest. */
int profile_check(const struct loading *loading, struct error *error);

#endif
