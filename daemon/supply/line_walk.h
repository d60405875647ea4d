/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * In which order the rates, frames and addresses of an unknown serial line are
 * tried: likeliest first (common practice, no source), even parity beside none
 * for Modbus (its serial line V1.02, 2.5.1, asks for even). Pure.
 */
#ifndef WAKEDRAW_SUPPLY_LINE_WALK_H
#define WAKEDRAW_SUPPLY_LINE_WALK_H

#include "link/link.h"

#include <stdbool.h>
#include <stddef.h>

struct line_try {
    int baud; /* 0: the link has no line */
    char parity;
    unsigned char stop_bits;
    unsigned char address; /* 0: the link has none */
    bool patient;          /* once more, for what is slow or was restarting */
};

struct line_walk {
    struct line_try *tries;
    size_t count;
};

/* All there is to try where the specification's text leaves something out; what
 * it gives is kept. -1: memory is out. */
int line_walk_make(const struct link_spec *spec, struct line_walk *walk);
void line_walk_clear(struct line_walk *walk);

/* The specification with that line and address. */
struct link_spec line_walk_spec(const struct link_spec *spec, const struct line_try *at);

/* Its text form with all that it takes, as a configuration has it. */
char *line_walk_text(const struct link_spec *spec, char text[400]);

#endif
