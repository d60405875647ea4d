/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * When a power-up begins and ends, from the readings alone: a pure state
 * machine, stepped one reading at a time, the same live and over a file.
 *
 * It begins at output on, at a feed switched on, or at a plug put in with the
 * output already on. Onset is the time of the first reading that shows it: the
 * supply's own output flag going to on, or the voltage's rise, whichever the
 * readings show first; else the current's rise out of its resting draw. True
 * onset lies between that reading and the one before. (Phases are counted the
 * same way, so that durations carry no bias.)
 *
 * - The voltage rises when it was below 0.5 V, or below 0.6 of what it is now,
 *   and the next reading bears it out. While the output is said to be off, less
 *   than 2 V is noise.
 * - The current rises when it exceeds the median of the resting readings of the
 *   last 0.5 s by 15 mA (the higher by 25 mA where only one or two are known),
 *   by 1.5 counts of the readback and by six times their noise, and three of up
 *   to five readings, over 15 ms at least, bear it out. A lone spike begins
 *   nothing. Rest is 27.5 mA at most, the supply's offset included.
 * - A row whose first reading already draws (more than 27.5 mA, as before
 *   borne out) begins a power-up at that reading: nothing before it is known.
 *   After power_up_lost that is not so: what is running then may have begun
 *   while nobody looked, and is passed over until it is off.
 *
 * Nothing from before onset - 0.5 s (power_up_keep_from_s) bears on the onset:
 * a row cut there has the same.
 *
 * It is open until the watch time; after that the on-time goes on until output,
 * feed or draw is off. Off is: the flag going to off; the voltage below 0.5 V or
 * falling away while no current flows; or the draw back at rest for one second.
 * With current flowing a sag, however deep, neither ends nor begins one, and a
 * module that restarts with dead times under one second stays in one. Output off
 * and on again begins a new one however short the pause, if a reading shows it.
 * Of a type known to sleep the draw at rest is part of the power-up: it ends
 * nothing before the watch is over.
 */
#ifndef WAKEDRAW_SIGNATURE_POWER_UP_H
#define WAKEDRAW_SIGNATURE_POWER_UP_H

#include "base/reading.h"

struct power_up_rules {
    double watch_s;      /* 30 without a type */
    double resolution_A; /* of the readback; 0: learn it */
    double resolution_V;
    bool sleeps; /* the module goes to sleep by itself: within the watch a draw at rest ends
                    nothing */
};

enum power_up_event {
    POWER_UP_NOTHING, /* resting, or going on */
    POWER_UP_BEGAN,   /* power_up_onset_s tells since when: one reading or several ago */
    POWER_UP_WATCHED, /* the watch time is over; the on-time goes on */
    POWER_UP_ENDED,   /* power_up_end tells why; power_up_ended_s since when */
};

enum power_up_end {
    END_NONE,
    END_OUTPUT_OFF,
    END_DRAW_OFF, /* back at rest for POWER_UP_REST_S */
    END_NO_DRAW,  /* at rest from onset on, for POWER_UP_IDLE_S: nothing is plugged in, a feed is
                     off, or the module does not wake; what comes after is another power-up */
    END_LOST,
};

/* How much from before onset is kept. */
#define POWER_UP_BEFORE_S 0.5

/* How long the draw must rest, the output still on, to be off. */
#define POWER_UP_REST_S 1.0

/* An output that is on with no draw for this long waits for a plug or a feed. */
#define POWER_UP_IDLE_S 2.5
/* A sleeping module's draw, or nothing: this far over the baseline at most, and one
 * count of the readback: the stated one, or the one it shows where that is more. */
#define POWER_UP_IDLE_A 0.008

struct power_up_machine;

/* NULL when memory is out. */
struct power_up_machine *power_up_create(const struct power_up_rules *rules);
void power_up_destroy(struct power_up_machine *machine);

/* Takes the next reading. At most one event a reading. */
enum power_up_event power_up_step(struct power_up_machine *machine, const struct reading *reading);

/* The supply is gone: an open power-up ends (END_LOST). Also said before the
 * first reading by who begins to look at a bench that may be running already;
 * a trace from a file begins without it. */
enum power_up_event power_up_lost(struct power_up_machine *machine);

/* A type was put on or taken off: new rules from the next power-up on, and the
 * watch time at once. */
void power_up_set_rules(struct power_up_machine *machine, const struct power_up_rules *rules);

/* Of the open or the last power-up, on the readings' time axis; NAN before any. */
double power_up_onset_s(const struct power_up_machine *machine);
/* From here on readings belong to it: 0.5 s before onset, or where an earlier
 * power-up ended if that is later. */
double power_up_keep_from_s(const struct power_up_machine *machine);
double power_up_ended_s(const struct power_up_machine *machine);
enum power_up_end power_up_end(const struct power_up_machine *machine);

/* The resting draw before onset, and its count of readings (0: none seen, NAN). */
double power_up_baseline_A(const struct power_up_machine *machine, size_t *readings);

/* The first reading already showed the voltage up, and nothing has begun since:
 * a module that draws nothing looks so in a trace without readings from before. */
bool power_up_voltage_from_start(const struct power_up_machine *machine);

#endif
