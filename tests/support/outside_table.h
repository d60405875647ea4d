/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Published numbers that tests compare with, kept beside them as tables: lines of
 * "set,column,value,value,...", "#" before a comment.
 */
#ifndef TESTS_SUPPORT_OUTSIDE_TABLE_H
#define TESTS_SUPPORT_OUTSIDE_TABLE_H

#include <stddef.h>

/* The values of one column. A table, set or column that is not there and a value
 * that is no number fail the test. The caller frees them. */
double *outside_column(const char *path, const char *set, const char *column, size_t *count);

#endif
