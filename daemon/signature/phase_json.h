/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Phases as a JSON value: one form for the segment command, the judge command,
 * the store, the events and the pages.
 */
#ifndef WAKEDRAW_SIGNATURE_PHASE_JSON_H
#define WAKEDRAW_SIGNATURE_PHASE_JSON_H

#include "signature/phase.h"

#include <jansson.h>

/* [{"from_s", "to_s", "level_A", "kind", "slope_A_per_s", "spread_A",
 * "charge_C", "period_s", "spikes"}], times less `zero_s` (pass the onset, or 0
 * for the readings' own time); "spikes" counts those in the phase; not-a-number
 * becomes null. Times are rounded to 1 us, the rest to 9 decimals. NULL when
 * memory is out. */
json_t *phase_json(const struct phases *phases, double zero_s);

#endif
