/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the handlers of kept items share: ids in paths, and items as answers.
 */
#ifndef WAKEDRAW_HTTP_ITEMS_H
#define WAKEDRAW_HTTP_ITEMS_H

#include "http/route.h"

#include <stdbool.h>
#include <stdint.h>

/* A whole number from least to most, of digits only. */
bool read_digits(const char *text, int64_t least, int64_t most, int64_t *number);

/* The id in the path; false with the answer (404) made. */
bool items_id(struct call *call, int64_t *id);

/* What the query asks for; false with the answer made. */
bool items_filter(const struct path *path, struct store_filter *filter, struct answer *answer);

/* The day that a query parameter names (clock_local_day); left alone where it is not
 * given; false with the answer made. */
bool items_day(const struct path *path, const char *key, int64_t *from_us, int64_t *to_us,
               struct answer *answer);

/* The item as it is now kept, without its trace; NULL with the answer made. */
json_t *items_kept(struct desk *desk, struct call *call, enum store_kind kind, int64_t id);

/* Answers with it (without what makes it heavy: a reference's content); a 201
 * tells where it is, too. */
void items_answer(struct desk *desk, struct call *call, unsigned status, enum store_kind kind,
                  int64_t id);

/* Tells the pages, by a "work-order" event {"id"}, that something of a work order
 * changed. */
void items_tell_order(struct desk *desk, int64_t order);

#endif
