/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The power-ups of a work order, read from the store and judged again by the
 * reference that is newest now, for all that looks at them together.
 */
#ifndef WAKEDRAW_HTTP_ORDER_POWER_UPS_H
#define WAKEDRAW_HTTP_ORDER_POWER_UPS_H

#include "bench/bench.h"
#include "record/stage_rows.h"
#include "store/store.h"

enum { ORDER_MOST_POWER_UPS = 500, ORDER_MOST_STAGES = 64 };

struct order_power_ups {
    struct reference *reference;           /* NULL: the type has none */
    int version;                           /* its version in the store */
    struct conditions conditions;          /* of the newest: it is compared under */
    const struct accuracy *accuracy;       /* of the supply of the newest; NULL: not known */
    const char *stages[ORDER_MOST_STAGES]; /* the order's own in their order, then others met */
    size_t stage_count;
    json_t *items;                    /* array, oldest first, each with its signature */
    struct stage_power_up *power_ups; /* as items */
    size_t count;
    bool more;     /* the order has earlier ones than these */
    json_t *names; /* what stages point into */
};

/* Those of the order (`order`: its item) that have ended their watch, the newest
 * ORDER_MOST_POWER_UPS. -1 with the error filled. */
int order_power_ups_read(struct store_reader *reader, const struct bench *bench,
                         const json_t *order, struct order_power_ups *power_ups,
                         struct error *error);

/* A power-up that is about to leave an order, or to join it: they are read as they
 * will be. */
struct power_up_move {
    int64_t id;
    const json_t *joining; /* its item; NULL: it leaves */
    const char *stage;     /* at which it joins */
    const char *tag;       /* which it gets; NULL: as it is */
};
/* The same; `move` NULL: as they are. */
int order_power_ups_read_moved(struct store_reader *reader, const struct bench *bench,
                               const json_t *order, const struct power_up_move *move,
                               struct order_power_ups *power_ups, struct error *error);

/* A power-up of today and those with which the unit left (`shipped`: their ids, the
 * newest ORDER_MOST_SHIPPED are taken), as if they were two stages of one order. */
enum { ORDER_MOST_SHIPPED = 50 };
extern const char stage_when_it_left[], stage_today[];
int order_power_ups_read_shipped(struct store_reader *reader, const struct bench *bench,
                                 const json_t *shipped, int64_t today,
                                 struct order_power_ups *power_ups, struct error *error);

/* Those of a run (`run`: its item), the newest ORDER_MOST_POWER_UPS. */
int order_power_ups_read_run(struct store_reader *reader, const struct bench *bench,
                             const json_t *run, struct order_power_ups *power_ups,
                             struct error *error);

void order_power_ups_clear(struct order_power_ups *power_ups);

/* {"STAGE": a unit's verdict by the power-ups of that stage}. NULL: memory is out. */
json_t *order_power_ups_together(const struct order_power_ups *power_ups);

#endif
