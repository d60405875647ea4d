/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The HTTP server: the API under /api/v1/, the live event stream, the metrics
 * and the page's files.
 */
#ifndef WAKEDRAW_HTTP_SERVER_H
#define WAKEDRAW_HTTP_SERVER_H

#include "base/error.h"
#include "bench/bench.h"
#include "bench/config.h"

struct server;

/* Checks what it is told: an address other than loopback needs an access code
 * (a file with one line of 8 characters or more); the code's file must be
 * readable. Does not listen yet. `web` is the directory of the page's files.
 * NULL with the error filled. */
struct server *server_create(const struct config *config, const char *web, struct error *error);

/* Where events are handed in, from any thread, without blocking. Usable before
 * server_start, so that the bench can be made with it. */
void server_happened(void *server, const char *name, const char *data);
void server_all_told(void *server);

/* Listens. -1: EXIT_UNAVAILABLE with address and why. */
int server_start(struct server *server, struct bench *bench, struct error *error);

/* The port listened on (the one chosen where the configuration said 0). */
int server_port(const struct server *server);

/* Ends the streams, then stops. */
void server_stop(struct server *server);
void server_destroy(struct server *server);

#endif
