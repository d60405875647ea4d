/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/route.h"

#include <stdio.h>
#include <string.h>

enum {
    SMALL_BODY = 1024 * 1024,
    REFERENCE_BODY = 4 * 1024 * 1024,
    PHOTO_BODY = PHOTO_MOST_BYTES,
};

const struct route routes[] = {
    {METHOD_GET, 0, "/api/v1/health", health_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/openapi.json", openapi_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/live", live_get, "last_event_id page", true, false},
    {METHOD_GET, 0, "/api/v1/settings", settings_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/settings", settings_put, "", false, false},
    {METHOD_GET, 0, "/api/v1/supplies", supplies_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/supplies/{}/on-bench", on_bench_put, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/supplies/{}/on-bench/confirm", confirm_post, "", false,
     false},
    {METHOD_POST, SMALL_BODY, "/api/v1/supplies/{}/intake", intake_post, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/supplies/{}/checks", check_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/supplies/{}/checks", checks_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/supplies/{}/output", output_put, "", false, true},
    {METHOD_PUT, SMALL_BODY, "/api/v1/supplies/{}/hold", hold_put, "", false, false},
    {METHOD_GET, 0, "/api/v1/output-log", output_log_get, "limit before supply", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/supplies/{}/run", run_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/runs/{}", run_get, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/runs/{}/end", run_end_post, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/register-finds", register_find_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/register-finds/{}", register_find_get, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/register-finds/{}/steps", register_find_step_post, "", false,
     false},
    {METHOD_POST, SMALL_BODY, "/api/v1/register-finds/{}/profile", register_find_profile_post, "",
     false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/register-finds/{}/end", register_find_end_post, "", false,
     false},
    {METHOD_GET, 0, "/api/v1/module-types", module_types_get, "limit before", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/module-types", module_type_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/module-types/{}", module_type_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/references", references_get, "limit before module_type", false, false},
    {METHOD_POST, REFERENCE_BODY, "/api/v1/references", reference_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/references/{}", reference_get, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/reference-trials", reference_trial_post, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/references/{}/restore", reference_restore_post, "", false,
     false},
    {METHOD_GET, 0, "/api/v1/references/{}/file", reference_file_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/units", units_get, "limit before module_type serial search", false,
     false},
    {METHOD_POST, SMALL_BODY, "/api/v1/units", unit_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/units/{}", unit_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/units/{}", unit_put, "", false, false},
    {METHOD_GET, 0, "/api/v1/units/{}/shipped-comparison", shipped_comparison_get, "power_up",
     false, false},
    {METHOD_GET, 0, "/api/v1/work-orders", work_orders_get, "limit before unit", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders", work_order_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/work-orders/{}", work_order_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/work-orders/{}", work_order_put, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders/{}/close", work_order_close, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders/{}/reopen", work_order_reopen, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders/{}/notes", note_post, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders/{}/meter-readings", meter_reading_post, "",
     false, false},
    {METHOD_POST, PHOTO_BODY, "/api/v1/work-orders/{}/photos", photo_post, "stage", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/notes/{}/strike", note_strike, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/meter-readings/{}/strike", meter_reading_strike, "", false,
     false},
    {METHOD_POST, SMALL_BODY, "/api/v1/photos/{}/strike", photo_strike, "", false, false},
    {METHOD_GET, 0, "/api/v1/photos/{}", photo_get, "", false, false},
    {METHOD_POST, SMALL_BODY, "/api/v1/work-orders/{}/record", record_post, "", false, false},
    {METHOD_GET, 0, "/api/v1/records", records_get, "limit before unit work_order", false, false},
    {METHOD_GET, 0, "/api/v1/records/{}", record_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/records/{}/record.json", record_file_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/records/{}/record.csv", record_csv_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/work-orders/{}/trend", work_order_trend_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/power-ups", power_ups_get,
     "limit before module_type unit work_order supply stage verdict reason day from to run", false,
     false},
    {METHOD_GET, 0, "/api/v1/power-ups/{}", power_up_get, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/power-ups/{}/attachment", attachment_put, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/power-ups/{}/tag", tag_put, "", false, false},
    {METHOD_PUT, SMALL_BODY, "/api/v1/power-ups/{}/known-good", known_good_put, "", false, false},
    {METHOD_GET, 0, "/api/v1/power-ups/{}/on-time", power_up_on_time_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/power-ups/{}/trace.csv", power_up_trace_get, "", false, false},
    {METHOD_GET, 0, "/api/v1/ledger", ledger_get, "from to", false, false},
    {METHOD_GET, 0, "/metrics", metrics_get, "", false, false},
};
const size_t route_count = sizeof routes / sizeof routes[0];

enum method method_of(const char *name)
{
    if (strcmp(name, "GET") == 0 || strcmp(name, "HEAD") == 0)
        return METHOD_GET;
    if (strcmp(name, "PUT") == 0)
        return METHOD_PUT;
    return strcmp(name, "POST") == 0 ? METHOD_POST : METHOD_OTHER;
}

static bool fits(const char *pattern, const struct path *path, const char *parameters[2])
{
    size_t taken = 0;
    const char *part = pattern + 1;
    for (size_t i = 0; i < path->count; i++) {
        size_t length = strcspn(part, "/");
        const char *segment = path->segments[i];
        if (length == 2 && strncmp(part, "{}", 2) == 0) {
            if (*segment == '\0')
                return false;
            parameters[taken++] = segment;
        } else if (strlen(segment) != length || strncmp(part, segment, length) != 0) {
            return false;
        }
        part += length;
        if (*part == '\0')
            return i + 1 == path->count;
        part++;
    }
    return false;
}

const struct route *route_find(enum method method, const struct path *path,
                               const char *parameters[2], char allow[ALLOW_ROOM])
{
    static const char *const names[] = {"", "GET, HEAD", "PUT", "POST"};
    allow[0] = '\0';
    for (size_t i = 0; i < route_count; i++) {
        if (!fits(routes[i].pattern, path, parameters))
            continue;
        if (routes[i].method == method)
            return &routes[i];
        size_t length = strlen(allow);
        snprintf(allow + length, ALLOW_ROOM - length, "%s%s", length > 0 ? ", " : "",
                 names[routes[i].method]);
    }
    return NULL;
}

const char *route_takes(const struct route *route)
{
    return route->handle == photo_post ? "image/jpeg image/png image/webp" : ANSWER_JSON;
}

static bool is_among(const char *names, const char *key)
{
    size_t length = strlen(key);
    for (const char *name = names; *name;) {
        size_t here = strcspn(name, " ");
        if (here == length && strncmp(name, key, length) == 0)
            return true;
        name += here + strspn(name + here, " ");
    }
    return false;
}

bool route_knows(const struct route *route, const struct path *path, const char **key)
{
    for (size_t i = 0; i < path->parameter_count; i++) {
        *key = path->keys[i];
        if (!is_among(route->known, *key) || path_parameter(path, *key) != path->values[i])
            return false;
    }
    return true;
}
