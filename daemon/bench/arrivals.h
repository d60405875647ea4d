/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * When the last readings of an output came, for their rate and its jitter. Pure.
 */
#ifndef WAKEDRAW_BENCH_ARRIVALS_H
#define WAKEDRAW_BENCH_ARRIVALS_H

#include "bench/status.h"

#include <stddef.h>

enum { ARRIVALS_WINDOW = 1024 };

/* All zero before the first. */
struct arrivals {
    double at_s[ARRIVALS_WINDOW];
    size_t first, count; /* count 0: begins anew after a pause that is no gap */
    uint64_t gaps;
};

void arrivals_note(struct arrivals *arrivals, double at_s);

/* Fills in rate, jitter, longest gap and gaps. */
void arrivals_describe(const struct arrivals *arrivals, struct polling_status *status);

#endif
