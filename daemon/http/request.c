/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/request.h"

#include "base/clock.h"
#include "http/address.h"
#include "http/page_files.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* A body past its limit is read on and thrown away up to here, so that its
 * sender gets to see the answer. */
enum { MOST_DISCARDED = 8 * 1024 * 1024 };

struct request *request_create(const char *target)
{
    struct request *request = calloc(1, sizeof *request);
    if (request)
        request->path_result = path_read(target, &request->path);
    return request;
}

void request_destroy(struct request *request)
{
    if (!request)
        return;
    if (request->gate)
        request->gate->held -= request->held;
    answer_clear(&request->answer);
    free(request->body);
    free(request);
}

bool request_hold(struct request *request, size_t bytes)
{
    if (request->gate->held + bytes > REQUESTS_MOST_HELD)
        return false;
    request->gate->held += bytes;
    request->held += bytes;
    return true;
}

static const char *header(const struct request *request, const char *name)
{
    return MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND, name);
}

static void check_sender(struct request *request, const struct gate *gate)
{
    const char *host = header(request, MHD_HTTP_HEADER_HOST);
    const char *origin = header(request, MHD_HTTP_HEADER_ORIGIN);
    if (!address_host_allowed(host, gate->port, gate->tls, gate->machine))
        answer_problem(&request->answer, MHD_HTTP_MISDIRECTED_REQUEST, "Host",
                       "this server does not answer under that name");
    else if (origin && !address_origin_allowed(origin, host, gate->tls))
        answer_problem(&request->answer, MHD_HTTP_FORBIDDEN, "Origin",
                       "pages from elsewhere are not answered");
}

static void check_path(struct request *request)
{
    if (request->path_result == PATH_TOO_LONG)
        answer_problem(&request->answer, MHD_HTTP_URI_TOO_LONG, NULL,
                       "the address is longer than %d bytes", PATH_LONGEST);
    else if (request->path_result == PATH_TOO_MANY)
        answer_problem(&request->answer, MHD_HTTP_NOT_FOUND, NULL,
                       "the address has too many parts or parameters");
    else if (request->path_result == PATH_MALFORMED)
        answer_problem(&request->answer, MHD_HTTP_BAD_REQUEST, NULL,
                       "the address is malformed: %%XX escapes of UTF-8 without control "
                       "characters were expected");
}

static void check_page_file(struct request *request, const char *method)
{
    bool is_api = request->path.count > 0 && strcmp(request->path.segments[0], "api") == 0;
    const char *media_type = NULL;
    if (is_api || !page_files_place(&request->path, request->page_place, sizeof request->page_place,
                                    &media_type)) {
        answer_problem(&request->answer, MHD_HTTP_NOT_FOUND, NULL, "there is nothing here");
        return;
    }
    if (method_of(method) == METHOD_GET) {
        request->page_type = media_type;
        return;
    }
    answer_problem(&request->answer, MHD_HTTP_METHOD_NOT_ALLOWED, NULL, "not here");
    strcpy(request->answer.allow, "GET, HEAD");
}

static void check_route(struct request *request, const char *method)
{
    char allow[sizeof request->answer.allow];
    const char *key = NULL;
    request->route = route_find(method_of(method), &request->path, request->parameters, allow);
    if (!request->route && !allow[0]) {
        check_page_file(request, method);
    } else if (!request->route) {
        answer_problem(&request->answer, MHD_HTTP_METHOD_NOT_ALLOWED, NULL, "only %s here", allow);
        memcpy(request->answer.allow, allow, sizeof allow);
    } else if (!route_knows(request->route, &request->path, &key)) {
        answer_problem(&request->answer, MHD_HTTP_BAD_REQUEST, key,
                       "parameter \"%.64s\" is not known here, or comes twice", key);
    }
}

