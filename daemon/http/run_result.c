/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/run_result.h"
#include "http/fields.h"

#include "http/order_power_ups.h"
#include "verdict/repeated_json.h"
#include "verdict/under_heat.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct told {
    struct repeated_power_up *power_ups; /* oldest last while earlier ones are added */
    size_t count, room;
};

static int out_of_memory(struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

static enum verdict_kind kind_of(const json_t *item)
{
    const char *word = fields_text(json_object_get(item, "verdict"), "verdict");
    return strcmp(word, "good") == 0  ? VERDICT_GOOD
           : strcmp(word, "bad") == 0 ? VERDICT_BAD
                                      : VERDICT_UNSURE;
}

static int add(struct told *told, const struct repeated_power_up *power_up)
{
    if (told->count == told->room) {
        size_t room = told->room ? 2 * told->room : 64;
        void *grown = realloc(told->power_ups, room * sizeof *told->power_ups);
        if (!grown)
            return -1;
        told->power_ups = grown;
        told->room = room;
    }
    told->power_ups[told->count++] = *power_up;
    return 0;
}

/* One page of those before an id; the next such id, 0: no more. -1 with the error
 * filled. */
static int add_earlier(struct store_reader *reader, const json_t *run, int64_t *before,
                       struct told *told, struct error *error)
{
    const struct store_filter filter = {.run = fields_text(run, "id"),
                                        .unit = json_string_value(json_object_get(run, "unit")),
                                        .before = *before,
                                        .limit = ORDER_MOST_POWER_UPS};
    json_t *list = store_list(reader, STORE_POWER_UPS, &filter, error);
    if (!list)
        return -1;
    const json_t *items = json_object_get(list, "items");
    int status = 0;
    for (size_t i = 0; status == 0 && i < json_array_size(items); i++) {
        struct repeated_power_up counted = {.kind = kind_of(json_array_get(items, i)),
                                            .final_draw_A = (double)NAN};
        status = add(told, &counted) == 0 ? 0 : out_of_memory(error);
    }
    *before = strtoll(fields_text(list, "next"), NULL, 10);
    json_decref(list);
    return status;
}

/* Newest first, then turned round: the failure test takes them in their order. */
static int gather(struct store_reader *reader, const json_t *run,
                  const struct order_power_ups *power_ups, struct told *told, struct error *error)
{
    for (size_t i = power_ups->count; i-- > 0;)
        if (add(told, &power_ups->power_ups[i].told) != 0)
            return out_of_memory(error);
    int64_t before = 0;
    if (power_ups->more && power_ups->count > 0)
        before = strtoll(fields_text(json_array_get(power_ups->items, 0), "id"), NULL, 10);
    while (before > 0)
        if (add_earlier(reader, run, &before, told, error) != 0)
            return -1;
    for (size_t i = 0; i < told->count / 2; i++) {
        struct repeated_power_up kept = told->power_ups[i];
        told->power_ups[i] = told->power_ups[told->count - 1 - i];
        told->power_ups[told->count - 1 - i] = kept;
    }
    return 0;
}

static json_t *judge(const json_t *run, const struct order_power_ups *power_ups,
                     const struct told *told)
{
    struct unit_verdict verdict;
    if (repeated_judge(power_ups->reference, power_ups->accuracy, told->power_ups, told->count,
                       &verdict) != 0)
        return NULL;
    json_t *json = unit_verdict_to_json(&verdict);
    if (!json || !is_under_heat(fields_text(run, "tag"), fields_text(run, "stage")))
        return json;
    json_t *heated = under_heat_json(json);
    json_decref(json);
    return heated;
}

json_t *run_result(struct store_reader *reader, const struct bench *bench, const json_t *run,
                   struct error *error)
{
    struct order_power_ups power_ups;
    if (order_power_ups_read_run(reader, bench, run, &power_ups, error) != 0)
        return NULL;
    struct told told = {0};
    json_t *result = NULL;
    if (gather(reader, run, &power_ups, &told, error) == 0) {
        result = judge(run, &power_ups, &told);
        if (!result)
            out_of_memory(error);
    }
    free(told.power_ups);
    order_power_ups_clear(&power_ups);
    return result;
}
