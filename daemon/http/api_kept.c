/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is kept: lists, items, traces.
 */
#include "base/clock.h"
#include "base/trace_file.h"
#include "http/items.h"
#include "http/route.h"
#include "reference/reference_json.h"
#include "verdict/earliest.h"

#include <errno.h>
#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIMIT_DEFAULT = 50, LIMIT_MOST = 500, LONGEST_FILTER = 127 };

struct store_reader *desk_reader(struct desk *desk, struct answer *answer)
{
    struct error error = {0};
    if (!desk->reader)
        desk->reader = store_reader_open(desk->office->config->data, &error);
    if (!desk->reader)
        answer_error(answer, &error);
    return desk->reader;
}

static bool read_verdict(const struct path *path, struct store_filter *filter,
                         struct answer *answer)
{
    const char *verdict = path_parameter(path, "verdict");
    filter->verdict = verdict;
    if (!verdict || strcmp(verdict, "good") == 0 || strcmp(verdict, "bad") == 0 ||
        strcmp(verdict, "unsure") == 0)
        return true;
    answer_problem(answer, MHD_HTTP_BAD_REQUEST, "verdict",
                   "\"verdict\" must be good, bad or unsure, found \"%s\"", verdict);
    return false;
}

bool items_day(const struct path *path, const char *key, int64_t *from_us, int64_t *to_us,
               struct answer *answer)
{
    const char *day = path_parameter(path, key);
    if (!day || clock_local_day(day, from_us, to_us))
        return true;
    answer_problem(answer, MHD_HTTP_BAD_REQUEST, key,
                   "\"%s\" must be a day like 2026-01-31, found \"%.20s\"", key, day);
    return false;
}

/* One day, or the days from one to another; both: what they have in common. */
static bool read_days(const struct path *path, struct store_filter *filter, struct answer *answer)
{
    int64_t first_us = 0;
    int64_t last_us = 0;
    int64_t ignored_us = 0;
    if (!items_day(path, "day", &filter->from_us, &filter->to_us, answer) ||
        !items_day(path, "from", &first_us, &ignored_us, answer) ||
        !items_day(path, "to", &ignored_us, &last_us, answer))
        return false;
    if (first_us > filter->from_us)
        filter->from_us = first_us;
    if (last_us && (!filter->to_us || last_us < filter->to_us))
        filter->to_us = last_us;
    return true;
}

bool items_filter(const struct path *path, struct store_filter *filter, struct answer *answer)
{
    static const int64_t most_id = 999999999999999999;
    int64_t number = LIMIT_DEFAULT;
    const char *limit = path_parameter(path, "limit");
    const char *before = path_parameter(path, "before");
    memset(filter, 0, sizeof *filter);
    for (size_t i = 0; i < path->parameter_count; i++)
        if (strlen(path->values[i]) > LONGEST_FILTER) {
            answer_problem(answer, MHD_HTTP_BAD_REQUEST, path->keys[i],
                           "\"%s\" must be at most %d bytes", path->keys[i], LONGEST_FILTER);
            return false;
        }
    if (limit && !read_digits(limit, 1, LIMIT_MOST, &number)) {
        answer_problem(answer, MHD_HTTP_BAD_REQUEST, "limit",
                       "\"limit\" must be a whole number from 1 to %d, found \"%s\"", LIMIT_MOST,
                       limit);
        return false;
    }
    if (before && !read_digits(before, 1, most_id, &filter->before)) {
        answer_problem(answer, MHD_HTTP_BAD_REQUEST, "before",
                       "\"before\" must be an id, digits only, found \"%s\"", before);
        return false;
    }
    filter->limit = (int)number;
    filter->module_type = path_parameter(path, "module_type");
    filter->unit = path_parameter(path, "unit");
    filter->work_order = path_parameter(path, "work_order");
    filter->supply = path_parameter(path, "supply");
    filter->serial = path_parameter(path, "serial");
    filter->search = path_parameter(path, "search");
    filter->stage = path_parameter(path, "stage");
    filter->reason = path_parameter(path, "reason");
    filter->run = path_parameter(path, "run");
    return read_verdict(path, filter, answer) && read_days(path, filter, answer);
}

static void list(struct desk *desk, struct call *call, enum store_kind kind)
{
    struct store_filter filter;
    struct error error = {0};
    if (!items_filter(call->path, &filter, call->answer) || !desk_reader(desk, call->answer))
        return;
    json_t *items = store_list(desk->reader, kind, &filter, &error);
    if (items)
        answer_json(call->answer, MHD_HTTP_OK, items);
    else
        answer_error(call->answer, &error);
}

