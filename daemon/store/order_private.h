/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the store's files on the repair share. All within a transaction of the
 * caller's.
 */
#ifndef WAKEDRAW_STORE_ORDER_PRIVATE_H
#define WAKEDRAW_STORE_ORDER_PRIVATE_H

#include "store/json_fields.h"
#include "store/store_private.h"

/* A setting's value, or what holds while it was never set. NULL with the error
 * filled. */
json_t *setting_read(struct database *database, const char *name, struct error *error);

/* 1 to 24 names of stages, none twice. */
int stages_check(const json_t *stages, const char *key, struct error *error);

struct order_state {
    int64_t unit;
    bool closed, has_record;
    char stage[LONGEST_STAGE + 1]; /* where it is now */
};

/* EXIT_NO_INPUT: there is none with this id. */
int order_state(struct store *store, int64_t id, struct order_state *state, struct error *error);

/* One of the order's own; empty: none said. */
int order_check_stage(struct store *store, int64_t id, const char *stage, struct error *error);

/* The stage a note, a meter reading or a photo was given: the order goes on to
 * it where it lies behind the present one. */
int order_move_on(struct store *store, int64_t id, const char *stage, struct error *error);

/* Makes one of a unit by its id, or writes the keys given of one there is. */
int order_make(struct store *store, int64_t unit, const json_t *order, int64_t *id,
               struct error *error);
int order_write(struct store *store, int64_t id, const json_t *order, struct error *error);

/* Whether something of the order may be changed as asked: what a record says is
 * changed only by one that corrects it, asked for by "correct_record": true.
 * EXIT_USAGE: not as it stands. */
int order_allow_change(struct store *store, int64_t id, const json_t *asked, struct error *error);

#endif
