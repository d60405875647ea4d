/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The server over sockets, with a real store and a bench that stands in.
 */
#include "http/server.h"

#include "base/clock.h"
#include "base/trace_file.h"

#include "support/bench_stand_in.h"
#include "support/scratch.h"

#include <arpa/inet.h>
#include <math.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

static char data[256], web[256];
static struct bench bench;
static struct config config;
static struct server *server;
static struct error error;

static int start(void **state)
{
    (void)state;
    char file[300];
    scratch_make(data, sizeof data);
    scratch_make(web, sizeof web);
    scratch_write(web, "index.html", "<p>bench", 8, file, sizeof file);
    scratch_write(web, "secret.txt", "secret", 6, file, sizeof file);
    memset(&config, 0, sizeof config);
    bench_stand_in_init(&bench);
    error = (struct error){0};
    snprintf(config.path, sizeof config.path, "test.ini");
    snprintf(config.name, sizeof config.name, "Harbour Lane");
    snprintf(config.data, sizeof config.data, "%s", data);
    snprintf(config.listen, sizeof config.listen, "127.0.0.1:0");
    bench.store = store_open(data, &error);
    assert_non_null(bench.store);
    server = server_create(&config, web, &error);
    assert_non_null(server);
    assert_int_equal(server_start(server, &bench, &error), 0);
    return 0;
}

static int stop(void **state)
{
    (void)state;
    if (server)
        server_stop(server);
    server_destroy(server);
    server = NULL;
    store_close(bench.store);
    bench_stand_in_clear(&bench);
    scratch_remove(data);
    scratch_remove(web);
    return 0;
}

/* --- a plain client --- */

