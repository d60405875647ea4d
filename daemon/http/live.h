/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The live event streams. An event is written out once and shared by all
 * streams; each stream has a bounded queue of its own, and a reader too slow
 * for it first goes without reading events and then is cut off, so that it
 * connects again and is told by Last-Event-ID what it missed. Handing an event
 * in never waits for a reader.
 */
#ifndef WAKEDRAW_HTTP_LIVE_H
#define WAKEDRAW_HTTP_LIVE_H

#include "http/tally.h"

#include <microhttpd.h>
#include <stddef.h>
#include <stdint.h>

enum {
    LIVE_MOST_STREAMS = 64,
    LIVE_MOST_PER_ADDRESS = 48,
    LIVE_QUEUE_BYTES = 256 * 1024,
    LIVE_QUEUE_FRAMES = 1024,
    LIVE_REPLAYED = 64, /* power-up and verdict events kept for replay */
    LIVE_RETRY_MS = 1000,
    LIVE_UNHEARD_MS = 15000, /* what is sent and not acknowledged for so long ends it */
    LIVE_LONGEST_PAGE = 39,
};

struct live;

/* Is told which page's stream opened and closed; must not block. */
struct live_watcher {
    void (*joined)(void *context, const char *page);
    void (*left)(void *context, const char *page);
    void *context;
};

/* Before the first stream. */
void live_watch(struct live *live, const struct live_watcher *watcher);

/* NULL: memory is out. `first_id`: event ids count on from here; one that grows
 * from one start of the daemon to the next keeps replay right across them. */
struct live *live_create(struct tally *tally, uint64_t first_id);
void live_destroy(struct live *live); /* all streams must be gone */

/* From any thread. `data` is one line. Reading events wait for live_pass_on, so that a
 * reader's connection is woken once for those of all supplies. */
void live_publish(struct live *live, const char *name, const char *data);
void live_pass_on(struct live *live);

/* The response that streams to this connection: first `greeting` (whole frames;
 * may be empty), then the kept events after last_id (0: none), then what
 * happens. `page` is what the page calls itself; empty: not said. NULL: too many
 * streams, memory is out, or ending. */
struct MHD_Response *live_join(struct live *live, struct MHD_Connection *connection,
                               const char *address, const char *page, const char *greeting,
                               uint64_t last_id);

/* Ends the streams whose other end is gone: while nothing is sent to them the library
 * does not see it. Now and then, from any thread. */
void live_end_left(struct live *live);

/* Ends all streams, and lets none begin any more. */
void live_end(struct live *live);

/* Streams open, and bytes waiting in the fullest queue. */
void live_state(struct live *live, size_t *streams, size_t *most_waiting);

#endif
