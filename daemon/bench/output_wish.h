/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is asked of an output, and what becomes of it: the words that the polling
 * thread, the bench and the log of outputs share.
 */
#ifndef WAKEDRAW_BENCH_OUTPUT_WISH_H
#define WAKEDRAW_BENCH_OUTPUT_WISH_H

#include <stdbool.h>

enum { WHO_BYTES = 64, HAND_BYTES = 32, WHY_BYTES = 160, PAGE_BYTES = 40 };

/* Who asks, and why; empty: not said. */
struct output_asker {
    char who[WHO_BYTES];   /* "page", "run 12", "wakedraw", "front panel" */
    char hand[HAND_BYTES]; /* initials */
    char why[WHY_BYTES];
    char page[PAGE_BYTES]; /* the page it was asked on, as it calls itself */
};

/* An output is to go on, or off (then only `asker` counts). */
struct output_wish {
    bool on;
    struct output_asker asker;
    double asked_s;            /* monotonic: an off asked for later undoes an on */
    double voltage_V, limit_A; /* set and read back before; both NAN: what is set is read back */
    bool look;                 /* a gentle look before full power */
    double look_voltage_V;     /* at this voltage; NAN: at the full one */
    double look_limit_A;       /* at this limit */
    double limit_longest_s;    /* longer in current limit: off; INFINITY: never */
};

/* What the log of outputs says happened. */
enum output_what {
    OUTPUT_SET,        /* voltage and limit set and read back */
    OUTPUT_LOOKED,     /* the gentle look is over; why: what it saw */
    OUTPUT_ON,         /* on, by us */
    OUTPUT_OFF,        /* off, by us */
    OUTPUT_REFUSED,    /* on was asked for and not done; problem: why */
    OUTPUT_OFF_FAILED, /* off was asked for and not confirmed; it is tried again */
    OUTPUT_ON_SEEN,    /* on, by a hand at the front panel (or found on) */
    OUTPUT_OFF_SEEN,   /* off, by a hand at the front panel, or the supply itself */
    OUTPUT_SET_SEEN,   /* set points changed at the front panel */
    OUTPUT_HELD,       /* the unit's memory is being read or written from here */
    OUTPUT_HOLD_OVER,  /* to here */
    OUTPUT_FOUND_ON,   /* on after a restart or a lost link, switched on by us before */
};

struct output_event {
    enum output_what what;
    int supply; /* in the configuration's order */
    struct output_asker asker;
    double voltage_V, limit_A; /* NAN: it is not about them */
    char problem[200];         /* empty: none */
};

/* "on", "off", "set", ... as the API and the store have it. */
const char *output_what_name(enum output_what what);

#endif
