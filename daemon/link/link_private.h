/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the kinds of link share. One descriptor, read and written by the same
 * code whatever it leads to.
 */
#ifndef WAKEDRAW_LINK_LINK_PRIVATE_H
#define WAKEDRAW_LINK_LINK_PRIVATE_H

#include "link/link.h"

struct sp_port;

struct link {
    int descriptor;
    struct sp_port *port; /* libserialport's, which closes the descriptor; else NULL */
    bool socket;
    bool messages; /* the kernel's usbtmc driver: whole messages, no poll */
    bool unread;   /* usbtmc: something was asked whose reply was not read to its end */
    struct usb_device usb;
    enum link_latency latency;
    char path[300];
};

/* The system calls that a device answers in ways of its own; a test's stand-in for
 * the device answers in its place. */
struct link_calls {
    ssize_t (*read)(int descriptor, void *bytes, size_t count);
    ssize_t (*write)(int descriptor, const void *bytes, size_t count);
    int (*control)(int descriptor, unsigned long request, void *argument);
};
extern struct link_calls link_calls;

/* Each fills the empty link or returns -1 with the error filled. */
int link_open_serial(struct link *link, const struct link_spec *spec, struct error *error);
int link_open_tcp(struct link *link, const struct link_spec *spec, double timeout_s,
                  struct error *error);
int link_open_usbtmc(struct link *link, const struct link_spec *spec, struct error *error);

/* The device's path now, in links that have one. -1: it is not there. */
int link_find_place(const struct link_spec *spec, const struct link_known *known, char *path,
                    size_t size, struct error *error);

/* -1, with the place and why in the error. */
int link_refuse(const struct link_spec *spec, const char *why, struct error *error);

/* Locks the descriptor against other processes; -1: it is in use. */
int link_lock(const struct link *link, const struct link_spec *spec, struct error *error);

/* Raw mode: no echo, no translation, no signals, bytes as they come. */
int link_make_raw(int descriptor);

/* What that means, but for the parity that was set before: it is kept, and bytes
 * that fail it are read as zero. */
struct termios;
void link_raw_modes(struct termios *modes);

/* Of a usbtmc device. */
long link_usbtmc_read(struct link *link, void *bytes, size_t count, double deadline_s);
int link_usbtmc_clear(struct link *link);

#endif
