/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A supply's output as the bench sees it, whatever it speaks. One connection
 * may carry several outputs; a connection and its outputs belong to one thread.
 * A reading is right or absent, never wrong: a late, garbled, mismatched or
 * out-of-range reply gives no reading.
 */
#ifndef WAKEDRAW_SUPPLY_SUPPLY_H
#define WAKEDRAW_SUPPLY_SUPPLY_H

#include "base/error.h"
#include "base/reading.h"
#include "link/link.h"
#include "supply/profile.h"

#include <stdbool.h>
#include <stdint.h>

struct connection;
struct supply;

/* Nothing is opened yet. The profile must outlive it. -1 kinds of mismatch (an
 * scpi profile on a modbus link) are errors here. */
struct connection *connection_create(const struct profile *profile, const struct link_spec *spec,
                                     struct error *error);
void connection_destroy(struct connection *connection);

/* Opens the link, clears what is stale, asks who is there, finds out which
 * combined query it takes. -1 with the error filled; may be called again. 1: broken off
 * by connection_hurry; the link is there for supply_off, and called again it goes on. */
int connection_open(struct connection *connection, struct error *error);
void connection_close(struct connection *connection);
bool connection_is_open(const struct connection *connection);

/* The link alone, nothing said, so that supply_off comes first; connection_open goes on
 * from there. At most timeout_s. */
int connection_open_link(struct connection *connection, double timeout_s, struct error *error);
bool connection_has_link(const struct connection *connection);

/* From any thread: from now on nothing goes out but supply_off. Whatever is under way
 * ends with SUPPLY_BROKEN_OFF as soon as no reply is awaited. */
void connection_hurry(struct connection *connection, bool hurry);

/* What the wire did, for the page and the metrics. */
struct wire_state {
    char identity[160];   /* the *IDN? reply or "unit 1"; empty while not open */
    char device[300];     /* the path that is open; empty: none */
    char usb_serial[128]; /* of the converter or supply; empty: none known */
    enum link_latency low_latency;
    double limit_hz; /* readings/s the link and the supply's conversion allow; NAN: not known yet */
    char limit_why[240]; /* "23 + 35 characters at 9600 baud + 4 ms turnaround" */
    /* Readings/s of each output that the wire alone allows: characters x bits a
     * character / baud + the learned turnaround + silences; and the share of it (or
     * of limit_hz where that is less) that the last 5 to 10 s reached. NAN: not
     * known yet. */
    double limit_computed_hz, limit_share;
    double conversion_hz; /* learned renewal rate of the readback; NAN: not known */
    uint64_t transactions, timeouts, garbled, resynchronised, supply_errors, repeats;
};
void connection_wire_state(const struct connection *connection, struct wire_state *state);

/* An output of it, 1.. (at most 64 a connection); control: may settings and output be changed. */
struct supply *supply_create(struct connection *connection, int output, bool control,
                             struct error *error);
void supply_destroy(struct supply *supply);

enum supply_result {
    SUPPLY_OK,
    SUPPLY_NO_READING, /* counted; try again */
    SUPPLY_GONE,       /* close, back off, open again */
    SUPPLY_BROKEN_OFF, /* connection_hurry; nothing is wrong */
};

/* One round trip; the reading is stamped with the monotonic clock at receipt
 * (mid-transaction), quantised. *repeat: the readback had not renewed since the
 * last one (as far as can be told). */
enum supply_result supply_read(struct supply *supply, struct reading *reading, bool *repeat,
                               struct error *error);

/* How long from one reading's beginning to the next's is worth while: four
 * readings a renewal of the readback (none of its conversions is missed), and
 * never under a millisecond. 0 where the supply takes its conversions by itself and
 * they are handed on one by one. */
double supply_poll_interval_s(const struct supply *supply);

/* What hangs on all of its outputs rests, nothing is watched for: a reading a renewal
 * (within a twentieth) is enough, until it is told otherwise. */
void connection_rest(struct connection *connection, bool rests);

/* With control only; SUPPLY_NO_READING and the error filled where refused. */
enum supply_result supply_switch_output(struct supply *supply, bool on, struct error *error);
enum supply_result supply_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error);

/* Off, as the very next message, in whatever state the conversation is; without control
 * refused. SUPPLY_OK: it was sent; nothing of it is confirmed. */
enum supply_result supply_off(struct supply *supply, struct error *error);

/* Reads back that it is off, and sends it again where it is not, for half a second. */
enum supply_result supply_confirm_off(struct supply *supply, struct error *error);

/* Does the supply say whether its output is on? */
bool supply_tells_output(const struct supply *supply);

/* What is set, read back now; NAN: the supply does not tell. */
enum supply_result supply_read_settings(struct supply *supply, double *voltage_V, double *limit_A,
                                        struct error *error);

/* What it is rated for, by its profile; NAN: not stated. */
void supply_ratings(const struct supply *supply, double *voltage_V, double *current_A);

/* The set values last read back; NAN: not known. */
void supply_settings(const struct supply *supply, double *voltage_V, double *limit_A);

#endif
