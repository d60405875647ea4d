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
    double level_A;       /* mean current, spikes left out */
    double slope_A_per_s; /* of a ramp or decay, from its first to its last reading; else 0 */
    double spread_A;      /* standard deviation of the readings about the phase's shape */
    double charge_C;      /* current integrated from from_s to to_s, trapezoids, spikes and all */
    double period_s;      /* PHASE_PERIODIC; else NAN */
    size_t first, count;  /* the readings it was cut from */
};

/* A reading or two that stand out of their phase and come back: kept as
 * evidence, left out of the phase's level and spread. */
struct spike {
    size_t reading; /* its index among the readings that were cut */
    double time_s;
    double current_A;
    double level_A; /* what its phase draws there */
};

struct phases {
    struct phase *items;
    size_t count;
    struct spike *spikes; /* in order of time; NULL where there are none */
    size_t spike_count;
};

/* Frees both rows and leaves empty ones. */
void phases_clear(struct phases *phases);

/* "level", "ramp", "decay", "periodic". */
const char *phase_kind_name(enum phase_kind kind);

#endif
