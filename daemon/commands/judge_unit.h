/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The one line more that `judge --unit NAME` prints: the unit's verdict over
 * all its power-ups.
 */
#ifndef WAKEDRAW_COMMANDS_JUDGE_UNIT_H
#define WAKEDRAW_COMMANDS_JUDGE_UNIT_H

#include "verdict/repeated.h"

#include <jansson.h>

struct judged_unit {
    const char *name; /* NULL: no unit was named, nothing is kept */
    struct repeated_power_up *power_ups;
    size_t count, capacity;
};

/* judge_trace_under; keeps what the unit's verdict needs. -1: memory is out. */
int judged_unit_trace(struct judged_unit *unit, const struct conditions *on_bench,
                      const struct reference *reference, const struct accuracy *accuracy,
                      const struct trace *trace, struct verdict *verdict, struct phases *phases);

/* {"unit"} and the rest as in verdict/repeated_json.h. NULL: memory is out. */
json_t *judged_unit_json(const struct judged_unit *unit, const struct reference *reference,
                         const struct accuracy *accuracy);

void judged_unit_clear(struct judged_unit *unit);

#endif
