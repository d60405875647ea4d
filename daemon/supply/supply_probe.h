/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is at the other end of a link that nothing is known about. Asks only
 * (*IDN?, the dialects' queries, Modbus functions 3 and 4); never switches,
 * sets, selects or clears. A serial port is opened once and its rates walked
 * while it is open; the profiles that are then tried open it again.
 */
#ifndef WAKEDRAW_SUPPLY_SUPPLY_PROBE_H
#define WAKEDRAW_SUPPLY_SUPPLY_PROBE_H

#include "base/error.h"
#include "link/link.h"

#include <stdbool.h>

struct supply_finding {
    struct link_spec spec; /* with the rate and address that answered */
    char link[400];        /* its text, as a configuration has it */
    char answer[220];      /* what answered, in words */
    char profile[64];      /* an installed profile that its answers fit; "": none does */
    int outputs;           /* how many of that profile it seems to have; 0: not known */
    char note[320];        /* what to know about it; may be empty */
    bool arrays;           /* answers MEAS:ARR:CURR? with an array */
    bool modbus;
};

struct supply_probing {
    const struct link_spec *spec; /* what is not given in its text is walked */
    bool all;                     /* go on to the other addresses of the line that answered */
    double wait_s;                /* for an answer while walking; 0: 0.2 (Modbus), 0.4 */
    /* Called in between: what is tried now, with how many tries are done and there are. */
    void (*trying)(void *context, const char *what, size_t done, size_t of);
    void (*found)(void *context, const struct supply_finding *finding);
    void *context;
};

/* How many were found; -1 with the error filled (EXIT_UNAVAILABLE) where nothing
 * answers or the link is not to be had. */
int supply_probe(const struct supply_probing *probing, struct error *error);

#endif
