/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * When a power-up begins and ends, from the readings alone: a pure state
 * machine, stepped one reading at a time, the same live and over a file.
 *
 * It begins at output on, at a feed switched on, or at a plug put in with the
 * output already on: onset is the supply's own output flag or the voltage's
 * rise where there is one, else the current's rise from its resting draw. It
 * is open until the watch time; after that the on-time goes on until output,
 * feed or draw is off. A sag in current limit neither ends nor begins one.
 * Output or draw off and on again begins a new one.
 */
#ifndef WAKEDRAW_SIGNATURE_POWER_UP_H
#define WAKEDRAW_SIGNATURE_POWER_UP_H

#include "base/reading.h"

struct power_up_rules {
    double watch_s;      /* 30 without a type */
    double resolution_A; /* of the readback; 0: learn it */
    double resolution_V;
};

enum power_up_event {
    POWER_UP_NOTHING, /* resting, or going on */
    POWER_UP_BEGAN,   /* power_up_onset_s tells since when: one reading or several ago */
    POWER_UP_WATCHED, /* the watch time is over; the on-time goes on */
    POWER_UP_ENDED,   /* power_up_end tells why; power_up_ended_s since when */
};

enum power_up_end { END_NONE, END_OUTPUT_OFF, END_DRAW_OFF, END_LOST };

/* How much from before onset is kept. */
#define POWER_UP_BEFORE_S 0.5

struct power_up_machine;

/* NULL when memory is out. */
struct power_up_machine *power_up_create(const struct power_up_rules *rules);
void power_up_destroy(struct power_up_machine *machine);

/* Takes the next reading. At most one event a reading. */
enum power_up_event power_up_step(struct power_up_machine *machine, const struct reading *reading);

/* The supply is gone: an open power-up ends (END_LOST). */
enum power_up_event power_up_lost(struct power_up_machine *machine);

/* A type was put on or taken off: new rules from the next power-up on, and the
 * watch time at once. */
void power_up_set_rules(struct power_up_machine *machine, const struct power_up_rules *rules);

/* Of the open or the last power-up, on the readings' time axis; NAN before any. */
double power_up_onset_s(const struct power_up_machine *machine);
double power_up_ended_s(const struct power_up_machine *machine);
enum power_up_end power_up_end(const struct power_up_machine *machine);

/* The resting draw before onset, and its count of readings (0: none seen). */
double power_up_baseline_A(const struct power_up_machine *machine, size_t *readings);

#endif
