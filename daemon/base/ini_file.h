/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * INI files (configuration, profiles, simulated modules) through libinih, with
 * what it leaves out: the line number of every pair, and an error where a line
 * is too long to be read whole.
 */
#ifndef WAKEDRAW_BASE_INI_FILE_H
#define WAKEDRAW_BASE_INI_FILE_H

#include "base/error.h"

#include <stdbool.h>

struct ini_pair {
    const char *file;
    long line;
    const char *section; /* "supply front" for [supply front]; "" before the first */
    const char *key;     /* "" for a section that has no pair: handed over once, with its line */
    const char *value;
};

/* Called once a pair, in order. Returns 0, or -1 with the error filled. The
 * strings live only as long as the call. */
typedef int ini_pair_handler(void *context, const struct ini_pair *pair, struct error *error);

/* Reads the file and hands over its pairs; stops at the first error. Returns
 * 0, or -1 with the error filled: EXIT_NO_INPUT where it cannot be opened,
 * EXIT_BAD_DATA with the line for a line that is neither a comment, a section
 * nor KEY = VALUE, is longer than 1000 bytes, holds a zero byte or a section name
 * longer than 49 bytes, or that the handler refused. */
int ini_file_read(const char *path, ini_pair_handler *handler, void *context, struct error *error);

/* The whole value as a number within [low, high], in the C locale whatever the
 * process's; -1 with the error filled where it is not. `unit` is named in the
 * error ("A", "readings/s", ""). */
int ini_number(const struct ini_pair *pair, double low, double high, const char *unit,
               double *number, struct error *error);

/* on, yes, true, 1 or off, no, false, 0. */
int ini_switch(const struct ini_pair *pair, bool *value, struct error *error);

#endif
