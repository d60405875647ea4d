/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Whole files as text.
 */
#ifndef WAKEDRAW_BASE_TEXT_FILE_H
#define WAKEDRAW_BASE_TEXT_FILE_H

#include "base/error.h"

#include <stddef.h>

/* The whole file, a zero byte behind it; malloc'd. NULL with the error filled:
 * EXIT_NO_INPUT (cannot be opened), EXIT_IO, EXIT_SOFTWARE. */
char *text_file_read(const char *path, size_t *length, struct error *error);

/* Writes to a neighbour, syncs it and renames it over `path`: the old content
 * or the new, never half. -1 with the error filled (EXIT_IO). */
int text_file_write(const char *path, const char *text, size_t length, struct error *error);

#endif
