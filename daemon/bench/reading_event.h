/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Readings as the text of a live event: 20 a second for each output are written
 * out, so it is done by whole numbers and in one piece. Pure.
 */
#ifndef WAKEDRAW_BENCH_READING_EVENT_H
#define WAKEDRAW_BENCH_READING_EVENT_H

#include "base/reading.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* {"supply", "power_up" (its id as text, null for 0), "time_s", "voltage_V",
 * "current_A"}: the numbers as they are kept, to a tenth of a microampere at most,
 * null where there is none. `supply` is quoted already. To be freed; NULL: memory is
 * out. */
char *reading_event_text(const char *supply, int64_t power_up, const struct reading *readings,
                         size_t count);

#endif
