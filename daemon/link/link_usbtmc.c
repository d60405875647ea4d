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
    if (stat(spec->place, &status) != 0)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: %s", spec->place,
                         strerror(errno));
    if (!S_ISCHR(status.st_mode))
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: is not a USBTMC device",
                         spec->place);
    link->descriptor = open(spec->place, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (link->descriptor < 0)
        return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: %s", spec->place,
                         strerror(errno));
    if (link_lock(link, spec, error) != 0)
        return -1;
    __u32 timeout_ms = 1000;
    link->messages = ioctl(link->descriptor, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms) == 0;
    if (link->messages)
        return 0;
    /* A stand-in for the device, in tests: a terminal, read as one. */
    if (link_make_raw(link->descriptor) == 0 &&
        fcntl(link->descriptor, F_SETFL, O_RDWR | O_NONBLOCK) == 0)
        return 0;
    return error_set(error, EXIT_UNAVAILABLE, spec->text, 0, NULL, "%s: is not a USBTMC device",
                     spec->place);
}

long link_usbtmc_read(struct link *link, void *bytes, size_t count, double deadline_s)
{
    /* Reading with nothing asked blocks, and wedges some devices. */
    if (!link->unread)
        return 0;
    double left_s = deadline_s - clock_monotonic_s();
    if (left_s <= 0)
        return 0;
    __u32 timeout_ms = (__u32)(left_s * 1000) + 1;
    if (timeout_ms < SHORTEST_TIMEOUT_MS)
        timeout_ms = SHORTEST_TIMEOUT_MS;
    ioctl(link->descriptor, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms);
    ssize_t got = read(link->descriptor, bytes, count);
    if (got < 0 && (errno == ETIMEDOUT || errno == EINTR || errno == EAGAIN))
        return 0;
    if (got < 0)
        return -1;
    /* Bit 0 of the transfer's attributes: this was the message's end. */
    __u8 attributes = 1;
    if (ioctl(link->descriptor, USBTMC_IOCTL_MSG_IN_ATTR, &attributes) != 0)
        attributes = 1;
    if (attributes & 1)
        link->unread = false;
    return got;
}

int link_usbtmc_clear(struct link *link)
{
    link->unread = false;
    return ioctl(link->descriptor, USBTMC_IOCTL_CLEAR) == 0 ? 0 : -1;
}
