/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the bench is doing now: health, supplies, what is on them, live.
 */
#include "base/clock.h"
#include "base/text_file.h"
#include "http/fields.h"
#include "http/route.h"

#include <microhttpd.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct health {
    json_t *store;
};

static int ask_health(struct store *store, void *context, struct error *error)
{
    struct health *health = context;
    health->store = store_health(store);
    return health->store ? 0 : error_set(error, EXIT_IO, NULL, 0, NULL, "the store is not well");
}

void health_get(struct desk *desk, struct call *call)
{
    const struct office *office = desk->office;
    struct health health = {NULL};
    struct error error = {0};
    char now[25];
    char started[25];
    bool well = bench_write(office->bench, ask_health, &health, &error) == 0;
    json_t *supplies = bench_supplies(office->bench);
    size_t index;
    json_t *supply;
    int reading = 0;
    json_array_foreach(supplies, index, supply)
    {
        const char *state = json_string_value(json_object_get(supply, "state"));
        reading += state && strcmp(state, "reading") == 0;
    }
    char why[1200];
    error_text(&error, why, sizeof why);
    if (well)
        well = bench_is_well(office->bench, why, sizeof why);
    json_t *answer =
        json_pack("{s:s, s:s, s:s, s:b, s:s, s:s, s:f, s:i, s:i, s:o?, s:o}", "status",
                  well ? "ok" : "failing", "version", WAKEDRAW_VERSION, "name",
                  office->config->name, "simulated", office->config->simulated_from_us != 0, "at",
                  clock_rfc3339(clock_wall_us(), now), "started_at",
                  clock_rfc3339(office->started_wall_us, started), "uptime_s",
                  clock_monotonic_s() - office->started_s, "supplies",
                  (int)json_array_size(supplies), "supplies_reading", reading, "store",
                  health.store, "problem", well ? json_null() : json_string(why));
    json_decref(supplies);
    answer_json(call->answer, well ? MHD_HTTP_OK : MHD_HTTP_SERVICE_UNAVAILABLE, answer);
}

void openapi_get(struct desk *desk, struct call *call)
{
    char path[1024];
    struct error error = {0};
    size_t length = 0;
    snprintf(path, sizeof path, "%s/openapi.json", desk->office->web);
    char *text = text_file_read(path, &length, &error);
    if (text)
        answer_text(call->answer, ANSWER_JSON, text, length);
    else
        answer_error(call->answer, &error);
}

void supplies_get(struct desk *desk, struct call *call)
{
    answer_json(call->answer, MHD_HTTP_OK,
                json_pack("{s:o, s:n}", "items", bench_supplies(desk->office->bench), "next"));
}

json_t *supply_item(struct bench *bench, const char *name)
{
    json_t *supplies = bench_supplies(bench);
    size_t index;
    json_t *supply;
    json_t *found = NULL;
    json_array_foreach(supplies, index, supply)
    {
        const char *here = json_string_value(json_object_get(supply, "name"));
        if (here && strcmp(here, name) == 0)
            found = json_incref(supply);
    }
    json_decref(supplies);
    return found;
}

void on_bench_put(struct desk *desk, struct call *call)
{
    static const char *const tags[] = {"heat", "cold", NULL};
    static const struct field fields[] = {
        {.key = "module_type", .kind = FIELD_TEXT, .longest = 127},
        {.key = "unit", .kind = FIELD_TEXT, .longest = 127},
        {.key = "work_order", .kind = FIELD_TEXT, .longest = 63},
        {.key = "stage", .kind = FIELD_TEXT, .longest = 63},
        {.key = "tag", .kind = FIELD_CHOICE, .choices = tags},
    };
    json_t *body = fields_read(call->body, call->body_length, fields,
                               sizeof fields / sizeof fields[0], call->answer);
    if (!body)
        return;
    struct on_bench on_bench = {0};
    struct error error = {0};
    snprintf(on_bench.module_type, sizeof on_bench.module_type, "%s",
             fields_text(body, "module_type"));
    snprintf(on_bench.unit, sizeof on_bench.unit, "%s", fields_text(body, "unit"));
    snprintf(on_bench.work_order, sizeof on_bench.work_order, "%s",
             fields_text(body, "work_order"));
    snprintf(on_bench.stage, sizeof on_bench.stage, "%s", fields_text(body, "stage"));
    snprintf(on_bench.tag, sizeof on_bench.tag, "%s", fields_text(body, "tag"));
    json_decref(body);
    if (bench_put_on(desk->office->bench, call->parameters[0], &on_bench, &error) < 0)
        answer_unchanged(call->answer, &error);
    else
        answer_json(call->answer, MHD_HTTP_OK,
                    supply_item(desk->office->bench, call->parameters[0]));
}

/* The supplies as they stand, as the first events of a stream. */
void live_get(struct desk *desk, struct call *call)
{
    const char *page = path_parameter(call->path, "page");
    if (page && strlen(page) >= PAGE_BYTES) {
        answer_problem(call->answer, MHD_HTTP_BAD_REQUEST, "page",
                       "\"page\" must be at most %d bytes", PAGE_BYTES - 1);
        return;
    }
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    json_t *supplies = bench_supplies(desk->office->bench);
    size_t index;
    json_t *supply;
    json_array_foreach(supplies, index, supply)
    {
        char *line = json_dumps(supply, ANSWER_JSON_FORM);
        if (line && stream)
            fprintf(stream, "event: supply\ndata: %s\n\n", line);
        free(line);
    }
    json_decref(supplies);
    if (!stream || fclose(stream) != 0)
        answer_json(call->answer, MHD_HTTP_OK, NULL);
    else
        answer_text(call->answer, "text/event-stream", text, length);
}
