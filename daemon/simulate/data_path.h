/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Where the files that come with wakedraw lie.
 */
#ifndef WAKEDRAW_SIMULATE_DATA_PATH_H
#define WAKEDRAW_SIMULATE_DATA_PATH_H

#include <stdbool.h>
#include <stddef.h>

/* NAME.ini is looked for in the directory that the environment's `variable`
 * names, in `source` of the tree that the executable was built in, and in
 * ../share/wakedraw/`installed`. */
struct data_kind {
    const char *variable, *source, *installed;
};

/* A text with a slash or ending in .ini is itself the path. -1: nowhere. */
int data_path(const struct data_kind *kind, const char *name_or_path, char path[512]);

/* The names there are, in order, joined by ", ", as many as fit; returns text. */
char *data_names(const struct data_kind *kind, char *text, size_t size);

#endif