static int dial(void)
{
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons((uint16_t)server_port(server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int wire = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(wire >= 0);
    assert_int_equal(connect(wire, (struct sockaddr *)&to, sizeof to), 0);
    return wire;
}

static void say(int wire, const char *text)
{
    assert_int_equal(send(wire, text, strlen(text), MSG_NOSIGNAL), strlen(text));
}

/* Reads on until `until` has come, or what comes ends or stays out for 5 s;
 * malloc'd. */
static char *hear_for(int wire, const char *until, int patience_ms)
{
    size_t room = 1 << 16;
    size_t length = 0;
    char *text = calloc(1, room);
    assert_non_null(text);
    while (!until || !strstr(text, until)) {
        struct pollfd ready = {.fd = wire, .events = POLLIN};
        if (poll(&ready, 1, patience_ms) <= 0)
            break;
        if (room - length < 4097) {
            room *= 2;
            text = realloc(text, room);
            assert_non_null(text);
        }
        ssize_t got = recv(wire, text + length, 4096, 0);
        if (got <= 0)
            break;
        length += (size_t)got;
        text[length] = '\0';
    }
    return text;
}

static char *hear(int wire, const char *until)
{
    return hear_for(wire, until, 60000);
}

/* One request, its whole answer. */
static char *ask(const char *method, const char *path, const char *body)
{
    char head[600];
    int wire = dial();
    snprintf(head, sizeof head, "%s %s HTTP/1.1\r\nHost: localhost:%d\r\nConnection: close\r\n%s",
             method, path, server_port(server), body ? "" : "\r\n");
    say(wire, head);
    if (body) {
        snprintf(head, sizeof head, "Content-Type: application/json\r\nContent-Length: %zu\r\n\r\n",
                 strlen(body));
        say(wire, head);
        say(wire, body);
    }
    char *answer = hear(wire, NULL);
    close(wire);
    return answer;
}

static int status_of(const char *answer)
{
    return strncmp(answer, "HTTP/1.1 ", 9) == 0 ? (int)strtol(answer + 9, NULL, 10) : -1;
}

static const char *body_of(const char *answer)
{
    const char *blank = strstr(answer, "\r\n\r\n");
    assert_non_null(blank);
    return blank + 4;
}

static json_t *json_of(const char *answer)
{
    json_t *value = json_loads(body_of(answer), 0, NULL);
    assert_non_null(value);
    return value;
}

static int open_stream(const char *more)
{
    char head[300];
    int wire = dial();
    snprintf(head, sizeof head, "GET /api/v1/live HTTP/1.1\r\nHost: localhost:%d\r\n%s\r\n",
             server_port(server), more);
    say(wire, head);
    return wire;
}

/* --- kept things --- */

static int64_t keep_one(struct reading *readings, size_t count)
{
    static const struct on_bench on_bench = {.module_type = "tank gauge", .unit = "TG-0042"};
    int64_t id = 0;
    for (size_t i = 0; i < count; i++) {
        readings[i] =
            (struct reading){.time_s = 0.05 * (double)i,
                             .voltage_V = 12.3,
                             .current_A = i % 9 == 8 ? (double)NAN : 0.0012345 * (double)i,
                             .valid = i % 9 != 8,
                             .output_on = FLAG_YES,
                             .limited = FLAG_NO};
        reading_quantise(&readings[i]);
    }
    assert_int_equal(store_begin_power_up(bench.store, "left", 1769846709123000, &on_bench, "scpi",
                                          readings, count, &id, &error),
                     0);
    return id;
}

static void a_kept_power_up_is_listed_and_shown(void **state)
{
    (void)state;
    struct reading readings[40];
    char path[100];
    char first[32];
    snprintf(first, sizeof first, "%lld", (long long)keep_one(readings, 40));
    keep_one(readings, 40);
    char *answer = ask("GET", "/api/v1/power-ups?limit=1&unit=TG-0042", NULL);
    assert_int_equal(status_of(answer), 200);
    json_t *list = json_of(answer);
    const json_t *items = json_object_get(list, "items");
    assert_int_equal(json_array_size(items), 1);
    const char *next = json_string_value(json_object_get(list, "next"));
    assert_non_null(next);
    snprintf(path, sizeof path, "/api/v1/power-ups?limit=1&before=%s", next);
    json_decref(list);
    free(answer);
    answer = ask("GET", path, NULL);
    list = json_of(answer);
    const json_t *item = json_array_get(json_object_get(list, "items"), 0);
    assert_string_equal(json_string_value(json_object_get(item, "id")), first);
    json_decref(list);
    free(answer);
    snprintf(path, sizeof path, "/api/v1/power-ups/%s", first);
    answer = ask("GET", path, NULL);
    json_t *whole = json_of(answer);
    const json_t *current_A = json_object_get(json_object_get(whole, "trace"), "current_A");
    assert_int_equal(json_array_size(current_A), 40);
    for (size_t i = 0; i < 40; i++) {
        const json_t *value = json_array_get(current_A, i);
        if (!readings[i].valid)
            assert_true(json_is_null(value));
        else
            assert_true(json_number_value(value) == readings[i].current_A);
    }
    json_decref(whole);
    free(answer);
}

static void an_exported_trace_reads_back_the_same(void **state)
{
    (void)state;
    struct reading readings[40];
    struct trace trace = {0};
    char path[100];
    char file[300];
    snprintf(path, sizeof path, "/api/v1/power-ups/%lld/trace.csv",
             (long long)keep_one(readings, 40));
    char *answer = ask("GET", path, NULL);
    assert_int_equal(status_of(answer), 200);
    assert_non_null(strstr(answer, "text/csv"));
    scratch_write(web, "trace.csv", body_of(answer), strlen(body_of(answer)), file, sizeof file);
    free(answer);
    assert_int_equal(trace_file_read(file, &trace, &error), 0);
    assert_int_equal(trace.count, 40);
    for (size_t i = 0; i < 40; i++) {
        assert_true(trace.readings[i].time_s == readings[i].time_s);
        assert_int_equal(trace.readings[i].valid, readings[i].valid);
        if (readings[i].valid)
            assert_true(trace.readings[i].current_A == readings[i].current_A);
    }
    trace_clear(&trace);
}

static void what_is_put_in_comes_out(void **state)
{
    (void)state;
    static const struct {
        const char *path, *body;
        int status;
        const char *holds;
    } steps[] = {
        {"module-types", "{\"name\":\"tank gauge\",\"nominal_voltage_V\":12,\"watch_s\":20}", 201,
         "\"watch_s\":20"},
        {"module-types", "{\"name\":\"tank gauge\",\"watch_s\":25}", 200, "\"watch_s\":25"},
        {"units", "{\"serial\":\"TG-7\",\"module_type\":\"tank gauge\"}", 201, "TG-7"},
        {"work-orders", "{\"unit\":\"TG-7\",\"complaint\":\"dead after rain\"}", 201, "after rain"},
        {"references", "{}", 422, "problem"},
        {"references", "not JSON", 422, "problem"},
    };
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        char path[100];
        snprintf(path, sizeof path, "/api/v1/%s", steps[i].path);
        char *answer = ask("POST", path, steps[i].body);
        assert_int_equal(status_of(answer), steps[i].status);
        assert_non_null(strstr(answer, steps[i].holds));
        free(answer);
    }
    assert_int_equal(bench.references_changed, 2);
    char *answer = ask("PUT", "/api/v1/supplies/left/on-bench", "{\"unit\":\"TG-7\"}");
    assert_int_equal(status_of(answer), 200);
    assert_non_null(strstr(answer, "\"unit\":\"TG-7\""));
    free(answer);
    answer = ask("PUT", "/api/v1/supplies/right/on-bench", "{}");
    assert_int_equal(status_of(answer), 404);
    free(answer);
}

static void an_output_is_switched_where_that_is_allowed(void **state)
{
    (void)state;
    static const struct {
        const char *path, *body;
        bool control;
        int status;
    } steps[] = {
        {"/api/v1/supplies/left/output", "{\"on\":true}", true, 200},
        {"/api/v1/supplies/left/output", "{\"on\":false}", true, 200},
        {"/api/v1/supplies/left/output", "{\"on\":true}", false, 409},
        {"/api/v1/supplies/right/output", "{\"on\":true}", true, 404},
        {"/api/v1/supplies/left/output", "{}", true, 422},
        {"/api/v1/supplies/left/output", "{\"on\":null}", true, 422},
        {"/api/v1/supplies/left/output", "{\"on\":1}", true, 422},
    };
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        bench.control = steps[i].control;
        char *answer = ask("PUT", steps[i].path, steps[i].body);
        assert_int_equal(status_of(answer), steps[i].status);
        free(answer);
    }
}

