/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The front panel as a Unix-domain stream socket: a line in, a line out.
 */
#ifndef WAKEDRAW_SIMULATE_PANEL_SOCKET_H
#define WAKEDRAW_SIMULATE_PANEL_SOCKET_H

#include "base/error.h"
#include "simulate/simulator.h"

#include <poll.h>

struct panel_socket;

/* A socket that nobody listens at is replaced; a live one, or another file, is
 * an error. */
struct panel_socket *panel_socket_create(const char *path, struct error *error);
void panel_socket_destroy(struct panel_socket *panel);

enum { PANEL_MOST_POLLED = 9 };
int panel_socket_poll(const struct panel_socket *panel, struct pollfd *polled);
void panel_socket_work(struct panel_socket *panel, const struct pollfd *polled, int count,
                       struct simulator *simulator, double now_s);

/* The other side: says one line and takes the reply. -1 with the error filled. */
int panel_say(const char *path, const char *line, char *reply, unsigned long size,
              struct error *error);

#endif
