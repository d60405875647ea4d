/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A unit's verdict as a JSON value, one form for the judge command and the API.
 */
#ifndef WAKEDRAW_VERDICT_REPEATED_JSON_H
#define WAKEDRAW_VERDICT_REPEATED_JSON_H

#include "verdict/repeated.h"

#include <jansson.h>

/* {"verdict", "power_ups", "good", "bad", "unsure", "failure_rate": {"low",
 * "high", "confidence", "sides", "text"} or null, "failure_test": {"state":
 * "open", "low" or "high", "low_rate", "high_rate", "error", "failures",
 * "power_ups", "more_without_failure"}, "intermittent", "reasons", "settle"?},
 * the last two as in a power-up's verdict. NULL: memory is out. */
json_t *unit_verdict_to_json(const struct unit_verdict *verdict);

#endif