static int send_put(const char *method, const char *path, const char *body)
{
    char head[600];
    int wire = dial();
    snprintf(head, sizeof head,
             "%s %s HTTP/1.1\r\nHost: localhost:%d\r\nConnection: close\r\n"
             "Content-Type: application/json\r\nContent-Length: %zu\r\n\r\n%s",
             method, path, server_port(server), strlen(body), body);
    say(wire, head);
    return wire;
}

static void switching_off_waits_for_no_disk(void **state)
{
    (void)state;
    enum { WAITING = 5 };
    int wires[WAITING];
    bench.control = true;
    pthread_mutex_lock(&bench.mutex);
    for (int i = 0; i < WAITING; i++)
        wires[i] = send_put("POST", "/api/v1/units", "{\"serial\":\"TG-7\"}");
    clock_sleep_until(clock_monotonic_s() + 0.2);
    int wire = open_stream("");
    /* Answered while the others cannot be. */
    char *answer = ask("PUT", "/api/v1/supplies/left/output", "{\"on\":false}");
    assert_int_equal(status_of(answer), 200);
    free(answer);
    pthread_mutex_unlock(&bench.mutex);
    for (int i = 0; i < WAITING; i++) {
        answer = hear(wires[i], NULL);
        assert_int_equal(status_of(answer), 201);
        free(answer);
        close(wires[i]);
    }
    close(wire);
}

/* An on takes as long as it takes: off is answered at once, for the same supply and for
 * another, however many of them wait. */
