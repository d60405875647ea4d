/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include "base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/usb/tmc.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

/* Not in the headers of every kernel's time. */
#ifndef USBTMC_IOCTL_SET_TIMEOUT
#define USBTMC_IOCTL_SET_TIMEOUT _IOW(USBTMC_IOC_NR, 10, __u32)
#endif

/* The driver takes no shorter time. */
enum { SHORTEST_TIMEOUT_MS = 100 };

int link_open_usbtmc(struct link *link, const struct link_spec *spec, struct error *error)
{
    struct stat status;
    if (stat(link->path, &status) != 0)
        return link_refuse(spec, strerror(errno), error);
    if (!S_ISCHR(status.st_mode))
        return link_refuse(spec, "is not a USBTMC device", error);
    link->descriptor = open(link->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (link->descriptor < 0)
        return link_refuse(spec, strerror(errno), error);
    if (link_lock(link, spec, error) != 0)
        return -1;
    __u32 timeout_ms = 1000;
    link->messages =
        link_calls.control(link->descriptor, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms) == 0;
    if (link->messages)
        return 0;
    /* A stand-in for the device, in tests: a terminal, read as one. */
    if (link_make_raw(link->descriptor) == 0 &&
        fcntl(link->descriptor, F_SETFL, O_RDWR | O_NONBLOCK) == 0)
        return 0;
    return link_refuse(spec, "is not a USBTMC device", error);
}

/* A message's end is told by bit 0 of the transfer's attributes (USBTMC 1.0, table 9). */
static bool was_the_end(const struct link *link)
{
    __u8 attributes = 1;
    int told = link_calls.control(link->descriptor, USBTMC_IOCTL_MSG_IN_ATTR, &attributes);
    return told != 0 || attributes & 1;
}

long link_usbtmc_read(struct link *link, void *bytes, size_t count, double deadline_s)
{
    for (;;) {
        /* Reading with nothing asked blocks, and wedges some devices. */
        double left_s = deadline_s - clock_monotonic_s();
        if (!link->unread || left_s <= 0)
            return 0;
        __u32 timeout_ms = (__u32)(left_s * 1000) + 1;
        if (timeout_ms < SHORTEST_TIMEOUT_MS)
            timeout_ms = SHORTEST_TIMEOUT_MS;
        link_calls.control(link->descriptor, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms);
        ssize_t got = link_calls.read(link->descriptor, bytes, count);
        if (got < 0 && (errno == EINTR || errno == EAGAIN))
            continue;
        /* Asked a second time for the same reply a device may wedge: what it has is
         * given up, and with it a reply that comes late. */
        if (got < 0 && errno == ETIMEDOUT)
            return link_usbtmc_clear(link);
        if (got < 0)
            return -1;
        link->unread = !was_the_end(link);
        if (got > 0)
            return got;
    }
}

int link_usbtmc_clear(struct link *link)
{
    link->unread = false;
    return link_calls.control(link->descriptor, USBTMC_IOCTL_CLEAR, NULL) == 0 ? 0 : -1;
}
