/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The repair: settings of the shop, units, intake, work orders with their notes,
 * meter readings and photos, and power-ups moved from one to another. Texts and
 * numbers in the JSON are of the kinds the API's description tells; a key that
 * cannot be kept is an error of its name (EXIT_BAD_DATA), an id that is not
 * there EXIT_NO_INPUT, what cannot be as things stand EXIT_USAGE. Each writes
 * all of it or nothing; a key that is not given is left alone, null takes away.
 */
#ifndef WAKEDRAW_STORE_ORDERS_H
#define WAKEDRAW_STORE_ORDERS_H

#include "store/store.h"

/* {"stages", "warranty_days", "check_every_h", "resistors", "check_standard",
 * "ask_after_min", "page_gone_s", "shop"}, or any of them; null: as it was at first. */
int store_put_settings(struct store *store, const json_t *given, struct error *error);
/* All of them. */
json_t *store_settings(struct store_reader *reader, struct error *error);

/* {"module_type", "revision", "set_up"}, or any of them. */
int store_change_unit(struct store *store, int64_t id, const json_t *unit, struct error *error);

/* {"complaint", "customer_reference", "condition", "cells", "stages",
 * "found_cause", "parts", "hand"}, or any of them, of an order by its id. */
int store_change_work_order(struct store *store, int64_t id, const json_t *order,
                            struct error *error);

/* {"outcome", "hand", "found_cause", "parts", "warranty_days"}. Its unit is no
 * longer on any bench for it. EXIT_USAGE: closed already, or one of its
 * power-ups is being watched. */
int store_close_work_order(struct store *store, int64_t id, const json_t *closing,
                           struct error *error);
/* EXIT_USAGE: open, or a record was written. Why becomes a note. */
int store_reopen_work_order(struct store *store, int64_t id, const char *why, struct error *error);

/* A unit on an output, by its serial number: {"serial", "module_type",
 * "revision", "set_up"} and, of its open work order or a new one, what
 * store_change_work_order takes. */
struct intake {
    int64_t unit, work_order;
    bool made_unit, made_work_order;
};
int store_take_in(struct store *store, const char *supply, const json_t *what,
                  struct intake *intake, struct error *error);

/* The unit on the output is still the one. */
int store_confirm_unit(struct store *store, const char *supply, struct error *error);

/* What is put to a work order at a stage, and can be struck, but not taken away:
 * a note {"stage", "text", "hand"}, a meter reading {"stage", "before_power",
 * "what", "value", "unit", "hand"}, a photo. */
enum slip { SLIP_NOTE, SLIP_METER_READING, SLIP_PHOTO };

int store_put_slip(struct store *store, enum slip kind, int64_t order, const json_t *slip,
                   int64_t *id, struct error *error);

enum { PHOTO_MOST_BYTES = 2 * 1024 * 1024, PHOTOS_MOST = 24 };

/* The media type is told by the bytes. EXIT_USAGE: the order has PHOTOS_MOST. */
int store_put_photo(struct store *store, int64_t order, const char *stage, const void *bytes,
                    size_t size, int64_t *id, struct error *error);

/* {"why"}. */
int store_strike(struct store *store, enum slip kind, int64_t id, const json_t *asked,
                 struct error *error);

/* {"unit", "work_order", "stage", "why", "hand"}: to these, nulls: to none. What
 * it was judged as stays. */
int store_move_power_up(struct store *store, int64_t id, const json_t *to, struct error *error);

/* {"tag": "heat", "cold" or null}. */
int store_tag_power_up(struct store *store, int64_t id, const json_t *asked, struct error *error);

/* Trusted to teach a reference, and why; `why` empty: no longer. EXIT_USAGE: under
 * heat, or its watch was not completed. */
int store_trust_power_up(struct store *store, int64_t id, const char *why, const char *hand,
                         struct error *error);

/* --- reading --- */

/* One of them, with its "work_order"; JSON null where there is none. */
json_t *store_slip(struct store_reader *reader, enum slip kind, int64_t id, struct error *error);

/* How a unit left: {"work_order", "power_ups"}, the good power-ups of the last
 * stage, neither under heat nor cold, of the repaired order closed last that has
 * such; `before`: of those before that work order (0: of all). JSON null where it
 * never left so. */
json_t *store_shipped(struct store_reader *reader, int64_t unit, int64_t before,
                      struct error *error);

struct photo {
    char media_type[16], sha256[65];
    void *bytes; /* malloc'd */
    size_t size;
};

/* EXIT_NO_INPUT: there is none. */
int store_photo(struct store_reader *reader, int64_t id, struct photo *photo, struct error *error);

/* Of an output: the end of its last power-up (wall time; 0: none), and whether,
 * since its unit was last confirmed, one began later than `after_us` after the one
 * before it ended, or after that confirmation. */
int store_read_absence(struct store_reader *reader, const char *supply, int64_t after_us,
                       int64_t *ended_us, bool *ask, struct error *error);

#endif
