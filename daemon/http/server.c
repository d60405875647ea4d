/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/server.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text_file.h"
#include "http/address.h"
#include "http/desks.h"
#include "http/page_files.h"
#include "http/seats.h"

#include <errno.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum {
    MOST_CONNECTIONS = 256,
    MOST_PER_ADDRESS = 192,
    CONNECTION_MEMORY = 48 * 1024,
    IDLE_S = 30,     /* the library's: no byte either way */
    PATIENCE_S = 20, /* for a whole request */
    HEARTBEAT_S = 5,
};

struct server {
    const struct config *config;
    char web[512];
    struct address address;
    struct gate gate;
    char *certificate, *key; /* PEM; NULL: no TLS */
    struct office office;
    struct tally *tally;
    struct register_finds *finds;
    struct live *live;
    struct desks *desks;
    struct seats seats;
    struct MHD_Daemon *daemon;
    pthread_mutex_t mutex; /* guards ending */
    pthread_cond_t changed;
    bool ending, is_ticking;
    pthread_t ticker;
};

/* --- answers --- */

static void count_answer(struct server *server, unsigned status)
{
    enum tally_counter counter = status < 300   ? TALLY_ANSWERS_2XX
                                 : status < 400 ? TALLY_ANSWERS_3XX
                                 : status < 500 ? TALLY_ANSWERS_4XX
                                                : TALLY_ANSWERS_5XX;
    tally_count(server->tally, counter, 1);
}

static enum MHD_Result send_response(struct server *server, struct request *request,
                                     struct MHD_Response *response, unsigned status)
{
    static const char policy[] = "default-src 'self'; base-uri 'none'; form-action 'self'; "
                                 "frame-ancestors 'none'; object-src 'none'";
    if (!response)
        return MHD_NO;
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_SECURITY_POLICY, policy);
    MHD_add_response_header(response, MHD_HTTP_HEADER_X_CONTENT_TYPE_OPTIONS, "nosniff");
    MHD_add_response_header(response, "Referrer-Policy", "no-referrer");
    MHD_add_response_header(response, "Cross-Origin-Resource-Policy", "same-origin");
    count_answer(server, status);
    enum MHD_Result result = MHD_queue_response(request->connection, status, response);
    MHD_destroy_response(response);
    return result;
}

static void add_number(struct MHD_Response *response, const char *name, unsigned number)
{
    char text[16];
    snprintf(text, sizeof text, "%u", number);
    MHD_add_response_header(response, name, text);
}

static enum MHD_Result send_answer(struct server *server, struct request *request)
{
    static char nothing[] = "";
    struct answer *answer = &request->answer;
    struct MHD_Response *response = MHD_create_response_from_buffer(
        answer->length, answer->body ? answer->body : nothing,
        answer->body ? MHD_RESPMEM_MUST_FREE : MHD_RESPMEM_PERSISTENT);
    if (!response)
        return MHD_NO;
    answer->body = NULL;
    if (answer->content_type)
        MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, answer->content_type);
    MHD_add_response_header(response, MHD_HTTP_HEADER_CACHE_CONTROL,
                            answer->entity_tag[0] ? "private, max-age=31536000, immutable"
                                                  : "no-store");
    if (answer->entity_tag[0])
        MHD_add_response_header(response, MHD_HTTP_HEADER_ETAG, answer->entity_tag);
    if (answer->allow[0])
        MHD_add_response_header(response, MHD_HTTP_HEADER_ALLOW, answer->allow);
    if (answer->location[0])
        MHD_add_response_header(response, MHD_HTTP_HEADER_LOCATION, answer->location);
    if (answer->retry_after_s > 0)
        add_number(response, MHD_HTTP_HEADER_RETRY_AFTER, answer->retry_after_s);
    if (answer->wants_code)
        MHD_add_response_header(response, MHD_HTTP_HEADER_WWW_AUTHENTICATE,
                                "Bearer realm=\"wakedraw\"");
    if (answer->file_name[0]) {
        char disposition[128];
        snprintf(disposition, sizeof disposition, "attachment; filename=\"%s\"", answer->file_name);
        MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_DISPOSITION, disposition);
    }
    return send_response(server, request, response, answer->status);
}

static enum MHD_Result refuse(struct server *server, struct request *request, const char *why)
{
    answer_problem(&request->answer, MHD_HTTP_SERVICE_UNAVAILABLE, NULL, "%s", why);
    request->answer.retry_after_s = 5;
    return send_answer(server, request);
}

