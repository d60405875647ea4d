/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A recovery under heat is a diagnosis: heat closes cracked joints and helps
 * marginal parts for as long as it lasts, so that what is good warm says nothing
 * of the unit cold (common practice, no source). Pure.
 */
#ifndef WAKEDRAW_VERDICT_UNDER_HEAT_H
#define WAKEDRAW_VERDICT_UNDER_HEAT_H

#include "verdict/judge.h"

#include <jansson.h>

/* The stage that is always under heat. */
#define STAGE_HEAT_CHECK "heat check"

/* Whether a power-up with this tag ("heat", "cold" or empty) at this stage is. */
bool is_under_heat(const char *tag, const char *stage);

/* What was judged good becomes unsure: under_heat before its reasons, settled by
 * a power-up cold. Any other verdict is left as it is. True: changed. */
bool under_heat(struct verdict *verdict);

/* The same of a verdict as JSON (verdict_json.h): a new value, or the very one
 * with a reference more where nothing changes. NULL: memory is out. */
json_t *under_heat_json(json_t *verdict);

#endif
