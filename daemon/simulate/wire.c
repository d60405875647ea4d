/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/wire.h"

#include "base/log.h"
#include "simulate/port.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { MOST_CLIENTS = 8, OUT_ROOM = 32768, IN_ROOM = WIRE_LONGEST_MESSAGE };

/* Bytes of a paced line go out in pieces of so long. */
#define PIECE_S 0.0015

struct client {
    int fd; /* -1: free */
    uint8_t in[IN_ROOM];
    double in_s[IN_ROOM]; /* when the line has brought each byte */
    size_t in_count;
    double in_free_s; /* when the line towards us is free again */
    uint8_t out[OUT_ROOM];
    double out_s[OUT_ROOM];
    size_t out_count;
    double out_free_s, busy_until_s;
    bool blocked; /* the client does not read */
};

struct wire {
    struct endpoint endpoint;
    struct wire_options options;
    struct speaker speaker;
    char text[300];
    double character_s;
    bool plugged;
    int listener;
    struct terminal terminal;
    struct client clients[MOST_CLIENTS];
    double silent_until_s, late_s;
    bool garbage, half;
};

static void client_open(struct client *client, int fd)
{
    client->fd = fd;
    client->in_count = client->out_count = 0;
    client->in_free_s = client->out_free_s = client->busy_until_s = 0;
    client->blocked = false;
}

static void client_close(struct client *client)
{
    close(client->fd);
    client->fd = -1;
}

int wire_replug(struct wire *wire, struct error *error)
{
    if (wire->plugged)
        return 0;
    if (wire->endpoint.terminal) {
        if (terminal_open(wire->endpoint.path, &wire->terminal, error) != 0)
            return -1;
        client_open(&wire->clients[0], wire->terminal.master);
    } else {
        wire->listener = port_listen(wire->endpoint.host, &wire->endpoint.port, error);
        if (wire->listener < 0)
            return -1;
    }
    wire->plugged = true;
    return 0;
}

void wire_unplug(struct wire *wire)
{
    if (!wire->plugged)
        return;
    wire->plugged = false;
    if (wire->endpoint.terminal) {
        wire->clients[0].fd = -1;
        terminal_close(wire->endpoint.path, &wire->terminal);
        return;
    }
    close(wire->listener);
    wire->listener = -1;
    for (int i = 0; i < MOST_CLIENTS; i++)
        if (wire->clients[i].fd >= 0)
            client_close(&wire->clients[i]);
}

struct wire *wire_create(const struct endpoint *endpoint, const struct wire_options *options,
                         const struct speaker *speaker, struct error *error)
{
    struct wire *wire = calloc(1, sizeof *wire);
    if (!wire) {
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
        return NULL;
    }
    wire->endpoint = *endpoint;
    wire->options = *options;
    wire->speaker = *speaker;
    wire->listener = -1;
    wire->character_s = options->line_rate_baud > 0 ? 10 / options->line_rate_baud : 0;
    for (int i = 0; i < MOST_CLIENTS; i++)
        wire->clients[i].fd = -1;
    if (wire_replug(wire, error) != 0) {
        free(wire);
        return NULL;
    }
    if (endpoint->terminal)
        snprintf(wire->text, sizeof wire->text, "%s:%s", endpoint->kind, endpoint->path);
    else
        snprintf(wire->text, sizeof wire->text,
                 strchr(endpoint->host, ':') ? "%s:[%s]:%d" : "%s:%s:%d", endpoint->kind,
                 endpoint->host, wire->endpoint.port);
    return wire;
}

void wire_destroy(struct wire *wire)
{
    if (!wire)
        return;
    wire_unplug(wire);
    free(wire);
}

const char *wire_text(const struct wire *wire)
{
    return wire->text;
}

int wire_clients(const struct wire *wire)
{
    int count = 0;
    for (int i = 0; i < MOST_CLIENTS; i++)
        count += wire->clients[i].fd >= 0;
    return count;
}

bool wire_plugged(const struct wire *wire)
{
    return wire->plugged;
}

int wire_poll(struct wire *wire, struct pollfd *polled)
{
    int count = 0;
    if (!wire->plugged)
        return 0;
    if (wire->endpoint.terminal)
        polled[count++] = (struct pollfd){.fd = wire->terminal.watch, .events = POLLIN};
    else
        polled[count++] = (struct pollfd){.fd = wire->listener, .events = POLLIN};
    for (int i = 0; i < MOST_CLIENTS; i++) {
        const struct client *client = &wire->clients[i];
        if (client->fd < 0)
            continue;
        short events = client->in_count < IN_ROOM ? POLLIN : 0;
        if (client->blocked)
            events |= POLLOUT;
        polled[count++] = (struct pollfd){.fd = client->fd, .events = events};
    }
    return count;
}

