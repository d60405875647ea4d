/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A unit across the stages of its repair: final draw, each phase's level and
 * duration, with the type's limits, and what changed from stage to stage
 * (trend/stage_change.h). Levels and durations are compared as ratios; the spread
 * known beforehand is the type's from power-up to power-up of one unit. Pure.
 */
#ifndef WAKEDRAW_RECORD_STAGE_ROWS_H
#define WAKEDRAW_RECORD_STAGE_ROWS_H

#include "verdict/repeated.h"

#include <jansson.h>
#include <stddef.h>

/* One power-up of the unit. */
struct stage_power_up {
    size_t stage;        /* index of its stage */
    double final_draw_A; /* of its whole record, as it ended; NAN: it never settled */
    struct repeated_power_up told;
};

/* [{"of": "final_draw_A", "level_A" or "duration_s", "phase": from 0 or null,
 * "limits": {"low", "high"} or null, "points": [{"stage", "n", "mean", "low",
 * "high"}], "changes": [{"from", "to", "difference_share", "low_share",
 * "high_share", "p", "more_than_own_spread"}]}]; stages by name, values in the unit of
 * "of", limits null where there is no spread to state them by. A row that has no
 * point is left out. `reference` NULL: the final draw alone. Power-ups in any order.
 * NULL: memory is out. */
json_t *stage_rows_to_json(const struct reference *reference, const struct accuracy *accuracy,
                           const char *const *stages, size_t stage_count,
                           const struct stage_power_up *power_ups, size_t count);

/* What the limits and the test are, in one sentence. */
extern const char stage_rows_method[];

#endif
