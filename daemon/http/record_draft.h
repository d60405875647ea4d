/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A record's content from what is kept now.
 */
#ifndef WAKEDRAW_HTTP_RECORD_DRAFT_H
#define WAKEDRAW_HTTP_RECORD_DRAFT_H

#include "http/order_power_ups.h"
#include "http/route.h"

struct record_wish {
    const char *hand;
    const char *why; /* needed where the order has a record already */
};

/* *content is the draft and *corrects the order's newest record (0: it has none),
 * or *why_not says why none may be written. -1 with the error filled. */
int record_draft(struct desk *desk, const json_t *order, const struct order_power_ups *power_ups,
                 const struct record_wish *wish, json_t **content, int64_t *corrects,
                 const char **why_not, struct error *error);

#endif
