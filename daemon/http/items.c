/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/items.h"

#include <microhttpd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool read_digits(const char *text, int64_t least, int64_t most, int64_t *number)
{
    size_t length = strlen(text);
    if (length == 0 || length > 18 || strspn(text, "0123456789") != length)
        return false;
    *number = strtoll(text, NULL, 10);
    return *number >= least && *number <= most;
}

bool items_id(struct call *call, int64_t *id)
{
    if (read_digits(call->parameters[0], 1, INT64_MAX, id))
        return true;
    answer_problem(call->answer, MHD_HTTP_NOT_FOUND, "id", "an id is digits only");
    return false;
}

json_t *items_kept(struct desk *desk, struct call *call, enum store_kind kind, int64_t id)
{
    struct error error = {0};
    if (!desk_reader(desk, call->answer))
        return NULL;
    json_t *item = store_get(desk->reader, kind, id, false, &error);
    if (!item)
        answer_error(call->answer, &error);
    return item;
}

void items_answer(struct desk *desk, struct call *call, unsigned status, enum store_kind kind,
                  int64_t id)
{
    static const char *const collections[] = {
        [STORE_MODULE_TYPES] = "module-types",
        [STORE_REFERENCES] = "references",
        [STORE_UNITS] = "units",
        [STORE_WORK_ORDERS] = "work-orders",
        [STORE_POWER_UPS] = "power-ups",
    };
    json_t *item = items_kept(desk, call, kind, id);
    if (!item)
        return;
    if (kind == STORE_REFERENCES)
        json_object_del(item, "reference");
    answer_json(call->answer, status, item);
    if (status == MHD_HTTP_CREATED)
        snprintf(call->answer->location, sizeof call->answer->location, "/api/v1/%s/%lld",
                 collections[kind], (long long)id);
}

void items_tell_order(struct desk *desk, int64_t order)
{
    char data[48];
    snprintf(data, sizeof data, "{\"id\":\"%lld\"}", (long long)order);
    live_publish(desk->office->live, "work-order", data);
}
