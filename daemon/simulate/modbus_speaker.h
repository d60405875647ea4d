/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Modbus on the wire: RTU frames (also over TCP) or MBAP.
 */
#ifndef WAKEDRAW_SIMULATE_MODBUS_SPEAKER_H
#define WAKEDRAW_SIMULATE_MODBUS_SPEAKER_H

#include "simulate/simulator.h"

/* The simulator's map must be a Modbus one; `address` is the unit's. */
struct speaker modbus_speaker(struct simulator *simulator, bool rtu, int address,
                              double character_s);

#endif
