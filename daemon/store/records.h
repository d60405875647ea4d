/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Records as they are kept: never changed, each chained to the one before it.
 */
#ifndef WAKEDRAW_STORE_RECORDS_H
#define WAKEDRAW_STORE_RECORDS_H

#include "store/store.h"

/* Puts a record of a work order at the end of the chain, in one commit, or, within a
 * transaction that the caller began, in that. `content` gets its "number" and is
 * kept in canonical form. `corrects`: the record it takes the place of, the newest of
 * this order (EXIT_USAGE: it is not); 0: there is none. */
int store_put_record(struct store *store, int64_t work_order, int64_t corrects, json_t *content,
                     int64_t *id, struct error *error);
int store_add_record(struct store *store, int64_t work_order, int64_t corrects, json_t *content,
                     int64_t *id, struct error *error);

/* {"id", "number", "work_order", "unit", "sha256", "previous_sha256", "at",
 * "corrects", "corrected_by"}; with `whole` also "content" and "content_text", the
 * text that was hashed. JSON null where there is none. */
json_t *store_record(struct store_reader *reader, int64_t id, bool whole, struct error *error);

/* {"items": [...], "next"}, newest first; filter->work_order, unit, before, limit. */
json_t *store_list_records(struct store_reader *reader, const struct store_filter *filter,
                           struct error *error);

/* Checks the whole chain: how many records there are. -1 with the first that does
 * not fit (EXIT_BAD_DATA, "record N" as the error's file). */
int store_check_records(struct store_reader *reader, int64_t *count, struct error *error);

#endif
