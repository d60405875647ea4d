/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * `identify LINK` without a profile: what answers there, at which rate, and the
 * lines that a configuration needs for it.
 */
#ifndef WAKEDRAW_COMMANDS_IDENTIFY_WALK_H
#define WAKEDRAW_COMMANDS_IDENTIFY_WALK_H

#include "link/link.h"

#include <stdbool.h>

/* The exit status. */
int identify_walk(const struct link_spec *spec, bool all, double wait_s, bool json);

#endif
