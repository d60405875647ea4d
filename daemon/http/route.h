/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The table of what the API answers: method, pattern, handler.
 */
#ifndef WAKEDRAW_HTTP_ROUTE_H
#define WAKEDRAW_HTTP_ROUTE_H

#include "http/answer.h"
#include "http/live.h"
#include "http/path.h"
#include "http/register_finds.h"
#include "http/tally.h"

#include "bench/bench.h"

#include <stdint.h>

enum method { METHOD_OTHER, METHOD_GET, METHOD_PUT, METHOD_POST };

/* GET for HEAD too. */
enum method method_of(const char *name);

/* What all handlers share. Each runs in one of a few threads beside the
 * library's own, so that waiting for the disk never delays an event. */
struct office {
    const struct config *config;
    struct bench *bench;
    struct live *live;
    struct tally *tally;
    struct register_finds *finds;
    const char *web;
    double started_s; /* monotonic */
    int64_t started_wall_us;
};

/* A thread's own. */
struct desk {
    const struct office *office;
    struct store_reader *reader; /* opened at need */
};

/* A request as the handlers see it. */
struct call {
    const struct path *path;
    const char *parameters[2]; /* what stood at the {} of the pattern */
    const char *body;          /* a zero byte behind it */
    size_t body_length;
    double asked_s; /* monotonic: when it had come in */
    struct answer *answer;
};

typedef void handler(struct desk *desk, struct call *call);

struct route {
    enum method method;
    unsigned most_body;  /* bytes */
    const char *pattern; /* "/api/v1/units/{}" */
    handler *handle;
    const char *known; /* names of its query parameters, a blank between */
    bool is_stream;    /* its answer is the greeting of a live stream */
    bool is_switching; /* has desks of its own: off never waits behind others */
};

extern const struct route routes[];
extern const size_t route_count;

/* The route for a path, its {} parts into parameters. NULL: none; then allow
 * lists the methods that the path knows ("GET, HEAD, POST"), or is empty. */
const struct route *route_find(enum method method, const struct path *path,
                               const char *parameters[2], char allow[ALLOW_ROOM]);

/* The media types that a route's body may be of, a blank between. */
const char *route_takes(const struct route *route);

/* True where every query parameter is known to the route and none comes twice;
 * else the one at fault in *key. */
bool route_knows(const struct route *route, const struct path *path, const char **key);

/* --- the handlers --- */

handler health_get, openapi_get, metrics_get, live_get;
handler supplies_get, on_bench_put;
handler output_put, hold_put, output_log_get;
handler module_types_get, module_type_get, module_type_post;
handler references_get, reference_get, reference_post;
handler units_get, unit_get, unit_post;
handler work_orders_get, work_order_get, work_order_post;
handler power_ups_get, power_up_get, power_up_trace_get;
handler settings_get, settings_put, unit_put;
handler intake_post, confirm_post;
handler work_order_put, work_order_close, work_order_reopen;
handler note_post, note_strike, meter_reading_post, meter_reading_strike;
handler photo_post, photo_get, photo_strike;
handler attachment_put, tag_put, known_good_put, power_up_on_time_get;

handler check_post, checks_get;
handler work_order_trend_get, shipped_comparison_get, ledger_get;
handler record_post, records_get, record_get, record_file_get, record_csv_get;
handler run_post, run_get, run_end_post;
handler register_find_post, register_find_get, register_find_step_post;
handler register_find_profile_post, register_find_end_post;
handler reference_trial_post, reference_restore_post, reference_file_get;

/* The item whose id is the path's first {}; NULL with the answer made. */
json_t *desk_item(struct desk *desk, struct call *call, enum store_kind kind);

/* A supply as it stands; NULL: there is none. */
json_t *supply_item(struct bench *bench, const char *name);

/* Whether the body asks for an output to go on; all else is off, or refused at once. */
bool output_asks_on(const char *body, size_t length);

/* The desk's store reader; NULL with the answer made. */
struct store_reader *desk_reader(struct desk *desk, struct answer *answer);

#endif
