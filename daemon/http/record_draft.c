/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/record_draft.h"
#include "http/fields.h"

#include "base/clock.h"
#include "http/order_trend.h"
#include "record/record_content.h"
#include "reference/reference.h"
#include "store/orders.h"
#include "store/records.h"
#include "verdict/under_heat.h"

#include <stdlib.h>
#include <string.h>

/* The one that was the newest when the order was read: one written since then is found
 * out when the draft is to be kept. */
static int find_corrected(struct desk *desk, const json_t *order, json_t **corrected,
                          struct error *error)
{
    const char *record = fields_text(order, "record");
    *corrected = NULL;
    if (!record[0])
        return 0;
    *corrected = store_record(desk->reader, strtoll(record, NULL, 10), false, error);
    return *corrected ? 0 : -1;
}

/* The first of a list; JSON null where it is empty, NULL with the error filled. */
static json_t *first_item(struct desk *desk, enum store_kind kind,
                          const struct store_filter *filter, struct error *error)
{
    json_t *list = store_list(desk->reader, kind, filter, error);
    if (!list)
        return NULL;
    json_t *first = json_array_get(json_object_get(list, "items"), 0);
    json_t *item = first ? json_incref(first) : json_null();
    json_decref(list);
    return item;
}

/* The one by which the power-ups were judged again. */
static json_t *reference_json(struct desk *desk, const struct order_power_ups *power_ups,
                              struct error *error)
{
    const struct reference *reference = power_ups->reference;
    struct store_filter filter = {.module_type = reference_module_type(reference), .limit = 500};
    json_t *list = store_list(desk->reader, STORE_REFERENCES, &filter, error);
    if (!list)
        return NULL;
    json_t *found = json_null();
    const json_t *items = json_object_get(list, "items");
    for (size_t i = 0; i < json_array_size(items) && json_is_null(found); i++) {
        json_t *item = json_array_get(items, i);
        if (json_integer_value(json_object_get(item, "version")) == power_ups->version)
            found = json_incref(item);
    }
    json_decref(list);
    if (json_is_null(found))
        return found;
    json_t *claims = json_array();
    for (size_t i = 0; i < reference_claim_count(reference); i++)
        json_array_append_new(claims, json_string(reference_claim(reference, i)));
    json_object_set_new(found, "claims", claims);
    return found;
}

static json_t *unit_item(struct desk *desk, const json_t *order, struct error *error)
{
    const char *serial = fields_text(order, "unit");
    struct store_filter filter = {.serial = serial, .limit = 1};
    json_t *unit = first_item(desk, STORE_UNITS, &filter, error);
    if (!json_is_null(unit))
        return unit;
    error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no unit \"%.60s\"", serial);
    return NULL;
}

/* The first that was decided, neither under heat nor cold: as it came in. 0: none. */
static int64_t came_in_as(const struct order_power_ups *power_ups)
{
    for (size_t i = 0; i < power_ups->count; i++) {
        const json_t *item = json_array_get(power_ups->items, i);
        const char *verdict = fields_text(json_object_get(item, "verdict"), "verdict");
        if (!fields_text(item, "tag")[0] && !is_under_heat("", fields_text(item, "stage")) &&
            (strcmp(verdict, "good") == 0 || strcmp(verdict, "bad") == 0))
            return strtoll(fields_text(item, "id"), NULL, 10);
    }
    return 0;
}

static json_t *compare_with(struct desk *desk, const json_t *shipped, int64_t power_up,
                            struct error *error)
{
    struct order_power_ups both;
    if (order_power_ups_read_shipped(desk->reader, desk->office->bench,
                                     json_object_get(shipped, "power_ups"), power_up, &both,
                                     error) != 0)
        return NULL;
    json_t *compared = shipped_comparison(&both, shipped, power_up);
    order_power_ups_clear(&both);
    static const char *const told[] = {"work_order", "power_up", "changed", "said"};
    json_t *kept = json_object();
    for (size_t i = 0; compared && i < sizeof told / sizeof *told; i++)
        json_object_set(kept, told[i], json_object_get(compared, told[i]));
    json_decref(compared);
    return kept;
}

