/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include "base/clock.h"

#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

static void set_options(int descriptor)
{
    /* A cable pulled out gives no event: probes end the connection in 11 s. */
    static const struct {
        int level, option, value;
    } options[] = {
        {IPPROTO_TCP, TCP_NODELAY, 1},  {SOL_SOCKET, SO_KEEPALIVE, 1},
        {IPPROTO_TCP, TCP_KEEPIDLE, 5}, {IPPROTO_TCP, TCP_KEEPINTVL, 2},
        {IPPROTO_TCP, TCP_KEEPCNT, 3},  {IPPROTO_TCP, TCP_USER_TIMEOUT, 8000},
    };
    for (size_t i = 0; i < sizeof options / sizeof *options; i++)
        setsockopt(descriptor, options[i].level, options[i].option, &options[i].value,
                   sizeof options[i].value);
}

/* 0, or the errno value. */
static int finish_connect(int descriptor, double deadline_s)
{
    for (;;) {
        struct pollfd entry = {.fd = descriptor, .events = POLLOUT};
        double left_s = deadline_s - clock_monotonic_s();
        int ready = left_s > 0 ? poll(&entry, 1, (int)(left_s * 1000) + 1) : 0;
        if (ready == 0)
            return ETIMEDOUT;
        if (ready < 0 && errno == EINTR)
            continue;
        if (ready < 0)
            return errno;
        int problem = 0;
        socklen_t size = sizeof problem;
        if (getsockopt(descriptor, SOL_SOCKET, SO_ERROR, &problem, &size) != 0)
            return errno;
        return problem;
    }
}

static int try_address(const struct addrinfo *address, double deadline_s, int *problem)
{
    int descriptor = socket(address->ai_family, address->ai_socktype | SOCK_NONBLOCK | SOCK_CLOEXEC,
                            address->ai_protocol);
    if (descriptor < 0) {
        *problem = errno;
        return -1;
    }
    set_options(descriptor);
    *problem = 0;
    if (connect(descriptor, address->ai_addr, address->ai_addrlen) != 0)
        *problem = errno == EINPROGRESS ? finish_connect(descriptor, deadline_s) : errno;
    if (*problem == 0)
        return descriptor;
    close(descriptor);
    return -1;
}

int link_open_tcp(struct link *link, const struct link_spec *spec, double timeout_s,
                  struct error *error)
{
    double deadline_s = clock_monotonic_s() + timeout_s;
    char port[8];
    snprintf(port, sizeof port, "%d", spec->port);
    struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM};
    struct addrinfo *addresses = NULL;
    int lookup = getaddrinfo(spec->place, port, &hints, &addresses);
    if (lookup != 0)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: %s", spec->place,
                         lookup == EAI_SYSTEM ? strerror(errno) : gai_strerror(lookup));
    int problem = ETIMEDOUT;
    for (const struct addrinfo *address = addresses; address && link->descriptor < 0;
         address = address->ai_next)
        link->descriptor = try_address(address, deadline_s, &problem);
    freeaddrinfo(addresses);
    if (link->descriptor < 0)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s port %d: %s",
                         spec->place, spec->port, strerror(problem));
    link->socket = true;
    return 0;
}
