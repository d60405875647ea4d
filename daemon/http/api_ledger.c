/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The shop's view over some days.
 */
#include "base/clock.h"
#include "http/items.h"
#include "http/route.h"
#include "store/ledger.h"

#include <microhttpd.h>

enum { DAYS_DEFAULT = 14, DAYS_MOST = 1100 };

static const int64_t day_us = (int64_t)86400 * 1000000;

/* Given, or the last DAYS_DEFAULT days; false with the answer made. */
static bool read_period(struct call *call, int64_t *from_us, int64_t *to_us)
{
    char today[11];
    char first[11];
    int64_t begins_us = 0;
    int64_t ends_us = 0;
    if (!clock_local_day(clock_day_of(clock_wall_us(), today), &begins_us, &ends_us))
        ends_us = clock_wall_us();
    *to_us = ends_us;
    if (!items_day(call->path, "to", &begins_us, to_us, call->answer))
        return false;
    /* From a noon: days with a change of the clocks are longer, or shorter. */
    clock_day_of(*to_us - day_us / 2 - (DAYS_DEFAULT - 1) * day_us, first);
    if (!clock_local_day(first, from_us, &ends_us))
        *from_us = *to_us - DAYS_DEFAULT * day_us;
    if (!items_day(call->path, "from", from_us, &ends_us, call->answer))
        return false;
    if (*from_us < *to_us && *to_us - *from_us <= DAYS_MOST * day_us)
        return true;
    answer_problem(call->answer, MHD_HTTP_BAD_REQUEST, "from",
                   "\"from\" must be a day up to \"to\", at most %d days before it", DAYS_MOST);
    return false;
}

void ledger_get(struct desk *desk, struct call *call)
{
    struct error error = {0};
    int64_t from_us = 0;
    int64_t to_us = 0;
    if (!read_period(call, &from_us, &to_us) || !desk_reader(desk, call->answer))
        return;
    json_t *ledger = store_ledger(desk->reader, from_us, to_us, &error);
    if (!ledger) {
        answer_error(call->answer, &error);
        return;
    }
    char from[11];
    char to[11];
    char offset[7];
    json_object_set_new(ledger, "from", json_string(clock_day_of(from_us, from)));
    json_object_set_new(ledger, "to", json_string(clock_day_of(to_us - 1, to)));
    json_object_set_new(ledger, "utc_offset", json_string(clock_utc_offset(to_us - 1, offset)));
    answer_json(call->answer, MHD_HTTP_OK, ledger);
}
