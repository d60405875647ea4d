/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Published data sets that are not copied into the project. They are looked for
 * in ../shared/outside, or where the environment's OUTSIDE_DATA says; a test
 * that does not find its file skips itself.
 */
#ifndef TESTS_SUPPORT_OUTSIDE_FILE_H
#define TESTS_SUPPORT_OUTSIDE_FILE_H

#include <stddef.h>

/* The numbers from line `first_line` (from 1; 0: behind the first line of
 * dashes) to the file's end, row after row: *columns of them in the first row. NULL where the file
 * is not there; a file that is there and cannot be read fails the test. The caller frees them. */
double *outside_numbers(const char *name, int first_line, size_t *count, size_t *columns);

#endif
