/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * 30 event streams at 20 reading events a second each: how long an event takes
 * from being handed in to its reader, and what share of a core the server
 * takes. The readers are a process of their own. Ends with 1 where the 99th
 * percentile is past 5 ms.
 */
#include "http/server.h"

#include "base/clock.h"

#include "support/bench_stand_in.h"
#include "support/scratch.h"

#include <arpa/inet.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

enum { STREAMS = 30, EVENTS = 200, MOST = STREAMS * EVENTS, ROOM = 16384 };

static void fail(const char *what)
{
    perror(what);
    exit(1);
}

static int open_stream(int port)
{
    char head[200];
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons((uint16_t)port),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int wire = socket(AF_INET, SOCK_STREAM, 0);
    if (wire < 0 || connect(wire, (struct sockaddr *)&to, sizeof to) < 0)
        fail("connect");
    int length = snprintf(head, sizeof head,
                          "GET /api/v1/live HTTP/1.1\r\nHost: localhost:%d\r\n\r\n", port);
    if (send(wire, head, (size_t)length, 0) != length)
        fail("send");
    return wire;
}

/* Takes the marks "at":SECONDS out of what has come. */
static size_t take_marks(char *text, size_t *length, double now_s, double *delays_s, size_t count)
{
    char *from = text;
    char *mark;
    text[*length] = '\0';
    while ((mark = strstr(from, "\"at\":")) && strchr(mark, '}')) {
        double made_s = strtod(mark + 5, NULL);
        if (made_s > 0 && count < MOST)
            delays_s[count++] = now_s - made_s;
        from = mark + 5;
    }
    size_t left = *length - (size_t)(from - text);
    if (left > ROOM / 2) {
        from += left - 100;
        left = 100;
    }
    memmove(text, from, left);
    *length = left;
    return count;
}

static int compare(const void *one, const void *other)
{
    double first = *(const double *)one;
    double second = *(const double *)other;
    return (first > second) - (first < second);
}

static int read_streams(int port)
{
    static char texts[STREAMS][ROOM];
    static double delays_s[MOST];
    size_t lengths[STREAMS] = {0};
    struct pollfd ready[STREAMS];
    size_t count = 0;
    for (int i = 0; i < STREAMS; i++)
        ready[i] = (struct pollfd){.fd = open_stream(port), .events = POLLIN};
    while (count < MOST && poll(ready, STREAMS, 3000) > 0)
        for (int i = 0; i < STREAMS; i++) {
            if (!ready[i].revents)
                continue;
            ssize_t got = recv(ready[i].fd, texts[i] + lengths[i], ROOM - lengths[i] - 1, 0);
            if (got <= 0)
                fail("recv");
            lengths[i] += (size_t)got;
            count = take_marks(texts[i], &lengths[i], clock_monotonic_s(), delays_s, count);
        }
    if (count < MOST) {
        fprintf(stderr, "only %zu of %d events came\n", count, MOST);
        return 1;
    }
    qsort(delays_s, count, sizeof delays_s[0], compare);
    printf("event handed in -> at its reader: median %.2f ms, 99th percentile %.2f ms, most "
           "%.2f ms (%d events)\n",
           1e3 * delays_s[count / 2], 1e3 * delays_s[count * 99 / 100], 1e3 * delays_s[count - 1],
           MOST);
    return delays_s[count * 99 / 100] > 0.005;
}

static double cpu_s(void)
{
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    return (double)(usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) +
           1e-6 * (double)(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec);
}

static void send_events(struct server *server)
{
    char event[400];
    double next_s = clock_monotonic_s();
    for (int i = 0; i < EVENTS; i++) {
        next_s += 0.05;
        clock_sleep_until(next_s);
        snprintf(event, sizeof event,
                 "{\"supply\":\"left\",\"power_up\":null,\"time_s\":[%.6f,%.6f,%.6f,%.6f,%.6f],"
                 "\"voltage_V\":[12.01,12.01,12.01,12.01,12.01],"
                 "\"current_A\":[0.2501,0.2502,0.2501,0.2500,0.2502],\"at\":%.9f}",
                 next_s - 0.05, next_s - 0.04, next_s - 0.03, next_s - 0.02, next_s - 0.01,
                 clock_monotonic_s());
        server_happened(server, "reading", event);
        server_all_told(server);
    }
}

int main(void)
{
    static struct bench bench;
    static struct config config;
    char directory[256];
    struct error error = {0};
    scratch_make(directory, sizeof directory);
    snprintf(config.listen, sizeof config.listen, "127.0.0.1:0");
    snprintf(config.data, sizeof config.data, "%s", directory);
    bench_stand_in_init(&bench);
    struct server *server = server_create(&config, directory, &error);
    if (!server || server_start(server, &bench, &error) < 0) {
        error_print(&error);
        return 1;
    }
    fflush(stdout);
    pid_t readers = fork();
    if (readers == 0)
        exit(read_streams(server_port(server)));
    clock_sleep_until(clock_monotonic_s() + 1);
    double began_s = clock_monotonic_s();
    double used_s = cpu_s();
    send_events(server);
    clock_sleep_until(clock_monotonic_s() + 0.2);
    double share = (cpu_s() - used_s) / (clock_monotonic_s() - began_s);
    int status = 1;
    waitpid(readers, &status, 0);
    printf("%d streams at 20 events/s: %.1f %% of a core\n", STREAMS, 100 * share);
    server_stop(server);
    server_destroy(server);
    scratch_remove(directory);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 1;
}
