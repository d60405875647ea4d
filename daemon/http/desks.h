/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A few threads that run the handlers, each with its own store reader, while
 * the connection is suspended: reading and writing the disk never holds up the
 * thread that writes the event streams.
 */
#ifndef WAKEDRAW_HTTP_DESKS_H
#define WAKEDRAW_HTTP_DESKS_H

#include "base/error.h"
#include "http/request.h"

/* What switches an output has desks of its own: for each supply one where it is switched
 * on, which takes seconds, and one where it is switched off. So off waits for no disk, no
 * on and no other supply; only for an earlier off of the same one. */
enum { DESKS_ORDINARY = 2, DESKS_MOST_WAITING = 128 };

struct desks;

/* NULL with the error filled. The office must outlive it. */
struct desks *desks_create(const struct office *office, struct error *error);

/* Suspends the connection and queues the request; once it is answered the
 * connection is resumed. False, the connection untouched: too many wait, or
 * they have ended. */
bool desks_hand_over(struct desks *desks, struct request *request);

/* Answers what is queued, ends the threads; later requests are refused. */
void desks_end(struct desks *desks);
void desks_destroy(struct desks *desks); /* after desks_end */

#endif
