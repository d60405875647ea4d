/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Drops in the log of an on-time: where a unit that soaks draws suddenly less than
 * it did just before, and for how long. What creeps (warming up) is no drop, nor is
 * the output going off. By how much less is a choice of ours (a tenth of its draw
 * below the lowest of the readings before, which allows for the log's own scatter);
 * that falling off with heat or time points to a cracked joint or a poor contact is
 * common practice, no source. Pure.
 */
#ifndef WAKEDRAW_TREND_ON_TIME_H
#define WAKEDRAW_TREND_ON_TIME_H

#include "base/reading.h"

#include <stddef.h>

/* What it is compared with: so many readings before. */
enum { ON_TIME_BEFORE = 15, ON_TIME_FEWEST = 8 };
#define ON_TIME_DROP_SHARE 0.1

struct drop {
    double from_s, to_s; /* first reading low, first one back (or the log's last) */
    double low_A;        /* the lowest in it */
    double of_A;         /* what it drew before: the median */
};

/* In time's order; the first `most` of them into drops. Returns how many there are.
 * Fewer than ON_TIME_FEWEST readings have none. */
size_t on_time_drops(const struct reading *readings, size_t count, struct drop *drops, size_t most);

#endif
