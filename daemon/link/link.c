/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include "base/clock.h"

#include <errno.h>
#include <libserialport.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

/* A device that talks without end must not hold the drain for ever. */
enum { MOST_DRAINED = 65536 };

static int control(int descriptor, unsigned long request, void *argument)
{
    return ioctl(descriptor, request, argument);
}

struct link_calls link_calls = {read, write, control};

int link_refuse(const struct link_spec *spec, const char *why, struct error *error)
{
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: %s", spec->place, why);
}

int link_lock(const struct link *link, const struct link_spec *spec, struct error *error)
{
    if (flock(link->descriptor, LOCK_EX | LOCK_NB) == 0)
        return 0;
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL,
                     errno == EWOULDBLOCK ? "%s is in use by another process"
                                          : "%s cannot be locked",
                     spec->place);
}

void link_raw_modes(struct termios *modes)
{
    /* cfmakeraw takes parity off too. With parity a byte that came spoilt is read
     * as a zero byte, which no text holds and no checksum passes. */
    tcflag_t parity = modes->c_cflag & (PARENB | PARODD);
    cfmakeraw(modes);
    modes->c_cflag |= parity;
    modes->c_iflag &= ~(tcflag_t)(IGNPAR | INPCK);
    if (parity & PARENB)
        modes->c_iflag |= INPCK;
}

int link_make_raw(int descriptor)
{
    struct termios modes;
    if (tcgetattr(descriptor, &modes) != 0)
        return -1;
    link_raw_modes(&modes);
    modes.c_cflag |= CLOCAL | CREAD;
    modes.c_cflag &= ~(tcflag_t)(HUPCL | CRTSCTS);
    modes.c_cc[VMIN] = 1;
    modes.c_cc[VTIME] = 0;
    return tcsetattr(descriptor, TCSANOW, &modes);
}

static bool is_device(const struct link_spec *spec)
{
    return spec->kind == LINK_SERIAL || spec->kind == LINK_MODBUS_RTU || spec->kind == LINK_USBTMC;
}

struct link *link_open(const struct link_spec *spec, double timeout_s, struct error *error)
{
    return link_open_again(spec, NULL, timeout_s, error);
}

struct link *link_open_again(const struct link_spec *spec, const struct link_known *known,
                             double timeout_s, struct error *error)
{
    struct link *link = calloc(1, sizeof *link);
    if (!link) {
        error_set(error, EXIT_SOFTWARE, spec->text, 0, NULL, "memory is out");
        return NULL;
    }
    link->descriptor = -1;
    if (is_device(spec) &&
        link_find_place(spec, known, link->path, sizeof link->path, error) != 0) {
        link_close(link);
        return NULL;
    }
    int failed = -1;
    switch (spec->kind) {
    case LINK_SERIAL:
    case LINK_MODBUS_RTU:
        failed = link_open_serial(link, spec, error);
        break;
    case LINK_TCP:
    case LINK_MODBUS_TCP:
    case LINK_MODBUS_RTU_TCP:
        failed = link_open_tcp(link, spec, timeout_s, error);
        break;
    case LINK_USBTMC:
        failed = link_open_usbtmc(link, spec, error);
        break;
    }
    if (failed) {
        link_close(link);
        return NULL;
    }
    struct stat status;
    if (is_device(spec) && fstat(link->descriptor, &status) == 0)
        link->usb = usb_device_of(status.st_rdev);
    return link;
}

void link_close(struct link *link)
{
    if (!link)
        return;
    if (link->port) {
        sp_close(link->port);
        sp_free_port(link->port);
    } else if (link->descriptor >= 0) {
        close(link->descriptor);
    }
    free(link);
}

/* Waits until the descriptor is ready or the deadline has passed: its poll
 * events, 0 for nothing, -1 for an error. A deadline in the past looks once. */
static int wait_ready(const struct link *link, short events, double deadline_s)
{
    for (;;) {
        struct pollfd entry = {.fd = link->descriptor, .events = events};
        double left_s = deadline_s - clock_monotonic_s();
        if (!(left_s > 0))
            left_s = 0;
        struct timespec left = {.tv_sec = (time_t)left_s,
                                .tv_nsec = (long)((left_s - (double)(time_t)left_s) * 1e9)};
        int ready = ppoll(&entry, 1, &left, NULL);
        if (ready > 0)
            return entry.revents;
        if (ready == 0)
            return 0;
        if (errno != EINTR)
            return -1;
    }
}

int link_write(struct link *link, const void *bytes, size_t count, double deadline_s)
{
    const char *at = bytes;
    if (link->messages) {
        /* A reply not read to its end would be cut off by the device with an error of its own. */
        if (link->unread && link_usbtmc_clear(link) != 0)
            return -1;
        /* What asks nothing brings nothing to read. */
        link->unread = memchr(bytes, '?', count) != NULL;
    }
    while (count > 0) {
        ssize_t written = link->socket ? send(link->descriptor, at, count, MSG_NOSIGNAL)
                                       : link_calls.write(link->descriptor, at, count);
        if (written < 0 && errno == EINTR)
            continue;
        if (written < 0 && errno == EAGAIN) {
            int ready = wait_ready(link, POLLOUT, deadline_s);
            if (ready <= 0 || ready & (POLLHUP | POLLERR | POLLNVAL))
                return -1;
            continue;
        }
        if (written <= 0)
            return -1;
        at += written;
        count -= (size_t)written;
    }
    return 0;
}

long link_read(struct link *link, void *bytes, size_t count, double deadline_s)
{
    if (link->messages)
        return link_usbtmc_read(link, bytes, count, deadline_s);
    /* The descriptor does not block: a look at what is there need not ask first. */
    bool look = deadline_s <= 0;
    for (;;) {
        int ready = look ? POLLIN : wait_ready(link, POLLIN, deadline_s);
        if (ready == 0)
            return 0;
        if (ready < 0 || !(ready & POLLIN))
            return -1;
        ssize_t got = read(link->descriptor, bytes, count);
        if (got > 0)
            return got;
        if (got < 0 && look && errno == EAGAIN)
            return 0;
        if (got < 0 && (errno == EINTR || errno == EAGAIN))
            continue;
        return -1;
    }
}

int link_drain(struct link *link)
{
    if (link->messages)
        return link->unread ? link_usbtmc_clear(link) : 0;
    char bytes[4096];
    long drained = 0;
    while (drained < MOST_DRAINED) {
        long got = link_read(link, bytes, sizeof bytes, 0);
        if (got <= 0)
            return (int)got;
        drained += got;
    }
    return 0;
}

bool link_is_gone(const struct link *link)
{
    int ready = wait_ready(link, POLLIN, 0);
    if (ready < 0 || ready & (POLLHUP | POLLERR | POLLNVAL))
        return true;
    char byte = 0;
    return link->socket && ready & POLLIN &&
           recv(link->descriptor, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0;
}

const struct usb_device *link_usb_device(const struct link *link)
{
    return &link->usb;
}

const char *link_device_path(const struct link *link)
{
    return link->path;
}

enum link_latency link_low_latency(const struct link *link)
{
    return link->latency;
}

const char *link_latency_word(enum link_latency latency)
{
    static const char *const words[] = {"", "not offered", "off", "on"};
    return words[latency];
}

int link_descriptor(const struct link *link)
{
    return link->descriptor;
}

double link_character_s(const struct link_spec *spec)
{
    if (spec->kind != LINK_SERIAL && spec->kind != LINK_MODBUS_RTU)
        return 0;
    int bits = 1 + 8 + (spec->parity == 'N' ? 0 : 1) + spec->stop_bits;
    return (double)bits / spec->baud;
}
