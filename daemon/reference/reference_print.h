/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WAKEDRAW_REFERENCE_REFERENCE_PRINT_H
#define WAKEDRAW_REFERENCE_REFERENCE_PRINT_H

#include "reference/reference.h"

#define REFERENCE_FORMAT "wakedraw reference"
enum { REFERENCE_MAJOR = 1, REFERENCE_MINOR = 0 };

/* reference_print with numbers of so many significant digits (0: exact). */
char *reference_print_rounded(const struct reference *reference, int digits);

#endif
