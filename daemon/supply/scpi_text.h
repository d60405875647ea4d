/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The text side of SCPI-1999 and IEEE 488.2: messages and replies as strings,
 * nothing read or sent. Numbers are read in the C locale.
 */
#ifndef WAKEDRAW_SUPPLY_SCPI_TEXT_H
#define WAKEDRAW_SUPPLY_SCPI_TEXT_H

#include <stdbool.h>
#include <stddef.h>

/* What a field of a reply turned out to be. SCPI-1999 stands for infinity by
 * 9.9E37 (either sign) and for not-a-number by 9.91E37. */
enum scpi_field { SCPI_NUMBER, SCPI_INFINITE, SCPI_NAN, SCPI_NO_NUMBER };

/* Past the echoed words of the query, if they stand in front of the field. */
const char *scpi_text_past_words(const char *field, const char *query);

/* The whole field as NR1, NR2 or NR3, blanks around it allowed. Tolerated
 * beside the standard (common practice, no source): `unit` behind the number
 * ('V', 'A'; 0 for none), and in front of it the words of the query that was
 * asked, without their question mark ("V1 12.00" for "V1?"; query may be NULL).
 * *number is set for SCPI_NUMBER alone. */
enum scpi_field scpi_text_number(const char *field, const char *query, char unit, double *number);

/* 0, 1 (in any form of number), ON or OFF: 0 or 1. -1: neither. */
int scpi_text_flag(const char *field);

/* Cuts a reply in place at semicolons and commas outside quotes into at most
 * `most` fields; returns how many there are (more than `most`: the rest are
 * only counted). An empty reply has none. */
size_t scpi_text_split(char *reply, char *fields[], size_t most);

/* `CODE,"MESSAGE"`, as an error query answers: the code, and the message into
 * text; false where it is none. */
bool scpi_text_error(const char *reply, int *code, char *text, size_t size);

/* True where every part of the message (between semicolons outside quotes) asks:
 * its first word ends in "?"; "*CLS" is let through too. The empty message does
 * not ask. */
bool scpi_text_only_asks(const char *message);

/* A message with {output} and {value} filled in (6 significant decimals after
 * the point at most, no exponent). False where it does not fit. */
bool scpi_text_fill(const char *message, int output, double value, char *text, size_t size);

/* Only {output}, and {value} where `valued`, stand in braces. */
bool scpi_text_template_ok(const char *message, bool valued);

/* How two queries can be asked in one message. */
enum scpi_join {
    SCPI_JOIN_PATH,  /* MEAS:VOLT?;CURR?   the second inherits the first's path */
    SCPI_JOIN_ROOT,  /* MEAS:VOLT?;:MEAS:CURR? */
    SCPI_JOIN_PLAIN, /* V1O?;I1O?          where there are no paths */
};

/* The second query after the first, joined so. False where that join means
 * nothing for these two (another path, a leading "*") or it does not fit. */
bool scpi_text_join(const char *first, const char *second, enum scpi_join join, char *text,
                    size_t size);

/* A value read back as it was set: within half a percent and 0.02. */
bool scpi_text_same_setting(double set, double read);

#endif
