/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The printed table of claims: stated, observed, its 95 % interval, a finding.
 */
#ifndef TESTS_CALIBRATION_TABLE_H
#define TESTS_CALIBRATION_TABLE_H

#include <stddef.h>

enum finding_kind {
    HOLDS,
    REFUTED,
    SHOWN, /* no claim, to be seen beside one */
};

extern int refuted; /* rows so far */

void head(const char *title);
void print_row(const char *what, double stated, double observed, double low, double high,
               enum finding_kind kind);

/* What was seen in one reference set: `part` of `whole`, which counts by weight. */
struct set_seen {
    double part, whole, weight;
};

struct interval {
    double mean, low, high;
};

/* Share over the sets, and its 95 % interval by drawing whole sets anew (units
 * judged by one reference err together); where nothing was seen, the exact limit
 * for as many units as the weights are worth. */
struct interval share_over_sets(const struct set_seen *sets, size_t count);

/* The same of the difference between two shares; at most 4,000 sets. */
struct interval difference_over_sets(const struct set_seen *a, const struct set_seen *b,
                                     size_t count);

/* At most so much is stated. */
void at_most_row(const char *what, double stated, const struct set_seen *sets, size_t count);
void shown_row(const char *what, double stated, const struct set_seen *sets, size_t count);

#endif
