/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The system's side of the wire: listening sockets and pseudo-terminals.
 */
#ifndef WAKEDRAW_SIMULATE_PORT_H
#define WAKEDRAW_SIMULATE_PORT_H

#include "base/error.h"

#include <stdbool.h>

/* Listens (non-blocking, close-on-exec); *port 0 becomes the one taken. The
 * descriptor, or -1 with the error filled. */
int port_listen(const char *host, int *port, struct error *error);

/* Small replies go out at once. */
void port_prompt(int fd);

struct terminal {
    char slave[64]; /* /dev/pts/N */
    int master;
    int kept;    /* one slave end, so that the master does not end with a client */
    int watch;   /* readable when a client comes or leaves */
    bool in_use; /* as far as terminal_update knows */
};

/* A raw pseudo-terminal whose slave is linked at the path. A link that lies
 * there is replaced, anything else is an error. */
int terminal_open(const char *path, struct terminal *terminal, struct error *error);
/* Removes the link, if it is still its own. */
void terminal_close(const char *path, struct terminal *terminal);

/* Learns who came and who left. True: a client has closed the port; then it is
 * for others again (not exclusive), and what was on the line is gone, as with a
 * real one. */
bool terminal_update(struct terminal *terminal);

#endif
