/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The log of outputs: every change of an output or its settings with who and why;
 * and what must be known of them after a restart, however the end came: which are on
 * by us, and under which a unit's memory is being read or written.
 */
#ifndef WAKEDRAW_STORE_OUTPUTS_H
#define WAKEDRAW_STORE_OUTPUTS_H

#include "store/store.h"

/* Empty texts: not said. */
struct output_line {
    int64_t at_us;
    const char *supply;
    const char *what; /* empty: not a line of the log, the mark alone */
    const char *who, *hand, *why, *problem;
    double voltage_V, limit_A;                        /* NAN: it is not about them */
    enum { OURS_STAYS, OURS_BEGINS, OURS_OVER } ours; /* what it does to the mark of that name */
};

enum output_mark_kind {
    MARK_OURS, /* it is on by us, or about to be; put down before it is done */
    MARK_HOLD, /* nothing is switched there by itself */
};

struct output_mark {
    int64_t since_us; /* 0: there is none */
    char who[64], hand[32], why[160];
    char unit[128]; /* what was on the bench */
};

/* All of them in one commit, or none. Within a group too. A mark that is there
 * already stays as it began. */
int store_put_output_lines(struct store *store, const struct output_line *lines, size_t count,
                           struct error *error);

/* The hold begins as the mark says, or (NULL) is over; with its line, in one commit. */
int store_put_hold(struct store *store, const struct output_line *line,
                   const struct output_mark *mark, struct error *error);

/* --- reading --- */

int store_read_output_mark(struct store_reader *reader, const char *supply,
                           enum output_mark_kind kind, struct output_mark *mark,
                           struct error *error);

/* The newest line of an output that says it went on or off; none: since_us 0. In
 * `what` its word. */
enum { OUTPUT_LINE_WHAT = 32 };
int store_read_last_output(struct store_reader *reader, const char *supply,
                           char what[OUTPUT_LINE_WHAT], struct output_mark *line,
                           struct error *error);

/* {"items": [{"id", "supply", "at", "what", "who", "hand", "why", "voltage_V",
 * "limit_A", "problem"}], "next": ID or null}, newest first; of all outputs where
 * the filter's `supply` is NULL. NULL with the error filled. */
json_t *store_output_log(struct store_reader *reader, const struct store_filter *filter,
                         struct error *error);

#endif
