/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The path and the parameters of a request, decoded and bounded. Pure.
 */
#ifndef WAKEDRAW_HTTP_PATH_H
#define WAKEDRAW_HTTP_PATH_H

#include <stddef.h>

enum {
    PATH_LONGEST = 2048,
    PATH_MOST_SEGMENTS = 8,
    PATH_MOST_PARAMETERS = 12,
};

struct path {
    size_t count;
    const char *segments[PATH_MOST_SEGMENTS]; /* decoded; "/" has none */
    size_t parameter_count;
    const char *keys[PATH_MOST_PARAMETERS]; /* decoded */
    const char *values[PATH_MOST_PARAMETERS];
    char text[PATH_LONGEST + 1]; /* where they stand */
};

enum path_result {
    PATH_OK,
    PATH_TOO_LONG,
    PATH_MALFORMED, /* not from "/", a bad escape, a control character, not UTF-8 */
    PATH_TOO_MANY,  /* segments or parameters */
};

/* Splits a request target ("/a/b%20c?limit=5") and then decodes its parts, so
 * that an escaped slash stays inside its segment. Empty segments are kept. */
enum path_result path_read(const char *target, struct path *path);

/* The value of a parameter, or NULL. */
const char *path_parameter(const struct path *path, const char *key);

#endif
