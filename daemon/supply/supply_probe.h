/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is at the other end of a link that nothing is known about. Asks only;
 * never switches, sets or selects.
 */
#ifndef WAKEDRAW_SUPPLY_SUPPLY_PROBE_H
#define WAKEDRAW_SUPPLY_SUPPLY_PROBE_H

#include "base/error.h"
#include "link/link.h"

struct supply_finding {
    char answer[220]; /* what answered, in words */
    char profile[64]; /* an installed profile that its answers fit; "": none does */
    char note[220];   /* what to know about it; may be empty */
};

/* -1 with the error filled (EXIT_UNAVAILABLE) where nothing answers. */
int supply_probe(const struct link_spec *spec, struct supply_finding *finding, struct error *error);

#endif