static void switching_off_waits_for_no_on(void **state)
{
    (void)state;
    enum { WAITING = 6 };
    int wires[WAITING];
    bench.control = bench.has_mid = true;
    pthread_mutex_lock(&bench.switching);
    for (int i = 0; i < WAITING; i++)
        wires[i] =
            send_put("PUT", i % 2 ? "/api/v1/supplies/mid/output" : "/api/v1/supplies/left/output",
                     "{\"on\": true, \"hand\": \"ab\"}");
    int status = 200;
    bool any_on = false;
    for (int i = 0; i < WAITING && status == 200; i++) {
        char *answer =
            ask("PUT", i % 2 ? "/api/v1/supplies/left/output" : "/api/v1/supplies/mid/output",
                "{\"on\":false,\"hand\":\"cd\",\"why\":\"smoke\",\"page\":\"p-1\"}");
        status = status_of(answer);
        free(answer);
    }
    for (int i = 0; i < WAITING; i++) {
        char *nothing = hear_for(wires[i], NULL, 0);
        any_on = any_on || nothing[0];
        free(nothing);
    }
    struct output_asker asker = bench.asker;
    pthread_mutex_unlock(&bench.switching);
    assert_int_equal(status, 200);
    assert_false(any_on);
    assert_string_equal(asker.who, "page");
    assert_string_equal(asker.hand, "cd");
    assert_string_equal(asker.why, "smoke");
    assert_string_equal(asker.page, "p-1");
    for (int i = 0; i < WAITING; i++) {
        char *answer = hear(wires[i], NULL);
        assert_int_equal(status_of(answer), 200);
        free(answer);
        close(wires[i]);
    }
}

static void a_hold_is_taken_or_refused(void **state)
{
    (void)state;
    static const struct {
        const char *path, *body;
        bool run_switches;
        int status;
    } steps[] = {
        {"/api/v1/supplies/left/hold", "{\"on\":true,\"hand\":\"ab\",\"why\":\"map\"}", false, 200},
        {"/api/v1/supplies/left/hold", "{\"on\":true}", true, 409},
        {"/api/v1/supplies/right/hold", "{\"on\":true}", false, 404},
        {"/api/v1/supplies/left/hold", "{}", false, 422},
        {"/api/v1/supplies/left/hold", "{\"on\":true,\"page\":\"p-1\"}", false, 422},
        {"/api/v1/supplies/left/hold",
         "{\"on\":true,\"hand\":\"thirty-two bytes of one hand's name\"}", false, 422},
    };
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        bench.run_switches = steps[i].run_switches;
        char *answer = ask("PUT", steps[i].path, steps[i].body);
        assert_int_equal(status_of(answer), steps[i].status);
        free(answer);
    }
    assert_string_equal(bench.asker.hand, "");
}

static int pages_there(void)
{
    pthread_mutex_lock(&bench.status_mutex);
    int there = bench.pages_there;
    pthread_mutex_unlock(&bench.status_mutex);
    return there;
}

static void wait_for_pages(int there)
{
    double until_s = clock_monotonic_s() + 60;
    while (pages_there() != there && clock_monotonic_s() < until_s)
        clock_sleep_until(clock_monotonic_s() + 0.01);
    assert_int_equal(pages_there(), there);
}

/* A page is there while a stream under its name is open, whoever closes it. */
static void a_page_is_known_by_its_streams(void **state)
{
    (void)state;
    char head[300];
    snprintf(head, sizeof head,
             "GET /api/v1/live?page=harbour-1 HTTP/1.1\r\nHost: localhost:%d\r\n\r\n",
             server_port(server));
    int wires[3];
    for (int i = 0; i < 2; i++) {
        wires[i] = dial();
        say(wires[i], head);
        free(hear(wires[i], "retry:"));
    }
    wires[2] = open_stream("");
    free(hear(wires[2], "retry:"));
    wait_for_pages(2);
    close(wires[0]);
    wait_for_pages(1);
    assert_int_equal(shutdown(wires[1], SHUT_WR), 0);
    wait_for_pages(0);
    close(wires[1]);
    close(wires[2]);
    char *answer =
        ask("GET", "/api/v1/live?page=a-name-that-is-longer-than-thirty-nine-bytes", NULL);
    assert_int_equal(status_of(answer), 400);
    free(answer);
}

static int send_body(const char *body, size_t length, size_t announced)
{
    char head[300];
    int wire = dial();
    snprintf(head, sizeof head,
             "POST /api/v1/references HTTP/1.1\r\nHost: localhost:%d\r\nConnection: close\r\n"
             "Content-Type: application/json\r\nContent-Length: %zu\r\n\r\n",
             server_port(server), announced);
    say(wire, head);
    for (size_t sent = 0; sent < length;) {
        ssize_t more = send(wire, body + sent, length - sent, MSG_NOSIGNAL);
        assert_true(more > 0);
        sent += (size_t)more;
    }
    return wire;
}

