/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/reference_trial.h"
#include "http/fields.h"

#include "bench/bench_conditions.h"
#include "reference/reference_json.h"
#include "verdict/judge.h"
#include "verdict/under_heat.h"
#include "verdict/verdict_json.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Known-goods being gathered; units in the order they are met. */
struct goods {
    struct known_good units[TRIAL_MOST_UNITS];
    struct trace *traces[TRIAL_MOST_UNITS];
    size_t count;
    json_t *items; /* what names and reasons point into */
};

static int out_of_memory(struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
}

static int refuse(struct error *error, const char *id, const char *why)
{
    return error_set(error, EXIT_BAD_DATA, "power_ups", 0,
                     "power-ups of units of this type whose watch was completed", "%.40s %s", id,
                     why);
}

static void goods_clear(struct goods *goods)
{
    for (size_t u = 0; u < goods->count; u++) {
        for (size_t i = 0; i < goods->units[u].count; i++)
            trace_clear(&goods->traces[u][i]);
        free(goods->traces[u]);
    }
    json_decref(goods->items);
}

static size_t unit_place(struct goods *goods, const char *serial)
{
    size_t u = 0;
    while (u < goods->count && strcmp(goods->units[u].unit, serial) != 0)
        u++;
    return u;
}

/* Room for one more trace of this unit; NULL: memory is out or too many units. */
static struct trace *trace_place(struct goods *goods, const json_t *item)
{
    const char *serial = fields_text(item, "unit");
    size_t u = unit_place(goods, serial);
    if (u == TRIAL_MOST_UNITS)
        return NULL;
    struct known_good *unit = &goods->units[u];
    size_t count = u < goods->count ? unit->count : 0;
    struct trace *more = realloc(goods->traces[u], (count + 1) * sizeof *more);
    if (!more)
        return NULL;
    goods->traces[u] = more;
    more[count] = (struct trace){0};
    if (u == goods->count) {
        const char *why = fields_text(json_object_get(item, "known_good"), "why");
        *unit = (struct known_good){.unit = serial, .trusted_because = why[0] ? why : NULL};
        goods->count++;
    }
    unit->traces = more;
    unit->count = count + 1;
    return &more[count];
}

static int take_power_up(struct store_reader *reader, const char *module_type, const char *id,
                         struct goods *goods, struct error *error)
{
    int64_t number = strtoll(id, NULL, 10);
    if (number < 1 || strspn(id, "0123456789") != strlen(id))
        return refuse(error, id, "is no id");
    json_t *item = store_get(reader, STORE_POWER_UPS, number, false, error);
    if (!item)
        return -1;
    if (json_array_append_new(goods->items, item) != 0)
        return out_of_memory(error);
    if (json_is_null(item))
        return refuse(error, id, "is not here");
    if (strcmp(fields_text(item, "module_type"), module_type) != 0)
        return refuse(error, id, "is of another type");
    if (fields_text(item, "unit")[0] == '\0')
        return refuse(error, id, "belongs to no unit");
    if (strcmp(fields_text(item, "state"), "complete") != 0)
        return refuse(error, id, "did not complete its watch");
    struct trace *place = trace_place(goods, item);
    if (!place)
        return out_of_memory(error);
    return store_read_watch(reader, number, place, error);
}

/* --- what is borrowed --- */

struct pool {
    struct reference **references;
    size_t count;
};

static void pool_clear(struct pool *pool)
{
    for (size_t i = 0; i < pool->count; i++)
        reference_destroy(pool->references[i]);
    free(pool->references);
}

static int pool_add(struct store_reader *reader, const char *name, struct pool *pool,
                    struct error *error)
{
    int version = 0;
    char *text = store_reference_text(reader, name, &version, error);
    if (!text)
        return error->status == EXIT_OK ? 0 : -1;
    struct reference **more =
        realloc(pool->references, (pool->count + 1) * sizeof(struct reference *));
    if (!more) {
        free(text);
        return out_of_memory(error);
    }
    pool->references = more;
    more[pool->count] = reference_parse(text, strlen(text), name, error);
    free(text);
    if (!more[pool->count])
        return -1;
    pool->count++;
    return 0;
}

static int pool_read(struct store_reader *reader, const char *module_type, struct pool *pool,
                     struct error *error)
{
    struct store_filter filter = {.limit = 500};
    json_t *list = store_list(reader, STORE_MODULE_TYPES, &filter, error);
    if (!list)
        return -1;
    const json_t *items = json_object_get(list, "items");
    int status = 0;
    for (size_t i = 0; status == 0 && i < json_array_size(items); i++) {
        const char *name = fields_text(json_array_get(items, i), "name");
        if (strcmp(name, module_type) != 0)
            status = pool_add(reader, name, pool, error);
    }
    json_decref(list);
    return status;
}

