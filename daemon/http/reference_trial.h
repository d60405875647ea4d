/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A reference built from power-ups in the store, and what past verdicts it would
 * change; nothing of it is kept.
 */
#ifndef WAKEDRAW_HTTP_REFERENCE_TRIAL_H
#define WAKEDRAW_HTTP_REFERENCE_TRIAL_H

#include "bench/bench.h"
#include "reference/reference.h"
#include "store/store.h"

enum { TRIAL_MOST_POWER_UPS = 400, TRIAL_MOST_UNITS = 100 };

/* Builds by the request, with the power-ups of these ids (a JSON array of texts) as
 * known-goods, each unit's together, spreads borrowed from the newest references of
 * the other types, and the version that is next. Of each power-up the watch alone
 * teaches. NULL with the error filled; its file "power_ups" where one of them is not
 * to be had, belongs to no unit or to another type, or its watch did not end. */
struct reference *trial_build(struct store_reader *reader, const struct bench *bench,
                              struct reference_request *request, const json_t *ids,
                              struct error *error);

/* {"judged": N, "changes": [{"power_up", "unit", "stage", "was", "would_be",
 * "reason"}], "left_out": bool}: the type's newest TRIAL_MOST_POWER_UPS that were
 * judged, judged again. NULL with the error filled. */
json_t *trial_changes(struct store_reader *reader, const struct bench *bench,
                      const struct reference *reference, struct error *error);

#endif
