/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Numbers as text, in the C locale whatever the process's locale is (a comma
 * locale makes strtod read 12 from "12.345").
 */
#ifndef WAKEDRAW_BASE_NUMBER_H
#define WAKEDRAW_BASE_NUMBER_H

#include <stdbool.h>
#include <stddef.h>

/* The number at the start of text, and in *end (may be NULL) what follows it.
 * Returns false, leaving *number alone, where there is none. Reads decimal and
 * exponent forms; not hexadecimal, "inf" or "nan". */
bool number_parse(const char *text, double *number, const char **end);

/* The whole of text, blanks around it allowed, is one number. */
bool number_parse_whole(const char *text, double *number);

/* Shortest decimal text that reads back as the same double ("0.25", "1e-07");
 * "" for not-a-number. Returns text. */
char *number_print(double number, char text[32]);

#endif
