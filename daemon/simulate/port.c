/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/port.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static int listen_at(const struct addrinfo *at)
{
    int fd = socket(at->ai_family, at->ai_socktype | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -1;
    int on = 1;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(fd, at->ai_addr, at->ai_addrlen) == 0 && listen(fd, 8) == 0)
        return fd;
    int why = errno;
    close(fd);
    errno = why;
    return -1;
}

int port_listen(const char *host, int *port, struct error *error)
{
    char name[160], service[16];
    snprintf(name, sizeof name, "%s:%d", host, *port);
    snprintf(service, sizeof service, "%d", *port);
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_flags = AI_PASSIVE};
    struct addrinfo *found = NULL;
    int result = getaddrinfo(host, service, &hints, &found);
    if (result != 0)
        return error_set(error, EXIT_UNAVAILABLE, name, 0, NULL, "no such address: %s",
                         gai_strerror(result));
    int fd = -1;
    for (const struct addrinfo *at = found; at && fd < 0; at = at->ai_next)
        fd = listen_at(at);
    int why = errno;
    freeaddrinfo(found);
    if (fd < 0)
        return error_set(error, EXIT_UNAVAILABLE, name, 0, NULL, "cannot listen: %s",
                         strerror(why));
    union {
        struct sockaddr any;
        struct sockaddr_in four;
        struct sockaddr_in6 six;
    } bound = {.six = {0}};
    socklen_t size = sizeof bound;
    if (getsockname(fd, &bound.any, &size) != 0) {
        why = errno;
        close(fd);
        return error_set(error, EXIT_UNAVAILABLE, name, 0, NULL, "cannot listen: %s",
                         strerror(why));
    }
    *port = ntohs(bound.any.sa_family == AF_INET6 ? bound.six.sin6_port : bound.four.sin_port);
    return fd;
}

void port_prompt(int fd)
{
    int on = 1;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
}

static const struct terminal no_terminal = {.master = -1, .kept = -1, .watch = -1};

static int fail(const char *path, struct terminal *terminal, const char *what, struct error *error)
{
    int why = errno;
    if (terminal->watch >= 0)
        close(terminal->watch);
    if (terminal->kept >= 0)
        close(terminal->kept);
    if (terminal->master >= 0)
        close(terminal->master);
    *terminal = no_terminal;
    return error_set(error, EXIT_UNAVAILABLE, path, 0, NULL, "%s: %s", what, strerror(why));
}

int terminal_open(const char *path, struct terminal *terminal, struct error *error)
{
    *terminal = no_terminal;
    struct stat there;
    if (lstat(path, &there) == 0 && !S_ISLNK(there.st_mode))
        return error_set(error, EXIT_UNAVAILABLE, path, 0, "a free path",
                         "something else than a link lies there");
    terminal->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    char slave[sizeof terminal->slave];
    if (terminal->master < 0 || grantpt(terminal->master) != 0 || unlockpt(terminal->master) != 0 ||
        ptsname_r(terminal->master, slave, sizeof slave) != 0)
        return fail(path, terminal, "no pseudo-terminal is to be had", error);
    memcpy(terminal->slave, slave, sizeof slave);
    terminal->kept = open(slave, O_RDWR | O_NOCTTY | O_CLOEXEC);
    struct termios mode;
    if (terminal->kept < 0 || tcgetattr(terminal->kept, &mode) != 0)
        return fail(path, terminal, slave, error);
    cfmakeraw(&mode);
    if (tcsetattr(terminal->kept, TCSANOW, &mode) != 0)
        return fail(path, terminal, slave, error);
    terminal->watch = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (terminal->watch < 0 || inotify_add_watch(terminal->watch, slave, IN_OPEN | IN_CLOSE) < 0)
        return fail(path, terminal, "cannot be watched", error);
    if ((unlink(path) != 0 && errno != ENOENT) || symlink(slave, path) != 0)
        return fail(path, terminal, "cannot make the link", error);
    return 0;
}

void terminal_close(const char *path, struct terminal *terminal)
{
    char target[PATH_MAX];
    ssize_t count = readlink(path, target, sizeof target - 1);
    target[count > 0 ? count : 0] = '\0';
    if (strcmp(target, terminal->slave) == 0)
        unlink(path);
    close(terminal->watch);
    close(terminal->kept);
    close(terminal->master);
    *terminal = no_terminal;
}

bool terminal_update(struct terminal *terminal)
{
    _Alignas(struct inotify_event) char events[4096];
    bool left = false;
    ssize_t count = 0;
    while ((count = read(terminal->watch, events, sizeof events)) > 0) {
        const char *at = events;
        while (at < events + count) {
            const struct inotify_event *event = (const void *)at;
            /* The last event tells; ports are opened by one at a time. */
            terminal->in_use = (event->mask & IN_OPEN) != 0;
            left = left || (event->mask & IN_CLOSE) != 0;
            at += sizeof *event + event->len;
        }
    }
    if (left) {
        ioctl(terminal->kept, TIOCNXCL);
        tcflush(terminal->kept, TCIFLUSH);
    }
    return left;
}
