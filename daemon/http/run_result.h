/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the power-ups of a run say of the unit together.
 */
#ifndef WAKEDRAW_HTTP_RUN_RESULT_H
#define WAKEDRAW_HTTP_RUN_RESULT_H

#include "bench/bench.h"
#include "store/store.h"

#include <jansson.h>

/* A unit's verdict (repeated_json.h) by the traces of the run's newest
 * ORDER_MOST_POWER_UPS power-ups; earlier ones count by the verdicts they were kept
 * with. Under heat none is good. NULL with the error filled. */
json_t *run_result(struct store_reader *reader, const struct bench *bench, const json_t *run,
                   struct error *error);

#endif
