/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Verdicts and phases as JSON values, one form for the judge command, the
 * store, the events and the pages.
 */
#ifndef WAKEDRAW_VERDICT_VERDICT_JSON_H
#define WAKEDRAW_VERDICT_VERDICT_JSON_H

#include "verdict/judge.h"

#include <jansson.h>

/* {"verdict", "decided_at_s", "onset_s", "final_draw_A", "reasons": [{"code",
 * "text", "details"?, "phase"?, "measured_A"?, "low_A"?, "high_A"? or
 * "measured_s"?, "low_s"?, "high_s"? (or V), "beyond_A"? (s, V), "limits_of"?,
 * "pattern"? {"name", "causes", "measure_next"}}]}; not-a-number becomes null.
 * Unsure: "settle" [{"code", "text", a figure by its code (judge.h): "until_s",
 * "resolution_A", "count", "low_V", ...}], any one of which settles it.
 * limits_of: "type", "unit" (what its other phases foretell) or "all phases". */
json_t *verdict_to_json(const struct verdict *verdict);

json_t *settles_to_json(const struct settle *settles, size_t count);

/* [{"from_s","to_s","level_A","kind","slope_A_per_s","spread_A","charge_C",
 * "period_s"}], times less `zero_s` (pass the onset). */
json_t *phases_to_json(const struct phases *phases, double zero_s);

#endif
