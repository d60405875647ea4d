/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/order_power_ups.h"
#include "http/fields.h"

#include "bench/bench_conditions.h"
#include "reference/reference_json.h"
#include "verdict/repeated_json.h"
#include "verdict/under_heat.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char no_stage[] = "no stage";
const char stage_when_it_left[] = "when it left";
const char stage_today[] = "today";

static int out_of_memory(struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

/* --- stages --- */

static size_t stage_index(struct order_power_ups *power_ups, const char *name)
{
    const char *shown = name[0] ? name : no_stage;
    for (size_t i = 0; i < power_ups->stage_count; i++)
        if (strcmp(power_ups->stages[i], shown) == 0)
            return i;
    json_t *kept = json_string(shown);
    if (power_ups->stage_count == ORDER_MOST_STAGES ||
        json_array_append_new(power_ups->names, kept) != 0)
        return SIZE_MAX;
    power_ups->stages[power_ups->stage_count] = json_string_value(kept);
    return power_ups->stage_count++;
}

/* What was caught under heat or cold is another thing than the stage's own. */
static size_t place_of(struct order_power_ups *power_ups, const json_t *item)
{
    char name[160];
    const char *stage = fields_text(item, "stage");
    const char *tag = fields_text(item, "tag");
    if (!tag[0])
        return stage_index(power_ups, stage);
    snprintf(name, sizeof name, "%s, %s", stage[0] ? stage : no_stage, tag);
    return stage_index(power_ups, name);
}

/* --- the store --- */

/* `stage` NULL: its own. */
static int append_whole(struct store_reader *reader, int64_t id, const char *stage,
                        struct order_power_ups *power_ups, struct error *error)
{
    json_t *whole = store_get(reader, STORE_POWER_UPS, id, false, error);
    if (!whole)
        return -1;
    if (stage)
        json_object_set_new(whole, "stage", json_string(stage));
    return json_array_append_new(power_ups->items, whole) == 0 ? 0 : out_of_memory(error);
}

static int64_t id_of(const json_t *item)
{
    return strtoll(fields_text(item, "id"), NULL, 10);
}

static int list_items(struct store_reader *reader, const char *order,
                      const struct power_up_move *move, struct order_power_ups *power_ups,
                      struct error *error)
{
    struct store_filter filter = {.work_order = order, .limit = ORDER_MOST_POWER_UPS};
    json_t *list = store_list(reader, STORE_POWER_UPS, &filter, error);
    if (!list)
        return -1;
    power_ups->more = !json_is_null(json_object_get(list, "next"));
    const json_t *items = json_object_get(list, "items");
    int status = 0;
    for (size_t i = json_array_size(items); status == 0 && i-- > 0;) {
        const json_t *item = json_array_get(items, i);
        bool is_moving = move && id_of(item) == move->id;
        if (strcmp(fields_text(item, "state"), "open") != 0 && !is_moving)
            status = append_whole(reader, id_of(item), NULL, power_ups, error);
    }
    json_decref(list);
    return status;
}

/* By id, as the others are. */
static int join(struct store_reader *reader, const struct power_up_move *move,
                struct order_power_ups *power_ups, struct error *error)
{
    if (!move || !move->joining)
        return 0;
    size_t at = 0;
    while (at < json_array_size(power_ups->items) &&
           id_of(json_array_get(power_ups->items, at)) < move->id)
        at++;
    json_t *whole = store_get(reader, STORE_POWER_UPS, move->id, false, error);
    if (!whole)
        return -1;
    json_object_set_new(whole, "stage", move->stage[0] ? json_string(move->stage) : json_null());
    if (move->tag)
        json_object_set_new(whole, "tag", move->tag[0] ? json_string(move->tag) : json_null());
    json_t *verdict = json_object_get(whole, "verdict");
    if (verdict && is_under_heat(fields_text(whole, "tag"), fields_text(whole, "stage")))
        json_object_set_new(whole, "verdict", under_heat_json(verdict));
    return json_array_insert_new(power_ups->items, at, whole) == 0 ? 0 : out_of_memory(error);
}

static int read_reference(struct store_reader *reader, const char *module_type, const char *unit,
                          struct order_power_ups *power_ups, struct error *error)
{
    if (!module_type[0])
        return 0;
    struct conditions *conditions = &power_ups->conditions;
    if (bench_conditions_of(reader, module_type, unit, conditions, error) != 0)
        return -1;
    char *text = store_reference_text_for(reader, module_type, conditions->revision,
                                          conditions->set_up, &power_ups->version, error);
    if (!text)
        return error->status == EXIT_OK ? 0 : -1;
    power_ups->reference = reference_parse(text, strlen(text), module_type, error);
    free(text);
    return power_ups->reference ? 0 : -1;
}

static double final_draw_of(const json_t *item)
{
    const json_t *phases = json_object_get(json_object_get(item, "signature"), "phases");
    size_t count = json_array_size(phases);
    const json_t *level = json_object_get(json_array_get(phases, count - 1), "level_A");
    return count > 0 && json_is_number(level) ? json_number_value(level) : (double)NAN;
}

static int judge_item(struct store_reader *reader, const struct bench *bench, const json_t *item,
                      struct order_power_ups *power_ups, struct error *error)
{
    struct stage_power_up *place = &power_ups->power_ups[power_ups->count];
    struct trace trace = {0};
    struct verdict verdict;
    struct phases phases = {0};
    const struct accuracy *accuracy = bench_accuracy(bench, fields_text(item, "supply"));
    place->stage = place_of(power_ups, item);
    if (place->stage == SIZE_MAX)
        return out_of_memory(error);
    if (store_read_trace(reader, id_of(item), &trace, error) != 0)
        return -1;
    int status =
        repeated_judge_trace_under(&power_ups->conditions, power_ups->reference, accuracy,
                                   trace.readings, trace.count, &verdict, &phases, &place->told);
    trace_clear(&trace);
    phases_clear(&phases);
    if (status != 0)
        return out_of_memory(error);
    place->final_draw_A = final_draw_of(item);
    power_ups->accuracy = accuracy;
    power_ups->count++;
    return 0;
}

/* What is listed, each at its stage. */
static int judge_all(struct store_reader *reader, const struct bench *bench,
                     struct order_power_ups *power_ups, struct error *error)
{
    size_t count = json_array_size(power_ups->items);
    const json_t *newest = json_array_get(power_ups->items, count - 1);
    if (count > 0 && read_reference(reader, fields_text(newest, "module_type"),
                                    fields_text(newest, "unit"), power_ups, error) != 0)
        return -1;
    power_ups->power_ups = calloc(count + 1, sizeof *power_ups->power_ups);
    if (!power_ups->power_ups)
        return out_of_memory(error);
    for (size_t i = 0; i < count; i++)
        if (judge_item(reader, bench, json_array_get(power_ups->items, i), power_ups, error) != 0)
            return -1;
    return 0;
}

static int read_all(struct store_reader *reader, const struct bench *bench, const json_t *order,
                    const struct power_up_move *move, struct order_power_ups *power_ups,
                    struct error *error)
{
    const json_t *stages = json_object_get(order, "stages");
    for (size_t i = 0; i < json_array_size(stages); i++)
        if (stage_index(power_ups, json_string_value(json_array_get(stages, i))) == SIZE_MAX)
            return out_of_memory(error);
    if (list_items(reader, fields_text(order, "id"), move, power_ups, error) != 0 ||
        join(reader, move, power_ups, error) != 0)
        return -1;
    return judge_all(reader, bench, power_ups, error);
}

int order_power_ups_read(struct store_reader *reader, const struct bench *bench,
                         const json_t *order, struct order_power_ups *power_ups,
                         struct error *error)
{
    return order_power_ups_read_moved(reader, bench, order, NULL, power_ups, error);
}

int order_power_ups_read_moved(struct store_reader *reader, const struct bench *bench,
                               const json_t *order, const struct power_up_move *move,
                               struct order_power_ups *power_ups, struct error *error)
{
    *power_ups = (struct order_power_ups){.items = json_array(), .names = json_array()};
    if (read_all(reader, bench, order, move, power_ups, error) == 0)
        return 0;
    order_power_ups_clear(power_ups);
    return -1;
}

static int read_shipped(struct store_reader *reader, const struct bench *bench,
                        const json_t *shipped, int64_t today, struct order_power_ups *power_ups,
                        struct error *error)
{
    if (stage_index(power_ups, stage_when_it_left) == SIZE_MAX ||
        stage_index(power_ups, stage_today) == SIZE_MAX)
        return out_of_memory(error);
    size_t count = json_array_size(shipped);
    for (size_t i = count > ORDER_MOST_SHIPPED ? count - ORDER_MOST_SHIPPED : 0; i < count; i++) {
        int64_t id = strtoll(json_string_value(json_array_get(shipped, i)), NULL, 10);
        if (append_whole(reader, id, stage_when_it_left, power_ups, error) != 0)
            return -1;
    }
    power_ups->more = count > ORDER_MOST_SHIPPED;
    return append_whole(reader, today, stage_today, power_ups, error) == 0
               ? judge_all(reader, bench, power_ups, error)
               : -1;
}

int order_power_ups_read_shipped(struct store_reader *reader, const struct bench *bench,
                                 const json_t *shipped, int64_t today,
                                 struct order_power_ups *power_ups, struct error *error)
{
    *power_ups = (struct order_power_ups){.items = json_array(), .names = json_array()};
    if (read_shipped(reader, bench, shipped, today, power_ups, error) == 0)
        return 0;
    order_power_ups_clear(power_ups);
    return -1;
}

static int read_run(struct store_reader *reader, const struct bench *bench, const json_t *run,
                    struct order_power_ups *power_ups, struct error *error)
{
    const struct store_filter filter = {.run = fields_text(run, "id"),
                                        .unit = json_string_value(json_object_get(run, "unit")),
                                        .limit = ORDER_MOST_POWER_UPS};
    json_t *list = store_list(reader, STORE_POWER_UPS, &filter, error);
    const json_t *items = json_object_get(list, "items");
    power_ups->more = !json_is_null(json_object_get(list, "next"));
    int status = list ? 0 : -1;
    for (size_t i = json_array_size(items); status == 0 && i-- > 0;) {
        const json_t *item = json_array_get(items, i);
        if (strcmp(fields_text(item, "state"), "open") != 0)
            status = append_whole(reader, id_of(item), fields_text(run, "stage"), power_ups, error);
    }
    json_decref(list);
    return status == 0 ? judge_all(reader, bench, power_ups, error) : -1;
}

int order_power_ups_read_run(struct store_reader *reader, const struct bench *bench,
                             const json_t *run, struct order_power_ups *power_ups,
                             struct error *error)
{
    *power_ups = (struct order_power_ups){.items = json_array(), .names = json_array()};
    if (read_run(reader, bench, run, power_ups, error) == 0)
        return 0;
    order_power_ups_clear(power_ups);
    return -1;
}

void order_power_ups_clear(struct order_power_ups *power_ups)
{
    reference_destroy(power_ups->reference);
    conditions_clear(&power_ups->conditions);
    json_decref(power_ups->items);
    json_decref(power_ups->names);
    free(power_ups->power_ups);
    *power_ups = (struct order_power_ups){.reference = NULL};
}

static bool is_stage_under_heat(const struct order_power_ups *power_ups, size_t stage)
{
    for (size_t i = 0; i < power_ups->count; i++) {
        const json_t *item = json_array_get(power_ups->items, i);
        if (power_ups->power_ups[i].stage == stage &&
            is_under_heat(fields_text(item, "tag"), fields_text(item, "stage")))
            return true;
    }
    return false;
}

static int put_together(const struct order_power_ups *power_ups, size_t stage,
                        const struct repeated_power_up *of_stage, size_t count, json_t *together)
{
    struct unit_verdict verdict;
    if (repeated_judge(power_ups->reference, power_ups->accuracy, of_stage, count, &verdict) != 0)
        return -1;
    json_t *told = unit_verdict_to_json(&verdict);
    if (told && is_stage_under_heat(power_ups, stage)) {
        json_t *never_good = under_heat_json(told);
        json_decref(told);
        told = never_good;
    }
    return json_object_set_new(together, power_ups->stages[stage], told);
}

json_t *order_power_ups_together(const struct order_power_ups *power_ups)
{
    json_t *together = json_object();
    struct repeated_power_up *of_stage = malloc((power_ups->count + 1) * sizeof *of_stage);
    int status = together && of_stage ? 0 : -1;
    for (size_t s = 0; status == 0 && s < power_ups->stage_count; s++) {
        size_t count = 0;
        for (size_t i = 0; i < power_ups->count; i++)
            if (power_ups->power_ups[i].stage == s)
                of_stage[count++] = power_ups->power_ups[i].told;
        if (count > 0)
            status = put_together(power_ups, s, of_stage, count, together);
    }
    free(of_stage);
    if (status == 0)
        return together;
    json_decref(together);
    return NULL;
}
