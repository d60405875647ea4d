/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A directory of a test's own, gone with the test.
 */
#ifndef WAKEDRAW_TESTS_SUPPORT_SCRATCH_H
#define WAKEDRAW_TESTS_SUPPORT_SCRATCH_H

#include <stddef.h>

/* Makes a new directory and writes its path; asserts that it could. */
void scratch_make(char *path, size_t size);

/* Removes it with all that is in it. */
void scratch_remove(const char *path);

/* Writes a file of this content into it; its path in `file`. */
void scratch_write(const char *path, const char *name, const void *content, size_t length,
                   char *file, size_t size);

#endif