static void check_code(struct request *request, struct gate *gate)
{
    unsigned wait_s = 0;
    switch (access_check(gate->access, header(request, MHD_HTTP_HEADER_AUTHORIZATION),
                         request->client, clock_monotonic_s(), &wait_s)) {
    case ACCESS_ALLOWED:
        break;
    case ACCESS_NO_CODE:
    case ACCESS_WRONG_CODE:
        answer_problem(&request->answer, MHD_HTTP_UNAUTHORIZED, NULL,
                       "changes need the access code, as \"Authorization: Bearer CODE\"");
        request->answer.wants_code = true;
        break;
    case ACCESS_WAIT:
        answer_problem(&request->answer, MHD_HTTP_TOO_MANY_REQUESTS, NULL,
                       "too many wrong access codes: wait %u s", wait_s);
        break;
    }
    request->answer.retry_after_s = request->answer.status ? wait_s : 0;
}

/* One of the media types, whatever its parameters. */
static bool is_taken(const char *types, const char *media_type)
{
    if (!media_type)
        return false;
    size_t given = strcspn(media_type, "; ");
    for (const char *type = types; *type;) {
        size_t length = strcspn(type, " ");
        if (length == given && strncasecmp(media_type, type, length) == 0)
            return true;
        type += length + strspn(type + length, " ");
    }
    return false;
}

static void answer_too_large(struct request *request)
{
    answer_problem(&request->answer, MHD_HTTP_CONTENT_TOO_LARGE, NULL,
                   "the body is larger than %u bytes", request->route->most_body);
}

static void check_body(struct request *request)
{
    const char *length = header(request, MHD_HTTP_HEADER_CONTENT_LENGTH);
    const char *takes = route_takes(request->route);
    if (!is_taken(takes, header(request, MHD_HTTP_HEADER_CONTENT_TYPE)))
        answer_problem(&request->answer, MHD_HTTP_UNSUPPORTED_MEDIA_TYPE, "Content-Type",
                       "the body must be %s", takes);
    else if (length && strtoull(length, NULL, 10) > request->route->most_body)
        answer_too_large(request);
}

void request_check(struct request *request, struct gate *gate, const char *method)
{
    request->checked = true;
    request->gate = gate;
    check_sender(request, gate);
    if (request->answer.status == 0)
        check_path(request);
    if (request->answer.status == 0)
        check_route(request, method);
    bool is_change = request->route && request->route->method != METHOD_GET;
    if (request->answer.status == 0 && is_change)
        check_code(request, gate);
    if (request->answer.status == 0 && is_change)
        check_body(request);
}

bool request_has_body(const struct request *request)
{
    return header(request, MHD_HTTP_HEADER_CONTENT_LENGTH) ||
           header(request, MHD_HTTP_HEADER_TRANSFER_ENCODING);
}

/* Makes room in the body; false with the answer made where there is none. */
static bool make_room(struct request *request, size_t length)
{
    if (request->body_length + length + 1 <= request->body_room)
        return true;
    size_t room = 2 * (request->body_length + length) + 1;
    char *body =
        request_hold(request, room - request->body_room) ? realloc(request->body, room) : NULL;
    if (!body) {
        answer_problem(&request->answer, MHD_HTTP_SERVICE_UNAVAILABLE, NULL,
                       "too many large bodies at once");
        request->answer.retry_after_s = 5;
        return false;
    }
    request->body = body;
    request->body_room = room;
    return true;
}

bool request_take(struct request *request, const char *piece, size_t length)
{
    size_t most = request->route ? request->route->most_body : 0;
    bool is_past = request->body_length + length > most;
    if (!request->answer.status && is_past && most > 0)
        answer_too_large(request);
    if (request->answer.status || is_past || !make_room(request, length)) {
        request->discarded += length;
        return request->discarded <= MOST_DISCARDED;
    }
    memcpy(request->body + request->body_length, piece, length);
    request->body_length += length;
    request->body[request->body_length] = '\0';
    return true;
}