static int next_version(struct store_reader *reader, const char *module_type, int *version,
                        struct error *error)
{
    *version = 0;
    char *text = store_reference_text(reader, module_type, version, error);
    if (!text && error->status != EXIT_OK)
        return -1;
    free(text);
    ++*version;
    return 0;
}

struct reference *trial_build(struct store_reader *reader, const struct bench *bench,
                              struct reference_request *request, const json_t *ids,
                              struct error *error)
{
    struct goods *goods = calloc(1, sizeof *goods);
    struct pool pool = {0};
    struct reference *reference = NULL;
    if (!goods || (goods->items = json_array()) == NULL) {
        free(goods);
        out_of_memory(error);
        return NULL;
    }
    int status = next_version(reader, request->module_type, &request->version, error);
    for (size_t i = 0; status == 0 && i < json_array_size(ids); i++)
        status = take_power_up(reader, request->module_type,
                               json_string_value(json_array_get(ids, i)), goods, error);
    if (status == 0)
        status = pool_read(reader, request->module_type, &pool, error);
    if (status == 0) {
        const json_t *first = json_array_get(goods->items, 0);
        request->accuracy = first ? bench_accuracy(bench, fields_text(first, "supply")) : NULL;
        request->pool = (const struct reference *const *)pool.references;
        request->pool_count = pool.count;
        reference = reference_build(request, goods->units, goods->count, error);
    }
    pool_clear(&pool);
    goods_clear(goods);
    free(goods);
    return reference;
}

/* --- what it would change --- */

static int judge_again(struct store_reader *reader, const struct bench *bench,
                       const struct reference *reference, const json_t *item, json_t *changes,
                       struct error *error)
{
    struct trace trace = {0};
    struct verdict verdict;
    struct phases phases = {0};
    const char *was = fields_text(json_object_get(item, "verdict"), "verdict");
    if (store_read_watch(reader, strtoll(fields_text(item, "id"), NULL, 10), &trace, error) != 0)
        return -1;
    struct conditions conditions = {.revision = NULL};
    int status = bench_conditions_of(reader, reference_module_type(reference),
                                     fields_text(item, "unit"), &conditions, error);
    if (status == 0 && judge_trace_under(&conditions, reference,
                                         bench_accuracy(bench, fields_text(item, "supply")),
                                         trace.readings, trace.count, &verdict, &phases) != 0)
        status = out_of_memory(error);
    conditions_clear(&conditions);
    trace_clear(&trace);
    phases_clear(&phases);
    if (status != 0)
        return -1;
    if (is_under_heat(fields_text(item, "tag"), fields_text(item, "stage")))
        under_heat(&verdict);
    const char *now = verdict_kind_name(verdict.kind);
    if (strcmp(was, now) == 0)
        return 0;
    json_t *change = json_pack("{s:O, s:O, s:O, s:s, s:s, s:s}", "power_up",
                               json_object_get(item, "id"), "unit", json_object_get(item, "unit"),
                               "stage", json_object_get(item, "stage"), "was", was, "would_be", now,
                               "reason", verdict.reason_count > 0 ? verdict.reasons[0].text : "");
    return json_array_append_new(changes, change) == 0 ? 0 : out_of_memory(error);
}

json_t *trial_changes(struct store_reader *reader, const struct bench *bench,
                      const struct reference *reference, struct error *error)
{
    struct store_filter filter = {.module_type = reference_module_type(reference),
                                  .limit = TRIAL_MOST_POWER_UPS};
    json_t *list = store_list(reader, STORE_POWER_UPS, &filter, error);
    if (!list)
        return NULL;
    json_t *changes = json_array();
    const json_t *items = json_object_get(list, "items");
    int judged = 0;
    int status = 0;
    for (size_t i = 0; status == 0 && i < json_array_size(items); i++) {
        const json_t *item = json_array_get(items, i);
        if (strcmp(fields_text(item, "state"), "open") == 0 ||
            !json_is_object(json_object_get(item, "verdict")))
            continue;
        status = judge_again(reader, bench, reference, item, changes, error);
        judged++;
    }
    bool left_out = !json_is_null(json_object_get(list, "next"));
    json_decref(list);
    if (status == 0)
        return json_pack("{s:i, s:o, s:b}", "judged", judged, "changes", changes, "left_out",
                         left_out);
    json_decref(changes);
    return NULL;
}
