/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One request, from its first line to its answer.
 */
#ifndef WAKEDRAW_HTTP_REQUEST_H
#define WAKEDRAW_HTTP_REQUEST_H

#include "http/access.h"
#include "http/route.h"

#include <microhttpd.h>

struct request {
    struct MHD_Connection *connection;
    enum path_result path_result;
    struct path path;
    const struct route *route; /* NULL: a page file, or refused */
    const char *parameters[2];
    char *body;
    size_t body_length, body_room;
    struct gate *gate; /* that counts the memory held; NULL until checked */
    size_t held;
    size_t discarded; /* bytes of a body past its limit */
    bool checked;     /* its head was */
    bool handed_over; /* to a desk */
    char page_place[300];
    const char *page_type; /* NULL: not a page file */
    char client[64];
    struct answer answer;
    double asked_s;       /* when it was handed to the desks */
    struct request *next; /* in the queue of the desks */
};

/* From the request target as it came. NULL: memory is out. */
struct request *request_create(const char *target);
void request_destroy(struct request *request);

/* Who may ask for what. */
struct gate {
    int port;
    bool tls;
    char machine[256]; /* the machine's own name; empty: only loopback */
    struct access *access;
    size_t held; /* bytes of bodies and answers in memory; the library's thread alone */
};

/* Bodies and answers of all requests together; past it, requests are refused. */
enum { REQUESTS_MOST_HELD = 128 * 1024 * 1024 };

/* Counts bytes until the request is over. False: too many, and not counted. */
bool request_hold(struct request *request, size_t bytes);

/* Looks at the head of a request: its path, Host, Origin, route, method, code,
 * media type, announced length. What does not pass has its answer made. */
void request_check(struct request *request, struct gate *gate, const char *method);

/* A body was announced. */
bool request_has_body(const struct request *request);

/* Takes a piece of the body. False: drop the connection. */
bool request_take(struct request *request, const char *piece, size_t length);

#endif