/* Bodies of all clients together are bounded, not each alone. */
static void many_large_bodies_are_refused(void **state)
{
    (void)state;
    enum { CLIENTS = 40, SIZE = 4 * 1024 * 1024 };
    int wires[CLIENTS];
    char *body = malloc(SIZE);
    assert_non_null(body);
    memset(body, '[', SIZE);
    for (int i = 0; i < CLIENTS; i++)
        wires[i] = send_body(body, SIZE - 1, SIZE);
    int wire = send_body(body, SIZE, SIZE);
    char *answer = hear(wire, NULL);
    assert_int_equal(status_of(answer), 503);
    free(answer);
    close(wire);
    for (int i = 0; i < CLIENTS; i++)
        close(wires[i]);
    int status = 503;
    for (int tries = 0; status == 503 && tries < 600; tries++) {
        clock_sleep_until(clock_monotonic_s() + 0.05);
        wire = send_body(body, SIZE, SIZE);
        answer = hear(wire, NULL);
        status = status_of(answer);
        free(answer);
        close(wire);
    }
    assert_int_equal(status, 400);
    free(body);
}

static void page_files_are_served_and_nothing_else(void **state)
{
    (void)state;
    char *answer = ask("GET", "/", NULL);
    assert_int_equal(status_of(answer), 200);
    assert_string_equal(body_of(answer), "<p>bench");
    char *tag = strstr(answer, "ETag: ");
    assert_non_null(tag);
    tag[strcspn(tag, "\r")] = '\0';
    char head[300];
    int wire = dial();
    snprintf(head, sizeof head,
             "GET / HTTP/1.1\r\nHost: localhost:%d\r\nConnection: close\r\n"
             "If-None-Match: %s\r\n\r\n",
             server_port(server), tag + 6);
    say(wire, head);
    char *second = hear(wire, NULL);
    assert_int_equal(status_of(second), 304);
    close(wire);
    free(second);
    free(answer);
    answer = ask("GET", "/secret.txt", NULL);
    assert_int_equal(status_of(answer), 404);
    free(answer);
}

/* --- streams --- */

enum { MANY = 30 };

static void every_stream_gets_every_event_in_order(void **state)
{
    (void)state;
    int wires[MANY];
    char event[64];
    for (int i = 0; i < MANY; i++) {
        wires[i] = open_stream("");
        char *greeting = hear(wires[i], "event: supply");
        assert_int_equal(status_of(greeting), 200);
        assert_non_null(strstr(greeting, "text/event-stream"));
        assert_non_null(strstr(greeting, "retry: 1000"));
        free(greeting);
    }
    for (int i = 0; i < 50; i++) {
        snprintf(event, sizeof event, "{\"time_s\":[1,2],\"number\":%d}", i);
        server_happened(server, "reading", event);
    }
    server_happened(server, "verdict",
                    "{\"verdict\":{\"verdict\":\"bad\"},\"kept\":true,\"commit_s\":0.004}");
    for (int i = 0; i < MANY; i++) {
        char *heard = hear(wires[i], "event: verdict");
        const char *at = heard;
        long long last_id = 0;
        for (int number = 0; number < 50; number++) {
            snprintf(event, sizeof event, "\"number\":%d}", number);
            at = strstr(at, "id: ");
            assert_non_null(at);
            long long id = strtoll(at + 4, NULL, 10);
            assert_true(id > last_id);
            last_id = id;
            at = strstr(at, event);
            assert_non_null(at);
        }
        free(heard);
        close(wires[i]);
    }
    char *metrics = ask("GET", "/metrics", NULL);
    assert_non_null(strstr(metrics, "wakedraw_readings_total{supply=\"left\"} 1234\n"));
    assert_non_null(
        strstr(metrics, "wakedraw_verdicts_total{supply=\"left\",verdict=\"bad\"} 2\n"));
    assert_non_null(strstr(metrics, "wakedraw_commit_seconds_count 1\n"));
    assert_non_null(strstr(metrics, "# EOF\n"));
    free(metrics);
}