static enum MHD_Result send_stream(struct server *server, struct request *request)
{
    const char *last = MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND,
                                                   MHD_HTTP_HEADER_LAST_EVENT_ID);
    if (!last)
        last = path_parameter(&request->path, "last_event_id");
    uint64_t last_id = 0;
    if (last && strlen(last) <= 19 && strspn(last, "0123456789") == strlen(last))
        last_id = strtoull(last, NULL, 10);
    const char *page = path_parameter(&request->path, "page");
    struct MHD_Response *response = live_join(server->live, request->connection, request->client,
                                              page ? page : "", request->answer.body, last_id);
    if (!response)
        return refuse(server, request, "too many event streams are open");
    MHD_add_response_header(response, MHD_HTTP_HEADER_CONTENT_TYPE, "text/event-stream");
    MHD_add_response_header(response, MHD_HTTP_HEADER_CACHE_CONTROL, "no-store");
    return send_response(server, request, response, MHD_HTTP_OK);
}

static enum MHD_Result send_page_file(struct server *server, struct request *request)
{
    unsigned status = 0;
    struct MHD_Response *response =
        page_files_open(server->web, request->page_place, request->page_type,
                        MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND,
                                                    MHD_HTTP_HEADER_IF_NONE_MATCH),
                        MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND,
                                                    MHD_HTTP_HEADER_ACCEPT_ENCODING),
                        &status);
    if (response)
        return send_response(server, request, response, status);
    answer_problem(&request->answer, MHD_HTTP_NOT_FOUND, NULL, "there is nothing here");
    return send_answer(server, request);
}

/* --- what the library calls --- */

static struct seat *seat_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info ? info->socket_context : NULL;
}

static void *begin_request(void *context, const char *target, struct MHD_Connection *connection)
{
    (void)context;
    (void)connection;
    return request_create(target);
}

static enum MHD_Result begin_check(struct server *server, struct request *request,
                                   struct MHD_Connection *connection, const char *method)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    request->connection = connection;
    address_host(info ? info->client_addr : NULL, request->client);
    request_check(request, &server->gate, method);
    /* A refused body is not read, at the price of the connection. */
    return request->answer.status && request_has_body(request) ? send_answer(server, request)
                                                               : MHD_YES;
}

static enum MHD_Result answer_request(void *context, struct MHD_Connection *connection,
                                      const char *url, const char *method, const char *version,
                                      const char *piece, size_t *length, void **own)
{
    struct server *server = context;
    struct request *request = *own;
    (void)url;
    (void)version;
    if (!request)
        return MHD_NO;
    if (!request->checked)
        return begin_check(server, request, connection, method);
    if (*length > 0) {
        bool taken = request_take(request, piece, *length);
        *length = 0;
        return taken ? MHD_YES : MHD_NO;
    }
    seats_mark(&server->seats, seat_of(connection), true, clock_monotonic_s());
    if (request->page_type && request->answer.status == 0)
        return send_page_file(server, request);
    if (request->answer.status == 0 && !request->handed_over) {
        request->handed_over = true;
        return desks_hand_over(server->desks, request)
                   ? MHD_YES
                   : refuse(server, request, "too many requests at once");
    }
    if (!request_hold(request, request->answer.length))
        return refuse(server, request, "too many large answers at once");
    if (request->route && request->route->is_stream && request->answer.status == MHD_HTTP_OK)
        return send_stream(server, request);
    return send_answer(server, request);
}

static void end_request(void *context, struct MHD_Connection *connection, void **own,
                        enum MHD_RequestTerminationCode code)
{
    struct server *server = context;
    (void)code;
    seats_mark(&server->seats, seat_of(connection), false, clock_monotonic_s());
    request_destroy(*own);
    *own = NULL;
}

static void note_connection(void *context, struct MHD_Connection *connection, void **own,
                            enum MHD_ConnectionNotificationCode code)
{
    struct server *server = context;
    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        const union MHD_ConnectionInfo *info =
            MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
        *own = info ? seats_take(&server->seats, info->connect_fd, clock_monotonic_s()) : NULL;
    } else {
        seats_leave(&server->seats, *own);
        *own = NULL;
    }
}

/* --- heartbeat --- */