/* Of the bytes waiting, the one that ends the next piece worth a write. */
static double piece_due_s(const struct wire *wire, const struct client *client)
{
    size_t piece = wire->character_s > 0 ? (size_t)(PIECE_S / wire->character_s) : OUT_ROOM;
    size_t last = client->out_count - 1;
    return client->out_s[piece < last ? piece : last];
}

double wire_next_s(const struct wire *wire, double now_s)
{
    double next_s = INFINITY;
    for (int i = 0; i < MOST_CLIENTS; i++) {
        const struct client *client = &wire->clients[i];
        if (client->fd < 0)
            continue;
        if (client->out_count > 0 && !client->blocked)
            next_s = fmin(next_s, piece_due_s(wire, client));
        if (client->in_count == 0)
            continue;
        size_t skip = 0;
        size_t length =
            wire->speaker.frame(wire->speaker.context, client->in, client->in_count, &skip);
        double last_s = client->in_s[client->in_count - 1];
        if (skip > 0)
            next_s = fmin(next_s, client->in_s[skip - 1]);
        else if (length > 0)
            next_s = fmin(next_s, wire->options.interrupts
                                      ? client->in_s[length - 1]
                                      : fmax(client->in_s[length - 1], client->busy_until_s));
        else if (wire->speaker.silence_s > 0)
            next_s = fmin(next_s, last_s + wire->speaker.silence_s);
    }
    return fmax(next_s, now_s);
}

static void take_in(struct wire *wire, struct client *client, double now_s)
{
    ssize_t count = read(client->fd, client->in + client->in_count, IN_ROOM - client->in_count);
    if (count < 0 && (errno == EAGAIN || errno == EINTR))
        return;
    if (count <= 0) {
        /* A pseudo-terminal is kept open at its other end, so it does not end. */
        if (!wire->endpoint.terminal)
            client_close(client);
        return;
    }
    if (now_s < wire->silent_until_s)
        return;
    client->in_free_s = fmax(client->in_free_s, now_s);
    for (ssize_t i = 0; i < count; i++) {
        client->in_free_s += wire->character_s;
        client->in_s[client->in_count++] = client->in_free_s;
    }
}

static void drop_in(struct client *client, size_t count)
{
    client->in_count -= count;
    memmove(client->in, client->in + count, client->in_count);
    memmove(client->in_s, client->in_s + count, client->in_count * sizeof *client->in_s);
}

static void put_out(struct wire *wire, struct client *client, const uint8_t *bytes, size_t count,
                    double start_s)
{
    if (client->out_count + count > OUT_ROOM) {
        log_warning("simulate: a client does not read; a reply is thrown away");
        return;
    }
    client->out_free_s = fmax(client->out_free_s, start_s);
    for (size_t i = 0; i < count; i++) {
        client->out_free_s += wire->character_s;
        client->out[client->out_count] = bytes[i];
        client->out_s[client->out_count++] = client->out_free_s;
    }
}

/* Some bytes that no supply says, ended as the reply was. */
static size_t spoil(struct wire *wire, uint8_t *reply, size_t length)
{
    if (wire->garbage) {
        wire->garbage = false;
        for (size_t i = 0; i + 1 < length; i++)
            reply[i] = (uint8_t)(reply[i] * 37 + 11 + i * 101) | 0x80;
    }
    if (wire->half) {
        wire->half = false;
        length /= 2;
    }
    return length;
}

/* A port that nobody has open: a reply goes nowhere. */
static bool has_listener(struct wire *wire)
{
    if (!wire->endpoint.terminal || wire->terminal.in_use)
        return true;
    terminal_update(&wire->terminal);
    return wire->terminal.in_use;
}

/* Strictly, a message that comes before the reply has gone takes its place. */
static void interrupt(struct wire *wire, struct client *client, double now_s)
{
    if (!wire->options.interrupts || client->out_count == 0)
        return;
    client->out_count = 0;
    client->out_free_s = client->busy_until_s = now_s;
    if (wire->speaker.interrupted)
        wire->speaker.interrupted(wire->speaker.context);
}

/* Nothing among the bytes is whole: they are left, dropped, or a message all the
 * same. Its length, or 0. */