static void what_was_missed_comes_again(void **state)
{
    (void)state;
    char last[64];
    int wire = open_stream("");
    free(hear(wire, "event: supply"));
    server_happened(server, "verdict", "{\"number\":1}");
    char *heard = hear(wire, "\"number\":1");
    const char *id = strstr(heard, "id: ");
    assert_non_null(id);
    snprintf(last, sizeof last, "Last-Event-ID: %lld\r\n", strtoll(id + 4, NULL, 10));
    free(heard);
    close(wire);
    server_happened(server, "power-up", "{\"number\":2}");
    server_happened(server, "reading", "{\"number\":3}");
    server_happened(server, "verdict", "{\"number\":4}");
    wire = open_stream(last);
    heard = hear(wire, "\"number\":4");
    assert_null(strstr(heard, "\"number\":1}"));
    assert_non_null(strstr(heard, "\"number\":2}"));
    assert_null(strstr(heard, "\"number\":3}"));
    assert_non_null(strstr(heard, "\"number\":4}"));
    free(heard);
    close(wire);
}

static double metric(const char *name)
{
    char *metrics = ask("GET", "/metrics", NULL);
    const char *line = strstr(metrics, name);
    assert_non_null(line);
    double value = strtod(line + strlen(name), NULL);
    free(metrics);
    return value;
}

static void a_slow_reader_goes_without_readings_but_hears_the_verdict(void **state)
{
    (void)state;
    size_t length = 8000;
    char *event = malloc(length + 1);
    assert_non_null(event);
    memset(event, 'x', length);
    event[length] = '\0';
    int slow = open_stream("");
    free(hear(slow, "event: supply"));
    double began_s = clock_monotonic_s();
    for (int i = 0; i < 3000; i++)
        server_happened(server, "reading", event);
    /* Handing in never waits for the reader: 24 MB would. */
    assert_true(clock_monotonic_s() - began_s < 30);
    server_happened(server, "verdict", "{\"number\":1}");
    assert_true(metric("wakedraw_events_lost_total ") > 0);
    assert_true(metric("wakedraw_stream_queue_bytes ") <= 256 * 1024);
    char *heard = hear(slow, "\"number\":1}");
    assert_non_null(strstr(heard, "\"number\":1}"));
    free(heard);
    /* Events that may not be left out end a stream that does not take them. */
    for (int i = 0; i < 3000; i++)
        server_happened(server, "power-up", event);
    assert_true(metric("wakedraw_streams_cut_total ") == 1);
    /* It ends with the last chunk, or closed by the time-out where the library
     * lost sight of the socket. */
    heard = hear_for(slow, "\r\n0\r\n", 45000);
    char after;
    assert_true(strstr(heard, "\r\n0\r\n") || recv(slow, &after, 1, MSG_DONTWAIT) == 0);
    free(heard);
    free(event);
    close(slow);
}

static void too_many_streams_are_refused(void **state)
{
    (void)state;
    int wires[49];
    for (int i = 0; i < 48; i++) {
        wires[i] = open_stream("");
        free(hear(wires[i], "event: supply"));
    }
    wires[48] = open_stream("");
    char *answer = hear(wires[48], "streams are open");
    assert_int_equal(status_of(answer), 503);
    assert_non_null(strstr(answer, "Retry-After: "));
    free(answer);
    /* One who leaves makes room once the next event finds him gone. */
    close(wires[0]);
    server_happened(server, "reading", "{}");
    server_happened(server, "reading", "{}");
    server_all_told(server);
    int tries = 0;
    int status = 0;
    while (status != 200 && tries++ < 1500) {
        clock_sleep_until(clock_monotonic_s() + 0.02);
        server_happened(server, "reading", "{}");
        server_all_told(server);
        close(wires[48]);
        wires[48] = open_stream("");
        answer = hear(wires[48], "\r\n\r\n");
        status = status_of(answer);
        free(answer);
    }
    assert_int_equal(status, 200);
    for (int i = 1; i < 49; i++)
        close(wires[i]);
}