/* The item whose id stands in the path; NULL with the answer made. */
static json_t *find(struct desk *desk, struct call *call, enum store_kind kind, bool with_trace)
{
    struct error error = {0};
    int64_t id = 0;
    if (!items_id(call, &id) || !desk_reader(desk, call->answer))
        return NULL;
    if (kind == STORE_POWER_UPS)
        bench_flush(desk->office->bench, id);
    json_t *item = store_get(desk->reader, kind, id, with_trace, &error);
    if (!item)
        answer_error(call->answer, &error);
    else if (json_is_null(item))
        answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id", "nothing with the id %s here",
                       call->parameters[0]);
    else
        return item;
    json_decref(item);
    return NULL;
}

json_t *desk_item(struct desk *desk, struct call *call, enum store_kind kind)
{
    return find(desk, call, kind, false);
}

static void get(struct desk *desk, struct call *call, enum store_kind kind)
{
    json_t *item = find(desk, call, kind, true);
    if (item)
        answer_json(call->answer, MHD_HTTP_OK, item);
}

void module_types_get(struct desk *desk, struct call *call)
{
    list(desk, call, STORE_MODULE_TYPES);
}

void module_type_get(struct desk *desk, struct call *call)
{
    get(desk, call, STORE_MODULE_TYPES);
}

void references_get(struct desk *desk, struct call *call)
{
    list(desk, call, STORE_REFERENCES);
}

/* With when a verdict by it can come. */
void reference_get(struct desk *desk, struct call *call)
{
    json_t *item = find(desk, call, STORE_REFERENCES, true);
    if (!item)
        return;
    struct error error = {0};
    char *text = json_dumps(json_object_get(item, "reference"), JSON_REAL_PRECISION(17));
    struct reference *reference =
        text ? reference_parse(text, strlen(text), call->parameters[0], &error) : NULL;
    json_t *earliest = reference ? earliest_to_json(reference) : NULL;
    reference_destroy(reference);
    free(text);
    if (earliest) {
        json_object_set_new(item, "earliest", earliest);
        answer_json(call->answer, MHD_HTTP_OK, item);
        return;
    }
    json_decref(item);
    if (!reference && error.status)
        answer_error(call->answer, &error);
    else
        answer_problem(call->answer, MHD_HTTP_INTERNAL_SERVER_ERROR, NULL, "memory is out");
}

void units_get(struct desk *desk, struct call *call)
{
    list(desk, call, STORE_UNITS);
}

void unit_get(struct desk *desk, struct call *call)
{
    get(desk, call, STORE_UNITS);
}

void work_orders_get(struct desk *desk, struct call *call)
{
    list(desk, call, STORE_WORK_ORDERS);
}

void work_order_get(struct desk *desk, struct call *call)
{
    get(desk, call, STORE_WORK_ORDERS);
}

void power_ups_get(struct desk *desk, struct call *call)
{
    list(desk, call, STORE_POWER_UPS);
}

void power_up_get(struct desk *desk, struct call *call)
{
    get(desk, call, STORE_POWER_UPS);
}

void power_up_trace_get(struct desk *desk, struct call *call)
{
    json_t *item = find(desk, call, STORE_POWER_UPS, false);
    if (!item)
        return;
    json_decref(item);
    struct trace trace = {0};
    struct error error = {0};
    char *text = NULL;
    size_t length = 0;
    if (store_read_trace(desk->reader, strtoll(call->parameters[0], NULL, 10), &trace, &error) <
        0) {
        answer_error(call->answer, &error);
        return;
    }
    FILE *stream = open_memstream(&text, &length);
    int written = stream ? trace_file_write(stream, trace.readings, trace.count) : -1;
    if (stream && fclose(stream) != 0)
        written = -1;
    trace_clear(&trace);
    if (written < 0) {
        free(text);
        error_set(&error, EXIT_SOFTWARE, NULL, 0, NULL, "the trace cannot be written: %s",
                  strerror(errno));
        answer_error(call->answer, &error);
        return;
    }
    answer_text(call->answer, "text/csv; charset=utf-8; header=present", text, length);
    snprintf(call->answer->file_name, sizeof call->answer->file_name, "power-up-%s.csv",
             call->parameters[0]);
}
