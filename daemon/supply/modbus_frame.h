/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One Modbus frame out and one in, by libmodbus on the descriptor of an open link: the
 * library makes checksums and checks them, waits, and tells where a frame ends. What it
 * lets pass is held against the question here and by who asks.
 */
#ifndef WAKEDRAW_SUPPLY_MODBUS_FRAME_H
#define WAKEDRAW_SUPPLY_MODBUS_FRAME_H

#include "link/link.h"

#include <stdint.h>

/* Function and data (application protocol V1.1b3, 4.1). */
enum { MOST_PDU = 253 };

struct modbus_frames;

/* For one link and as long as it is open; the link is not owned. NULL: memory is out,
 * or the descriptor is none that the library can wait on. */
struct modbus_frames *modbus_frames_open(const struct link_spec *spec, struct link *link);
void modbus_frames_close(struct modbus_frames *frames);

/* `number` goes with the frame over TCP, and must come back. -1: the link is gone. */
int modbus_frames_send(struct modbus_frames *frames, uint16_t number, int unit, const uint8_t *pdu,
                       int length, double deadline_s);

enum modbus_came {
    MODBUS_CAME_FRAME,
    MODBUS_CAME_OTHER_UNIT, /* on a line its checksum was not looked at */
    MODBUS_CAME_BEGINNING,  /* of the unit's frame, and no more */
    MODBUS_CAME_GARBLED,
    MODBUS_CAME_NOTHING,
    MODBUS_CAME_GONE,
};

/* The frame that answers the last one sent: its first byte by the deadline, each further
 * one `pause_s` at most after the one before. `pdu` and *length: filled for FRAME; *unit:
 * the other one, for OTHER_UNIT. */
enum modbus_came modbus_frames_receive(struct modbus_frames *frames, double deadline_s,
                                       double pause_s, uint8_t pdu[MOST_PDU], int *length,
                                       int *unit);

#endif
