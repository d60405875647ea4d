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
};

struct live;

/* NULL: memory is out. `first_id`: event ids count on from here; one that grows
 * from one start of the daemon to the next keeps replay right across them. */
struct live *live_create(struct tally *tally, uint64_t first_id);
void live_destroy(struct live *live); /* all streams must be gone */

/* From any thread. `data` is one line. */
void live_publish(struct live *live, const char *name, const char *data);

/* The response that streams to this connection: first `greeting` (whole frames;
 * may be empty), then the kept events after last_id (0: none), then what
 * happens. NULL: too many streams, memory is out, or ending. */
struct MHD_Response *live_join(struct live *live, struct MHD_Connection *connection,
                               const char *address, const char *greeting, uint64_t last_id);

/* Ends all streams, and lets none begin any more. */
void live_end(struct live *live);

/* Streams open, and bytes waiting in the fullest queue. */
void live_state(struct live *live, size_t *streams, size_t *most_waiting);

#endif