static void *publish(void *context)
{
    const atomic_bool *over = context;
    while (!*over) {
        server_happened(server, "reading", "{\"time_s\":[1]}");
        server_all_told(server);
    }
    return NULL;
}

/* With streams waiting, streams stalled, events coming and requests half sent:
 * the library would abort or hang where one were still suspended. */
static void it_stops_at_once_with_streams_open(void **state)
{
    (void)state;
    int wires[MANY];
    atomic_bool over = false;
    pthread_t publisher;
    for (int i = 0; i < MANY; i++) {
        wires[i] = open_stream("");
        if (i % 3)
            free(hear(wires[i], "event: supply"));
    }
    int half = dial();
    say(half, "POST /api/v1/units HTTP/1.1\r\nHost: localho");
    assert_int_equal(pthread_create(&publisher, NULL, publish, &over), 0);
    clock_sleep_until(clock_monotonic_s() + 0.2);
    double began_s = clock_monotonic_s();
    server_stop(server);
    /* The library would wait 30 s for the half request. */
    assert_true(clock_monotonic_s() - began_s < 20);
    over = true;
    pthread_join(publisher, NULL);
    for (int i = 0; i < MANY; i++)
        close(wires[i]);
    close(half);
}

/* --- what it is told to be --- */

static void it_refuses_what_is_unsafe_or_wrong(void **state)
{
    (void)state;
    struct config wrong = config;
    error = (struct error){0};
    snprintf(wrong.listen, sizeof wrong.listen, "0.0.0.0:0");
    assert_null(server_create(&wrong, web, &error));
    assert_non_null(strstr(error.expected, "access_code_file"));
    assert_string_equal(error.file, "test.ini");
    snprintf(wrong.access_code_file, sizeof wrong.access_code_file, "%s/none", data);
    assert_null(server_create(&wrong, web, &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
    wrong = config;
    snprintf(wrong.tls_key, sizeof wrong.tls_key, "key.pem");
    assert_null(server_create(&wrong, web, &error));
    assert_non_null(strstr(error.found, "tls_key"));
    wrong = config;
    snprintf(wrong.listen, sizeof wrong.listen, "127.0.0.1");
    assert_null(server_create(&wrong, web, &error));
    assert_non_null(strstr(error.found, "listen"));
    assert_null(server_create(&config, "/nowhere", &error));
    assert_int_equal(error.status, EXIT_NO_INPUT);
    wrong = config;
    snprintf(wrong.listen, sizeof wrong.listen, "127.0.0.1:%d", server_port(server));
    struct server *second = server_create(&wrong, web, &error);
    assert_non_null(second);
    assert_int_equal(server_start(second, &bench, &error), -1);
    assert_int_equal(error.status, EXIT_UNAVAILABLE);
    assert_string_equal(error.file, wrong.listen);
    server_destroy(second);
}

#define WITH_SERVER(test) cmocka_unit_test_setup_teardown(test, start, stop)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_SERVER(a_kept_power_up_is_listed_and_shown),
        WITH_SERVER(an_exported_trace_reads_back_the_same),
        WITH_SERVER(what_is_put_in_comes_out),
        WITH_SERVER(an_output_is_switched_where_that_is_allowed),
        WITH_SERVER(switching_off_waits_for_no_disk),
        WITH_SERVER(switching_off_waits_for_no_on),
        WITH_SERVER(a_hold_is_taken_or_refused),
        WITH_SERVER(a_page_is_known_by_its_streams),
        WITH_SERVER(many_large_bodies_are_refused),
        WITH_SERVER(page_files_are_served_and_nothing_else),
        WITH_SERVER(every_stream_gets_every_event_in_order),
        WITH_SERVER(what_was_missed_comes_again),
        WITH_SERVER(a_slow_reader_goes_without_readings_but_hears_the_verdict),
        WITH_SERVER(too_many_streams_are_refused),
        WITH_SERVER(it_stops_at_once_with_streams_open),
        WITH_SERVER(it_refuses_what_is_unsafe_or_wrong),
    };
    return cmocka_run_group_tests_name("http server", tests, NULL, NULL);
}
