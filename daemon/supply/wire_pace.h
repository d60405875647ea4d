/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How fast a round trip can be: the fastest ones seen, robustly; what a reading
 * costs on the wire; and how many are reached. Pure.
 */
#ifndef WAKEDRAW_SUPPLY_WIRE_PACE_H
#define WAKEDRAW_SUPPLY_WIRE_PACE_H

#include <stdbool.h>
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

/* What one reading's round trip was made of, all its messages together. */
struct wire_cost {
    double query_chars, reply_chars;
    double silence_s; /* kept before or between frames */
    double gap_s;     /* waited for, because nothing else ends a reply */
    int gaps;
    double acquisition_s; /* the supply takes its conversions for so long */
    int readings;         /* that the round trip brings; 0 stands for 1 */
};

/* The least that a round trip can take: its characters on the line, its silences and
 * gaps, and the turnaround as learned from the fastest round trips (which hold
 * all of these). NAN before any. *turnaround_s too. */
double wire_cost_least_s(const struct wire_cost *cost, const struct wire_pace *pace,
                         double character_s, double *turnaround_s);

/* Readings a second over the last 5 to 10 s. All zero before the first one. */
struct wire_rate {
    double begun_s, last_begun_s, newest_s;
    size_t count, last_count;
    bool started;
};

void wire_rate_add(struct wire_rate *rate, double time_s, int readings);

/* NAN before the second reading. */
double wire_rate_hz(const struct wire_rate *rate);

#endif
