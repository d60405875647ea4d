/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of outputs.h, for its own files.
 */
#ifndef WAKEDRAW_BENCH_OUTPUTS_PRIVATE_H
#define WAKEDRAW_BENCH_OUTPUTS_PRIVATE_H

#include "bench/bench_private.h"
#include "bench/output_lines.h"
#include "bench/presence.h"

#include <pthread.h>

/* Of one output. */
struct hand {
    double off_s; /* when an off was last asked for; NAN: never */
    struct output_asker off_by;
    bool ours, off_failed; /* as last told */
    bool adopted;          /* marked as ours before the start, and not yet seen on or off */
    char page[PAGE_BYTES]; /* that it was switched on with; empty: none to look after */
    double from_s;         /* the page's absence counts from here at the earliest */
};

struct outputs {
    struct bench *bench;
    struct output_lines *lines;
    pthread_mutex_t mutex;
    pthread_cond_t changed;
    struct hand *hands; /* one a supply */
    struct presence presence;
    double page_gone_s;
    double again_s;
    pthread_t thread;
    bool started, stopping;
};

const char *outputs_name_of(const struct outputs *outputs, int supply);
struct poller *outputs_poller_of(const struct outputs *outputs, int supply);

#endif
