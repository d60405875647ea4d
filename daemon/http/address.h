/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Network addresses in the configuration and in Host and Origin fields. Pure
 * but for address_listen.
 */
#ifndef WAKEDRAW_HTTP_ADDRESS_H
#define WAKEDRAW_HTTP_ADDRESS_H

#include "base/error.h"

#include <netinet/in.h>
#include <stdbool.h>
#include <sys/socket.h>

struct address {
    struct sockaddr_storage socket;
    socklen_t length;
};

enum { ADDRESS_TEXT = 64 };

/* "127.0.0.1:8460", "[::1]:8460", "localhost:8460" (127.0.0.1); port 0: any
 * free one. -1 with what was found and expected. */
int address_parse(const char *text, struct address *address, struct error *error);

bool address_is_loopback(const struct address *address);

/* A listening socket bound to this address alone, and its port. -1:
 * EXIT_UNAVAILABLE with the address and why. */
int address_listen(const struct address *address, const char *text, int *port, struct error *error);

/* The address without its port, to count by: an IPv6 one by its /64, as its
 * holder may choose the rest freely. Returns text. */
char *address_host(const struct sockaddr *socket, char text[ADDRESS_TEXT]);

/* Who a request may be meant for. A page elsewhere can point its own name at
 * this machine, but not make a browser send another Host: so only numeric
 * addresses, "localhost" and, where we listen beyond loopback, the machine's
 * own name (also with ".local") are ours; and only with our port. */
bool address_host_allowed(const char *host, int port, bool tls, const char *machine);

/* An Origin is ours where it is the scheme and the Host of the request. */
bool address_origin_allowed(const char *origin, const char *host, bool tls);

#endif
