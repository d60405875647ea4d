/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/corrections.h"

#include "http/fields.h"
#include "store/records.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char nobody[] = "not said";

void corrections_clear(struct corrections *corrections)
{
    for (size_t i = 0; i < corrections->count; i++)
        json_decref(corrections->list[i].content);
    *corrections = (struct corrections){.count = 0};
}

/* `order` as it will be. An order without a record needs none. */
static bool add(struct desk *desk, const json_t *order, const struct power_up_move *move,
                const struct record_wish *wish, struct corrections *corrections,
                struct answer *answer)
{
    const json_t *record = json_object_get(order, "record");
    if (!record || json_is_null(record))
        return true;
    struct error error = {0};
    struct order_power_ups power_ups;
    struct correction *place = &corrections->list[corrections->count];
    const char *why_not = NULL;
    place->work_order = strtoll(fields_text(order, "id"), NULL, 10);
    if (order_power_ups_read_moved(desk->reader, desk->office->bench, order, move, &power_ups,
                                   &error) != 0) {
        answer_error(answer, &error);
        return false;
    }
    int status = record_draft(desk, order, &power_ups, wish, &place->content, &place->corrects,
                              &why_not, &error);
    order_power_ups_clear(&power_ups);
    if (status != 0)
        answer_error(answer, &error);
    else if (why_not)
        answer_problem(answer, MHD_HTTP_CONFLICT, NULL, "work order %s: %s",
                       fields_text(order, "id"), why_not);
    else
        corrections->count++;
    return status == 0 && !why_not;
}

static json_t *read_order(struct desk *desk, const char *id, struct answer *answer)
{
    struct error error = {0};
    json_t *order =
        store_get(desk->reader, STORE_WORK_ORDERS, strtoll(id, NULL, 10), false, &error);
    if (!order)
        answer_error(answer, &error);
    return order;
}

static const char *hand_of(const json_t *asked, const json_t *order)
{
    const char *hand = fields_text(asked, "hand");
    if (!hand[0])
        hand = fields_text(order, "hand");
    return hand[0] ? hand : nobody;
}

/* One of the two orders of a move; `move` with nothing to join or to leave. */
static bool add_moved(struct desk *desk, const char *order_id, const json_t *to,
                      const struct power_up_move *move, struct corrections *corrections,
                      struct answer *answer)
{
    if (!order_id[0])
        return true;
    json_t *order = read_order(desk, order_id, answer);
    if (!order)
        return false;
    char why[600];
    snprintf(why, sizeof why, "power-up %lld was %s: %.500s", (long long)move->id,
             move->tag ? "tagged" : "moved", fields_text(to, "why"));
    struct record_wish wish = {.hand = hand_of(to, order), .why = why};
    /* One that is not there is refused by the change itself. */
    bool done = json_is_null(order) || add(desk, order, move, &wish, corrections, answer);
    json_decref(order);
    return done;
}

bool corrections_for_move(struct desk *desk, const json_t *power_up, const json_t *to,
                          struct corrections *corrections, struct answer *answer)
{
    const char *from_order = fields_text(power_up, "work_order");
    const char *to_order = fields_text(to, "work_order");
    struct power_up_move leaves = {.id = strtoll(fields_text(power_up, "id"), NULL, 10)};
    struct power_up_move joins = leaves;
    joins.joining = power_up;
    joins.stage = fields_text(to, "stage");
    *corrections = (struct corrections){.count = 0};
    bool done = strcmp(from_order, to_order) == 0 ||
                add_moved(desk, from_order, to, &leaves, corrections, answer);
    if (done)
        done = add_moved(desk, to_order, to, &joins, corrections, answer);
    if (!done)
        corrections_clear(corrections);
    return done;
}

bool corrections_for_tag(struct desk *desk, const json_t *power_up, const char *tag,
                         struct corrections *corrections, struct answer *answer)
{
    *corrections = (struct corrections){.count = 0};
    struct power_up_move stays = {.id = strtoll(fields_text(power_up, "id"), NULL, 10),
                                  .joining = power_up,
                                  .stage = fields_text(power_up, "stage"),
                                  .tag = tag};
    json_t *to = json_pack("{s:s}", "why", tag[0] ? tag : "neither heat nor cold");
    bool done =
        add_moved(desk, fields_text(power_up, "work_order"), to, &stays, corrections, answer);
    json_decref(to);
    if (!done)
        corrections_clear(corrections);
    return done;
}

bool corrections_for_order(struct desk *desk, int64_t order, const json_t *keys,
                           struct corrections *corrections, struct answer *answer)
{
    char id[32];
    *corrections = (struct corrections){.count = 0};
    snprintf(id, sizeof id, "%lld", (long long)order);
    json_t *item = read_order(desk, id, answer);
    if (!item)
        return false;
    bool done = json_is_null(item);
    if (!done) {
        json_t *changed = json_deep_copy(keys);
        json_object_del(changed, "correct_record");
        json_object_update(item, changed);
        struct record_wish wish = {.hand = hand_of(keys, item),
                                   .why = "what the work order says was corrected"};
        done = add(desk, item, NULL, &wish, corrections, answer);
        json_decref(changed);
    }
    json_decref(item);
    return done;
}

void corrections_settle(const struct corrections *corrections, json_t *asked)
{
    if (corrections->count == 0)
        json_object_del(asked, "correct_record");
}

int corrections_write(struct store *store, const struct corrections *corrections,
                      int (*change)(struct store *store, void *context, struct error *error),
                      void *context, struct error *error)
{
    if (corrections->count == 0)
        return change(store, context, error);
    if (store_group_begin(store, error) != 0)
        return -1;
    int status = change(store, context, error);
    for (size_t i = 0; status == 0 && i < corrections->count; i++) {
        const struct correction *correction = &corrections->list[i];
        int64_t id = 0;
        status = store_put_record(store, correction->work_order, correction->corrects,
                                  correction->content, &id, error);
    }
    /* The error stays that of what failed. */
    struct error ending = {0};
    int ended = store_group_end(store, status == 0, status == 0 ? error : &ending);
    return status == 0 ? ended : -1;
}