static void beat(struct server *server)
{
    char now[25];
    char data[64];
    snprintf(data, sizeof data, "{\"at\":\"%s\"}", clock_rfc3339(clock_wall_us(), now));
    live_publish(server->live, "heartbeat", data);
}

static void *tick(void *context)
{
    struct server *server = context;
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    pthread_mutex_lock(&server->mutex);
    for (int second = 1; !server->ending; second++) {
        next.tv_sec++;
        while (!server->ending &&
               pthread_cond_timedwait(&server->changed, &server->mutex, &next) == 0)
            continue;
        if (server->ending)
            break;
        pthread_mutex_unlock(&server->mutex);
        seats_evict(&server->seats, clock_monotonic_s() - PATIENCE_S);
        live_end_left(server->live);
        if (second % HEARTBEAT_S == 0)
            beat(server);
        pthread_mutex_lock(&server->mutex);
    }
    pthread_mutex_unlock(&server->mutex);
    return NULL;
}

/* --- making, starting, stopping --- */

static int check_web(struct server *server, const char *web, struct error *error)
{
    struct stat state;
    if (snprintf(server->web, sizeof server->web, "%s", web) >= (int)sizeof server->web)
        return error_set(error, EXIT_NO_INPUT, web, 0, "a shorter path", "found too long a path");
    if (stat(web, &state) < 0 || !S_ISDIR(state.st_mode))
        return error_set(error, EXIT_NO_INPUT, web, 0, "the directory of the page's files",
                         "found none");
    return 0;
}

static int check_address(struct server *server, struct error *error)
{
    const struct config *config = server->config;
    const char *listen = config->listen[0] ? config->listen : "127.0.0.1:8460";
    struct error why = {0};
    if (address_parse(listen, &server->address, &why) < 0)
        return error_set(error, EXIT_BAD_DATA, config->path, 0, why.expected, "[bench] listen: %s",
                         why.found);
    if (address_is_loopback(&server->address))
        return 0;
    if (!config->access_code_file[0])
        return error_set(error, EXIT_BAD_DATA, config->path, 0,
                         "an access_code_file in [bench], or an address of loopback",
                         "[bench] listen = %s reaches beyond this machine without an access code",
                         listen);
    if (gethostname(server->gate.machine, sizeof server->gate.machine - 1) < 0)
        server->gate.machine[0] = '\0';
    return 0;
}

static int read_tls(struct server *server, struct error *error)
{
    const struct config *config = server->config;
    bool has_certificate = config->tls_certificate[0] != '\0';
    bool has_key = config->tls_key[0] != '\0';
    size_t length = 0;
    if (has_certificate != has_key)
        return error_set(error, EXIT_BAD_DATA, config->path, 0,
                         "both tls_certificate and tls_key, or neither", "found [bench] %s alone",
                         has_key ? "tls_key" : "tls_certificate");
    if (!has_certificate)
        return 0;
    server->certificate = text_file_read(config->tls_certificate, &length, error);
    if (!server->certificate)
        return -1;
    server->key = text_file_read(config->tls_key, &length, error);
    server->gate.tls = true;
    return server->key ? 0 : -1;
}

static int make_parts(struct server *server, struct error *error)
{
    server->gate.access = access_create(server->config->access_code_file, error);
    if (!server->gate.access)
        return -1;
    server->tally = tally_create();
    server->finds = register_finds_create(FINDS_PAGE_GONE_S);
    /* Microseconds of wall time: event ids then grow over restarts. */
    if (server->tally)
        server->live = live_create(server->tally, (uint64_t)clock_wall_us());
    if (!server->live || !server->finds)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return 0;
}

struct server *server_create(const struct config *config, const char *web, struct error *error)
{
    struct server *server = calloc(1, sizeof *server);
    if (!server) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        return NULL;
    }
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&server->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);
    pthread_mutex_init(&server->mutex, NULL);
    seats_init(&server->seats);
    server->config = config;
    if (check_web(server, web, error) < 0 || check_address(server, error) < 0 ||
        read_tls(server, error) < 0 || make_parts(server, error) < 0) {
        server_destroy(server);
        return NULL;
    }
    return server;
}

void server_happened(void *server, const char *name, const char *data)
{
    const struct server *to = server;
    live_publish(to->live, name, data);
    tally_event(to->tally, name, data);
}

void server_all_told(void *server)
{
    const struct server *to = server;
    live_pass_on(to->live);
}

