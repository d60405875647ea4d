/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How fast a round trip can be: the fastest ones seen, robustly. Pure.
 */
#ifndef WAKEDRAW_SUPPLY_WIRE_PACE_H
#define WAKEDRAW_SUPPLY_WIRE_PACE_H

#include <stddef.h>

enum { PACE_BLOCK = 32, PACE_BLOCKS = 8 };

/* All zero before the first round trip. */
struct wire_pace {
    double best_s; /* of the block under way */
    size_t in_block;
    double blocks_s[PACE_BLOCKS]; /* the best of each of the last blocks */
    size_t blocks, next;
};

void wire_pace_add(struct wire_pace *pace, double round_trip_s);

/* The median of the last blocks' fastest round trips; of the block under way
 * before one is full; NAN before any. One freak does not move it. */
double wire_pace_fastest_s(const struct wire_pace *pace);

#endif