static size_t unfinished(struct wire *wire, struct client *client, double now_s)
{
    const struct speaker *speaker = &wire->speaker;
    bool silent =
        speaker->silence_s > 0 && now_s >= client->in_s[client->in_count - 1] + speaker->silence_s;
    if (client->in_count == IN_ROOM) {
        speaker->overrun(speaker->context);
        client->in_count = 0;
    } else if (silent && speaker->silence_ends_message) {
        return client->in_count;
    } else if (silent) {
        client->in_count = 0;
    }
    return 0;
}

static void answer_due(struct wire *wire, struct client *client, double now_s)
{
    uint8_t reply[WIRE_LONGEST_REPLY];
    while (client->in_count > 0) {
        size_t skip = 0;
        size_t length =
            wire->speaker.frame(wire->speaker.context, client->in, client->in_count, &skip);
        if (skip > 0) {
            drop_in(client, skip);
            continue;
        }
        if (length == 0) {
            length = unfinished(wire, client, now_s);
            if (length == 0)
                return;
        }
        if (client->in_s[length - 1] <= now_s)
            interrupt(wire, client, now_s);
        if (fmax(client->in_s[length - 1], client->busy_until_s) > now_s)
            return;
        size_t count =
            wire->speaker.answer(wire->speaker.context, client->in, length, now_s, reply);
        drop_in(client, length);
        double start_s = now_s + wire->options.turnaround_s + wire->late_s;
        if (count > 0 && wire->speaker.takes_s)
            start_s += wire->speaker.takes_s(wire->speaker.context);
        client->busy_until_s = start_s;
        if (count > 0 && has_listener(wire)) {
            wire->late_s = 0;
            put_out(wire, client, reply, spoil(wire, reply, count), start_s);
        }
    }
}

static void send_due(struct client *client, double now_s)
{
    size_t due = 0;
    while (due < client->out_count && client->out_s[due] <= now_s)
        due++;
    client->blocked = false;
    while (due > 0) {
        ssize_t count = write(client->fd, client->out, due);
        if (count < 0 && errno == EINTR)
            continue;
        if (count < 0 && errno == EAGAIN) {
            client->blocked = true;
            return;
        }
        if (count < 0) {
            /* The peer is gone; its end will be read and the client closed. */
            client->out_count = 0;
            return;
        }
        due -= (size_t)count;
        client->out_count -= (size_t)count;
        memmove(client->out, client->out + count, client->out_count);
        memmove(client->out_s, client->out_s + count, client->out_count * sizeof *client->out_s);
    }
}

static void accept_client(struct wire *wire)
{
    int fd = accept4(wire->listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (fd < 0)
        return;
    for (int i = 0; i < MOST_CLIENTS; i++) {
        if (wire->clients[i].fd < 0) {
            port_prompt(fd);
            client_open(&wire->clients[i], fd);
            return;
        }
    }
    close(fd);
}

static bool is_ready(const struct pollfd *polled, int count, int fd, short events)
{
    for (int i = 0; i < count; i++)
        if (polled[i].fd == fd)
            return (polled[i].revents & events) != 0;
    return false;
}

void wire_work(struct wire *wire, const struct pollfd *polled, int count, double now_s)
{
    if (!wire->plugged)
        return;
    /* Before anything is read: what is read after it is the next client's. */
    if (wire->endpoint.terminal && terminal_update(&wire->terminal))
        client_open(&wire->clients[0], wire->terminal.master);
    for (int i = 0; i < MOST_CLIENTS; i++) {
        struct client *client = &wire->clients[i];
        if (client->fd >= 0 && is_ready(polled, count, client->fd, POLLIN | POLLHUP | POLLERR))
            take_in(wire, client, now_s);
        if (client->fd >= 0)
            answer_due(wire, client, now_s);
        if (client->fd >= 0 && client->out_count > 0)
            send_due(client, now_s);
    }
    if (!wire->endpoint.terminal && is_ready(polled, count, wire->listener, POLLIN))
        accept_client(wire);
}

void wire_silence(struct wire *wire, double until_s)
{
    wire->silent_until_s = until_s;
    for (int i = 0; i < MOST_CLIENTS; i++)
        wire->clients[i].in_count = wire->clients[i].out_count = 0;
}

void wire_late(struct wire *wire, double late_s)
{
    wire->late_s = late_s;
}

void wire_garbage(struct wire *wire)
{
    wire->garbage = true;
}

void wire_half(struct wire *wire)
{
    wire->half = true;
}
