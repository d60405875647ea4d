/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Records that must be corrected together with a change: what the new ones will
 * say is composed beforehand, and written in the change's own commit.
 */
#ifndef WAKEDRAW_HTTP_CORRECTIONS_H
#define WAKEDRAW_HTTP_CORRECTIONS_H

#include "http/record_draft.h"

struct correction {
    int64_t work_order, corrects;
    json_t *content;
};

struct corrections {
    struct correction list[2];
    size_t count;
};

/* A power-up (its item) is about to go where `to` says ({"unit", "work_order",
 * "stage", "why", "hand"}): the orders it leaves and joins, as far as they have a
 * record. False with the answer made. */
bool corrections_for_move(struct desk *desk, const json_t *power_up, const json_t *to,
                          struct corrections *corrections, struct answer *answer);

/* A power-up is about to be tagged. */
bool corrections_for_tag(struct desk *desk, const json_t *power_up, const char *tag,
                         struct corrections *corrections, struct answer *answer);

/* A work order (its id) is about to be changed by these keys of its item. */
bool corrections_for_order(struct desk *desk, int64_t order, const json_t *keys,
                           struct corrections *corrections, struct answer *answer);

/* Where there is nothing to correct, takes "correct_record" out of what was asked, so
 * that a record written meanwhile is not passed over. */
void corrections_settle(const struct corrections *corrections, json_t *asked);

/* In the writer's thread: `change` and the corrections in one commit. */
int corrections_write(struct store *store, const struct corrections *corrections,
                      int (*change)(struct store *store, void *context, struct error *error),
                      void *context, struct error *error);

void corrections_clear(struct corrections *corrections);

#endif
