/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/address.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netdb.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

#define EXPECTED_ADDRESS "ADDRESS:PORT, such as 127.0.0.1:8460 or [::1]:8460"

/* "HOST:PORT" or "[HOST]:PORT" in two; a port left out is -1. */
static bool split(const char *text, char *host, size_t size, int *port)
{
    const char *end = NULL;
    const char *from = text;
    if (*text == '[') {
        from = text + 1;
        end = strchr(from, ']');
        if (!end)
            return false;
    } else {
        end = strchrnul(text, ':');
    }
    if (end == from || (size_t)(end - from) >= size)
        return false;
    memcpy(host, from, (size_t)(end - from));
    host[end - from] = '\0';
    if (*text == '[')
        end++;
    *port = -1;
    if (*end == '\0')
        return true;
    if (*end != ':' || strspn(end + 1, "0123456789") != strlen(end + 1) || strlen(end + 1) > 5 ||
        end[1] == '\0')
        return false;
    *port = (int)strtol(end + 1, NULL, 10);
    return *port <= 65535;
}

static bool is_numeric(const char *host)
{
    struct in6_addr bytes;
    return inet_pton(AF_INET, host, &bytes) == 1 || inet_pton(AF_INET6, host, &bytes) == 1;
}

int address_parse(const char *text, struct address *address, struct error *error)
{
    char host[ADDRESS_TEXT];
    int port = -1;
    memset(address, 0, sizeof *address);
    if (!split(text, host, sizeof host, &port) || port < 0)
        return error_set(error, EXIT_BAD_DATA, NULL, 0, EXPECTED_ADDRESS, "found \"%s\"", text);
    if (strcasecmp(host, "localhost") == 0)
        snprintf(host, sizeof host, "127.0.0.1");
    struct sockaddr_in *four = (struct sockaddr_in *)&address->socket;
    struct sockaddr_in6 *six = (struct sockaddr_in6 *)&address->socket;
    if (*text != '[' && inet_pton(AF_INET, host, &four->sin_addr) == 1) {
        four->sin_family = AF_INET;
        four->sin_port = htons((uint16_t)port);
        address->length = sizeof *four;
        return 0;
    }
    if (*text == '[' && inet_pton(AF_INET6, host, &six->sin6_addr) == 1) {
        six->sin6_family = AF_INET6;
        six->sin6_port = htons((uint16_t)port);
        address->length = sizeof *six;
        return 0;
    }
    return error_set(error, EXIT_BAD_DATA, NULL, 0, EXPECTED_ADDRESS, "found \"%s\"", text);
}

bool address_is_loopback(const struct address *address)
{
    if (address->socket.ss_family == AF_INET) {
        const struct sockaddr_in *four = (const struct sockaddr_in *)&address->socket;
        return ntohl(four->sin_addr.s_addr) >> 24 == 127;
    }
    const struct sockaddr_in6 *six = (const struct sockaddr_in6 *)&address->socket;
    return IN6_IS_ADDR_LOOPBACK(&six->sin6_addr);
}

static int read_port(int socket)
{
    struct sockaddr_storage bound = {0};
    socklen_t length = sizeof bound;
    char port[8];
    if (getsockname(socket, (struct sockaddr *)&bound, &length) < 0 ||
        getnameinfo((const struct sockaddr *)&bound, length, NULL, 0, port, sizeof port,
                    NI_NUMERICSERV) != 0)
        return -1;
    return (int)strtol(port, NULL, 10);
}

int address_listen(const struct address *address, const char *text, int *port, struct error *error)
{
    int yes = 1;
    int listener = socket(address->socket.ss_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    bool is_six = address->socket.ss_family == AF_INET6;
    if (listener < 0 || setsockopt(listener, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes) < 0 ||
        (is_six && setsockopt(listener, IPPROTO_IPV6, IPV6_V6ONLY, &yes, sizeof yes) < 0) ||
        bind(listener, (const struct sockaddr *)&address->socket, address->length) < 0 ||
        listen(listener, 128) < 0 || (*port = read_port(listener)) < 0) {
        error_set(error, EXIT_UNAVAILABLE, text, 0, NULL, "cannot listen here: %s",
                  strerror(errno));
        if (listener >= 0)
            close(listener);
        return -1;
    }
    return listener;
}

char *address_host(const struct sockaddr *socket, char text[ADDRESS_TEXT])
{
    snprintf(text, ADDRESS_TEXT, "unknown");
    if (socket && socket->sa_family == AF_INET) {
        const struct sockaddr_in *four = (const struct sockaddr_in *)(const void *)socket;
        inet_ntop(AF_INET, &four->sin_addr, text, ADDRESS_TEXT);
    } else if (socket && socket->sa_family == AF_INET6) {
        const struct sockaddr_in6 *six = (const struct sockaddr_in6 *)(const void *)socket;
        struct in6_addr network = six->sin6_addr;
        memset(network.s6_addr + 8, 0, 8);
        if (IN6_IS_ADDR_LOOPBACK(&six->sin6_addr))
            network = six->sin6_addr;
        inet_ntop(AF_INET6, &network, text, ADDRESS_TEXT);
    }
    return text;
}

static bool is_machine(const char *host, const char *machine)
{
    size_t length = strlen(machine);
    if (length == 0 || strncasecmp(host, machine, length) != 0)
        return false;
    return host[length] == '\0' || strcasecmp(host + length, ".local") == 0;
}

bool address_host_allowed(const char *host, int port, bool tls, const char *machine)
{
    char name[256];
    int found = -1;
    if (!host || !split(host, name, sizeof name, &found))
        return false;
    if (found < 0)
        found = tls ? 443 : 80;
    if (found != port)
        return false;
    return strcasecmp(name, "localhost") == 0 || is_numeric(name) ||
           (machine && is_machine(name, machine));
}

bool address_origin_allowed(const char *origin, const char *host, bool tls)
{
    const char *scheme = tls ? "https://" : "http://";
    size_t length = strlen(scheme);
    return host && strncasecmp(origin, scheme, length) == 0 &&
           strcasecmp(origin + length, host) == 0;
}
