/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * When a verdict can come, by fault and in advance: out of the reference and the
 * reading interval, resolution and noise of the supply that taught it. Two
 * instants from onset: the earliest one, for the fastest unit of the type
 * (phases at their lower time limits, the fewest readings a verdict takes), before
 * which no such fault is called bad; and the usual one, for a unit as the type is
 * in the mean, which the judge itself tells on readings made up from the
 * template. Pure.
 */
#ifndef WAKEDRAW_VERDICT_EARLIEST_H
#define WAKEDRAW_VERDICT_EARLIEST_H

#include "verdict/judge.h"

#include <jansson.h>

enum earliest_fault {
    EARLIEST_NONE,     /* a good unit */
    EARLIEST_NO_DRAW,  /* nothing is drawn */
    EARLIEST_SHORT,    /* the voltage gone, in limit */
    EARLIEST_LOW,      /* a phase's level low by the smallest fault */
    EARLIEST_HIGH,     /* high by it */
    EARLIEST_STALLED,  /* a phase that does not end, or ends too late */
    EARLIEST_MISSING,  /* a phase left out */
    EARLIEST_RESTART,  /* back to the first phase at the end of this one */
    EARLIEST_DROP_OUT, /* nothing drawn any more from the end of this one */
};

struct earliest {
    enum earliest_fault fault;
    int phase;         /* from 0; -1: the power-up as a whole */
    double earliest_s; /* from onset */
    double usual_s;    /* NAN: this supply does not tell it from a good unit */
};

enum { EARLIEST_MOST = 4 + 6 * 16 };

/* Of a reference with phases or of a range alone (good only). In order of
 * earliest_s, good last. How many; 0: memory is out. */
size_t earliest_find(const struct reference *reference, struct earliest *found);

/* [{"verdict": "good" or "bad", "fault": null or "low", ..., "phase"?,
 * "earliest_s", "usual_s": number or null, "text"}]. NULL: memory is out. */
json_t *earliest_to_json(const struct reference *reference);

const char *earliest_fault_name(enum earliest_fault fault);

/* "phase 2 low by 10 %: bad at 2.3 s, at the earliest at 2.0 s". */
void earliest_say(const struct reference *reference, const struct earliest *one, char *text,
                  size_t size);

#endif
