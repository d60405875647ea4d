/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Bench checks as they are kept, each supply's own.
 */
#ifndef WAKEDRAW_STORE_CHECKS_H
#define WAKEDRAW_STORE_CHECKS_H

#include "store/store.h"

/* Keeps one, in one commit. */
int store_put_check(struct store *store, const char *supply, const json_t *content, bool passed,
                    const char *hand, int64_t *id, struct error *error);

/* [{"id", "supply", "at", "passed", "hand", ...content}], oldest first, the newest
 * `limit` of them. NULL with the error filled. */
json_t *store_list_checks(struct store_reader *reader, const char *supply, int limit,
                          struct error *error);

/* {"state": "verified", "overdue", "failed" or "never", "checked_at": or null,
 * "due_at": or null} at this instant; the checks are due as the settings say. NULL
 * with the error filled. */
json_t *store_bench_state(struct store_reader *reader, const char *supply, int64_t now_us,
                          struct error *error);

/* As it was when this power-up began; NULL: not known. For the thread that writes. */
json_t *store_power_up_bench(struct store *store, int64_t id, struct error *error);

#endif