static int start_daemon(struct server *server, int listener, struct error *error)
{
    unsigned flags =
        MHD_USE_EPOLL | MHD_USE_INTERNAL_POLLING_THREAD | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ITC;
    struct MHD_OptionItem tls[] = {
        {MHD_OPTION_HTTPS_MEM_CERT, 0, server->certificate},
        {MHD_OPTION_HTTPS_MEM_KEY, 0, server->key},
        {MHD_OPTION_END, 0, NULL},
    };
    struct MHD_OptionItem no_tls[] = {{MHD_OPTION_END, 0, NULL}};
    if (server->gate.tls)
        flags |= MHD_USE_TLS;
    server->daemon = MHD_start_daemon(
        flags, 0, NULL, NULL, answer_request, server, MHD_OPTION_LISTEN_SOCKET, listener,
        MHD_OPTION_URI_LOG_CALLBACK, begin_request, server, MHD_OPTION_NOTIFY_COMPLETED,
        end_request, server, MHD_OPTION_NOTIFY_CONNECTION, note_connection, server,
        MHD_OPTION_CONNECTION_LIMIT, (unsigned)MOST_CONNECTIONS, MHD_OPTION_PER_IP_CONNECTION_LIMIT,
        (unsigned)MOST_PER_ADDRESS, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)IDLE_S,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY, MHD_OPTION_STRICT_FOR_CLIENT,
        1, MHD_OPTION_ARRAY, server->gate.tls ? tls : no_tls, MHD_OPTION_END);
    if (server->daemon)
        return 0;
    return error_set(error, EXIT_UNAVAILABLE, server->config->listen, 0, NULL, "%s",
                     server->gate.tls ? "cannot serve: is tls_certificate or tls_key not PEM?"
                                      : "cannot serve here");
}

static void page_joined(void *bench, const char *page)
{
    bench_page_joined(bench, page);
}

static void page_left(void *bench, const char *page)
{
    bench_page_left(bench, page);
}

int server_start(struct server *server, struct bench *bench, struct error *error)
{
    const char *listen = server->config->listen[0] ? server->config->listen : "127.0.0.1:8460";
    server->office = (struct office){.config = server->config,
                                     .bench = bench,
                                     .live = server->live,
                                     .tally = server->tally,
                                     .finds = server->finds,
                                     .web = server->web,
                                     .started_s = clock_monotonic_s(),
                                     .started_wall_us = clock_wall_us()};
    const struct live_watcher watcher = {page_joined, page_left, bench};
    live_watch(server->live, &watcher);
    int listener = address_listen(&server->address, listen, &server->gate.port, error);
    if (listener < 0)
        return -1;
    server->desks = desks_create(&server->office, error);
    if (!server->desks || start_daemon(server, listener, error) < 0) {
        close(listener);
        server_stop(server);
        return -1;
    }
    int failed = pthread_create(&server->ticker, NULL, tick, server);
    if (failed) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "no thread to be had: %s", strerror(failed));
        server_stop(server);
        return -1;
    }
    server->is_ticking = true;
    return 0;
}

int server_port(const struct server *server)
{
    return server->gate.port;
}

/* The library aborts the process where it is stopped with a connection
 * suspended: the desks answer theirs, the streams are woken, and what comes
 * after finds both ended and is not suspended any more. */
void server_stop(struct server *server)
{
    pthread_mutex_lock(&server->mutex);
    server->ending = true;
    pthread_cond_broadcast(&server->changed);
    pthread_mutex_unlock(&server->mutex);
    if (server->is_ticking)
        pthread_join(server->ticker, NULL);
    server->is_ticking = false;
    if (server->desks)
        desks_end(server->desks);
    live_end(server->live);
    if (server->daemon)
        MHD_stop_daemon(server->daemon);
    server->daemon = NULL;
    desks_destroy(server->desks);
    server->desks = NULL;
}

void server_destroy(struct server *server)
{
    if (!server)
        return;
    live_destroy(server->live);
    tally_destroy(server->tally);
    register_finds_destroy(server->finds);
    access_destroy(server->gate.access);
    seats_clear(&server->seats);
    if (server->key)
        explicit_bzero(server->key, strlen(server->key));
    free(server->key);
    free(server->certificate);
    pthread_cond_destroy(&server->changed);
    pthread_mutex_destroy(&server->mutex);
    free(server);
}
