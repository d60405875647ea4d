/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A phase: a stretch of a power-up with one behaviour.
 */
#ifndef WAKEDRAW_SIGNATURE_PHASE_H
#define WAKEDRAW_SIGNATURE_PHASE_H

#include <stddef.h>

enum phase_kind {
    PHASE_LEVEL,    /* steady */
    PHASE_RAMP,     /* a straight rise or fall */
    PHASE_DECAY,    /* falls (or rises) towards a level, fast first */
    PHASE_PERIODIC, /* repeats; its level is the mean over whole periods */
};

struct phase {
    enum phase_kind kind;
    double from_s, to_s;  /* on the time axis of the readings; to_s is the next phase's from_s */
    double level_A;       /* mean current */
    double slope_A_per_s; /* of a ramp or decay, from its first to its last reading; else 0 */
    double spread_A;      /* standard deviation of the readings about the phase's shape */
    double charge_C;      /* current integrated over the phase, trapezoids */
    double period_s;      /* PHASE_PERIODIC; else NAN */
    size_t first, count;  /* the readings it was cut from */
};

struct phases {
    struct phase *items;
    size_t count;
};

void phases_clear(struct phases *phases);

/* "level", "ramp", "decay", "periodic". */
const char *phase_kind_name(enum phase_kind kind);

#endif