/* JSON null where it never left repaired before. */
static json_t *against_shipped(struct desk *desk, const json_t *order, const json_t *unit,
                               const struct order_power_ups *power_ups, struct error *error)
{
    int64_t power_up = came_in_as(power_ups);
    if (power_up == 0)
        return json_null();
    json_t *shipped = store_shipped(desk->reader, strtoll(fields_text(unit, "id"), NULL, 10),
                                    strtoll(fields_text(order, "id"), NULL, 10), error);
    if (!shipped || json_is_null(shipped))
        return shipped;
    json_t *compared = compare_with(desk, shipped, power_up, error);
    json_decref(shipped);
    return compared;
}

static json_t *make(struct desk *desk, const json_t *order, const json_t *unit,
                    const struct order_power_ups *power_ups, const struct record_wish *wish,
                    const json_t *corrects, struct error *error)
{
    char at[25];
    struct record_source source = {
        .bench = desk->office->config->name,
        .written_at = clock_rfc3339(clock_wall_us(), at),
        .hand = wish->hand,
        .corrects = corrects,
        .unit = unit,
        .work_order = order,
        .power_ups = power_ups->items,
        .method = stage_rows_method,
        .simulated = desk->office->config->simulated_from_us != 0,
    };
    json_t *rows =
        stage_rows_to_json(power_ups->reference, power_ups->accuracy, power_ups->stages,
                           power_ups->stage_count, power_ups->power_ups, power_ups->count);
    json_t *together = order_power_ups_together(power_ups);
    json_t *reference = power_ups->reference ? reference_json(desk, power_ups, error) : json_null();
    /* As it was when the last power-up began. */
    const json_t *newest = json_array_get(power_ups->items, power_ups->count - 1);
    source.bench_check = json_object_get(newest, "bench");
    json_t *against = against_shipped(desk, order, unit, power_ups, error);
    json_t *settings = store_settings(desk->reader, error);
    source.shop = json_object_get(settings, "shop");
    source.rows = rows;
    source.together = together;
    source.reference = json_is_null(reference) ? NULL : reference;
    source.against_shipped = json_is_null(against) ? NULL : against;
    bool whole = rows && together && reference && against && settings;
    json_t *content = whole ? record_content(&source) : NULL;
    if (!content && error->status == EXIT_OK)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    json_decref(rows);
    json_decref(together);
    json_decref(reference);
    json_decref(against);
    json_decref(settings);
    return content;
}

static int draft(struct desk *desk, const json_t *order, const struct order_power_ups *power_ups,
                 const struct record_wish *wish, const json_t *corrected, json_t **content,
                 struct error *error)
{
    json_t *unit = unit_item(desk, order, error);
    if (!unit)
        return -1;
    json_t *corrects = NULL;
    if (corrected)
        corrects = json_pack("{s:O, s:s}", "number", json_object_get(corrected, "number"), "why",
                             wish->why);
    *content = make(desk, order, unit, power_ups, wish, corrects, error);
    json_decref(corrects);
    json_decref(unit);
    return *content ? 0 : -1;
}

int record_draft(struct desk *desk, const json_t *order, const struct order_power_ups *power_ups,
                 const struct record_wish *wish, json_t **content, int64_t *corrects,
                 const char **why_not, struct error *error)
{
    struct record_source source = {.work_order = order, .power_ups = power_ups->items};
    json_t *corrected = NULL;
    *content = NULL;
    *corrects = 0;
    *why_not = NULL;
    if (!record_may_be_written(&source, why_not))
        return 0;
    if (find_corrected(desk, order, &corrected, error) != 0)
        return -1;
    int status = 0;
    if (corrected && !wish->why[0])
        *why_not = "this work order has a record: say in \"why\" what the new one corrects";
    else
        status = draft(desk, order, power_ups, wish, corrected, content, error);
    if (corrected)
        *corrects = strtoll(fields_text(corrected, "id"), NULL, 10);
    json_decref(corrected);
    return status;
}
