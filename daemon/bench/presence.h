/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which pages are there: a page is there while a live stream under its name is open.
 * Pure; time is data.
 */
#ifndef WAKEDRAW_BENCH_PRESENCE_H
#define WAKEDRAW_BENCH_PRESENCE_H

#include "bench/output_wish.h"

#include <stddef.h>

/* More than streams can be open at once, so that pages gone a while ago stay known. */
enum { PRESENCE_PAGES = 256 };

struct presence {
    struct presence_page {
        char name[PAGE_BYTES]; /* empty: a free place */
        unsigned streams;
        double left_s; /* when the last one closed */
    } pages[PRESENCE_PAGES];
};

/* Where all places are taken by pages that are there, a new one is not noted. */
void presence_join(struct presence *presence, const char *page);
void presence_leave(struct presence *presence, const char *page, double now_s);

/* For how long a page has been gone; 0: it is there; not-a-number: never seen, or
 * gone so long that it is forgotten. */
double presence_gone_s(const struct presence *presence, const char *page, double now_s);

#endif
