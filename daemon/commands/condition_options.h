/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * --feeds, --revision and --set-up, as build-reference and judge take them.
 */
#ifndef WAKEDRAW_COMMANDS_CONDITION_OPTIONS_H
#define WAKEDRAW_COMMANDS_CONDITION_OPTIONS_H

#include "base/error.h"
#include "reference/conditions.h"

struct condition_options {
    const char *feeds, *revision, *set_up; /* NULL: not given */
};

/* -1 with the error filled (EXIT_USAGE, the option named as the file);
 * conditions_clear frees what was read in either case. */
int condition_options_read(const struct condition_options *options, struct conditions *conditions,
                           struct error *error);

#endif
