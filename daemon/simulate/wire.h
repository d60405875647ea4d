/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's end of the wire: a TCP listener with its clients, or a
 * pseudo-terminal; a line rate both ways, a turnaround, and misbehaviour on
 * demand. What is said is the speaker's business.
 */
#ifndef WAKEDRAW_SIMULATE_WIRE_H
#define WAKEDRAW_SIMULATE_WIRE_H

#include "base/error.h"
#include "simulate/endpoint.h"

#include <poll.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WIRE_LONGEST_MESSAGE = 8192, WIRE_LONGEST_REPLY = 8300 };

struct speaker {
    /* How many bytes the first message among these has, terminator included;
     * 0: not whole yet. *skip: so many bytes at the start are no message (they
     * are thrown away before). */
    size_t (*frame)(void *context, const uint8_t *bytes, size_t count, size_t *skip);
    /* Carries it out; the reply's length, 0: none is due. */
    size_t (*answer)(void *context, const uint8_t *message, size_t length, double now_s,
                     uint8_t reply[WIRE_LONGEST_REPLY]);
    /* How long after it was asked the last reply is ready; may be NULL: at once. */
    double (*takes_s)(void *context);
    /* More bytes than any message has came in without an end. */
    void (*overrun)(void *context);
    /* A message came while the reply to the one before was still on its way, and
     * the wire is one that drops it then (wire_options); may be NULL. */
    void (*interrupted)(void *context);
    /* What has come without an end is dropped after so long a silence, or is a
     * message; 0: neither. */
    double silence_s;
    bool silence_ends_message;
    void *context;
};

struct wire_options {
    double line_rate_baud; /* 10 bits a character; 0: none */
    double turnaround_s;   /* from a message's last byte to the reply's first */
    bool interrupts;       /* strict IEEE 488.2; else replies queue, as most serial ports have it */
};

struct wire;

/* Takes the port or makes the pseudo-terminal and its link. NULL with the error
 * filled: a port in use, a path where something else lies. */
struct wire *wire_create(const struct endpoint *endpoint, const struct wire_options *options,
                         const struct speaker *speaker, struct error *error);
/* Closes all and removes the link. */
void wire_destroy(struct wire *wire);

/* The link as a client gives it, the port chosen in it. */
const char *wire_text(const struct wire *wire);
int wire_clients(const struct wire *wire);

/* Adds what is to be polled; returns how many (at most WIRE_MOST_POLLED). */
enum { WIRE_MOST_POLLED = 16 };
int wire_poll(struct wire *wire, struct pollfd *polled);
/* When it next has something to do by itself; INFINITY: never. */
double wire_next_s(const struct wire *wire, double now_s);
/* Reads, answers and writes what is due; `polled` as wire_poll filled it. */
void wire_work(struct wire *wire, const struct pollfd *polled, int count, double now_s);

/* The supply goes away: every connection closes, nobody listens; and comes
 * back. -1 with the error filled where it cannot. */
void wire_unplug(struct wire *wire);
int wire_replug(struct wire *wire, struct error *error);
bool wire_plugged(const struct wire *wire);

/* Says nothing, hears nothing, until then. */
void wire_silence(struct wire *wire, double until_s);
/* The next reply comes so late; is garbage; breaks off in the middle. */
void wire_late(struct wire *wire, double late_s);
void wire_garbage(struct wire *wire);
void wire_half(struct wire *wire);

#endif
