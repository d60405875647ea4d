/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * `identify --find-registers LINK`: the register finder on the command line. What is
 * not said by options is asked for, an answer a line, so that a script can speak.
 */
#ifndef WAKEDRAW_COMMANDS_IDENTIFY_FIND_H
#define WAKEDRAW_COMMANDS_IDENTIFY_FIND_H

#include "link/link.h"

#include <stdbool.h>

struct find_wishes {
    const char *write; /* the profile's file */
    const char *load;  /* none, joined, other, or OHM,W; NULL: asked for */
    double rated_V, rated_A, most_V, most_A, step_V, step_A; /* 0: asked for */
    double from, to;
    bool json;
};

/* The exit status. */
int identify_find(const struct link_spec *spec, const struct find_wishes *wishes);

#endif
