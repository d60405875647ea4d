/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How often a supply renews its readback, learned from when the values change.
 * A supply that converts slower than it is asked answers the same numbers
 * again; those are no new evidence. Pure: times come in with the readings.
 *
 * The times between changes are whole multiples of the renewal period. While
 * the load moves, most are the period itself; the period is believed where most
 * of the last ones agree on the shortest common one and nearly all are whole
 * multiples of it, and where it is clearly longer than the polling interval. A
 * change of one count in the direction of the last one is a slow ramp's as well as
 * a renewal's, and does not count.
 */
#ifndef WAKEDRAW_SUPPLY_RENEWAL_H
#define WAKEDRAW_SUPPLY_RENEWAL_H

#include <stdbool.h>
#include <stddef.h>

enum { RENEWAL_INTERVALS = 24 };

/* All zero before the first reading. */
struct renewal {
    bool started, changed;
    double time_s, voltage_V, current_A; /* of the last reading */
    double poll_s;                       /* typical time between readings */
    double change_s;                     /* when the values last changed */
    double intervals_s[RENEWAL_INTERVALS];
    size_t intervals, next;
    double count_V, count_A; /* the smallest changes seen; 0: none */
    int direction;           /* of the last change, if it was of one count; 0: it was not */
    double period_s;         /* 0: not known */
    double due_s;            /* when the next renewal is expected */
};

/* Takes the next reading; true: as far as can be told, it had not renewed. */
bool renewal_step(struct renewal *renewal, double time_s, double voltage_V, double current_A);

/* NAN: not known. */
double renewal_period_s(const struct renewal *renewal);

#endif
