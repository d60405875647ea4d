/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The shop's view: what came out of the power-ups and the work orders of some days.
 */
#ifndef WAKEDRAW_STORE_LEDGER_H
#define WAKEDRAW_STORE_LEDGER_H

#include "store/store.h"

/* Of the power-ups begun, and the orders taken in and closed, from one instant to
 * before another; days are those of clock_day_of:
 * {"verdicts_by_day": [{"day", "good", "bad", "unsure"}], days without any left out;
 * "reasons_by_type": [{"module_type", "verdict", "code", "count"}], the first reason
 * of each that was not good, the most frequent first;
 * "returns": [{"work_order", "unit", "returned_from", "days_after", "outcome", "at"}],
 * orders taken in while an earlier one's warranty ran;
 * "under_warranty": orders whose warranty ran at any time of it;
 * "stages": [{"stage", "passed", "failed", "undecided"}], each {"count",
 * "work_orders": [ids]} of work orders by their last verdict at the stage, neither
 * under heat nor cold, in the order of the work;
 * "outcomes": [{"outcome", "count", "work_orders"}];
 * "turnaround_days": {"count", "median", "shortest", "longest", "work_orders": [{"id",
 * "unit", "days"}], the shortest first}, intake to close, of the orders closed;
 * "work_orders": [{"id", "unit", "module_type", "created_at", "closed_at", "outcome"}],
 * all that are named above, newest first, 5000 at most}.
 * NULL with the error filled. */
json_t *store_ledger(struct store_reader *reader, int64_t from_us, int64_t to_us,
                     struct error *error);

#endif
