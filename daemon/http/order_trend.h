/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Power-ups side by side as the API tells them: stage by stage, and against those a
 * unit left with.
 */
#ifndef WAKEDRAW_HTTP_ORDER_TREND_H
#define WAKEDRAW_HTTP_ORDER_TREND_H

#include "http/order_power_ups.h"

/* {"stages", "rows", "together", "method", "power_ups", "earlier_left_out"}. NULL:
 * memory is out. */
json_t *order_trend_json(const struct order_power_ups *power_ups);

/* The same, of what order_power_ups_read_shipped read by `shipped` (store_shipped),
 * with "work_order" and "shipped" (that order, and its power-ups), "power_up",
 * "changed" (null: cannot be told) and "said" (change_words). NULL: memory is out. */
json_t *shipped_comparison(const struct order_power_ups *power_ups, const json_t *shipped,
                           int64_t today);

#endif
