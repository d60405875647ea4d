/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One bad thing, said so that a person can mend it: where it stands, what was
 * found, what is expected. Carried upwards by the caller; printed once.
 */
#ifndef WAKEDRAW_BASE_ERROR_H
#define WAKEDRAW_BASE_ERROR_H

/* Exit statuses, as sysexits.h numbers them. */
enum exit_status {
    EXIT_OK = 0,
    EXIT_USAGE = 64,       /* the command line */
    EXIT_BAD_DATA = 65,    /* a file's content */
    EXIT_NO_INPUT = 66,    /* a file that cannot be opened */
    EXIT_UNAVAILABLE = 69, /* a supply, port or address that is not to be had */
    EXIT_SOFTWARE = 70,    /* memory is out */
    EXIT_IO = 74,          /* reading or writing failed */
};

struct error {
    enum exit_status status; /* EXIT_OK: no error */
    char file[512];          /* path, link or name; empty where there is none */
    long line;               /* from 1; 0: the file as a whole */
    char found[240];
    char expected[240]; /* may be empty */
};

/* Fills the error (which may be NULL) and returns -1, so that a function can
 * say: return error_set(error, EXIT_BAD_DATA, path, line, "3", "found %s", x).
 * `expected` may be NULL; `found` is a printf format. Texts too long are cut. */
int error_set(struct error *error, enum exit_status status, const char *file, long line,
              const char *expected, const char *found, ...) __attribute__((format(printf, 6, 7)));

/* "FILE:LINE: found, expected ..." into text; returns text. */
char *error_text(const struct error *error, char *text, unsigned long size);

/* Prints "wakedraw: " and error_text to standard error. */
void error_print(const struct error *error);

#endif
