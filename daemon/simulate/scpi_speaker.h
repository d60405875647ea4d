/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * SCPI on the wire: messages and replies end as the profile says, LF where it
 * says nothing (a CR before it is white space). What a terse dialect says is put
 * into plain SCPI first.
 */
#ifndef WAKEDRAW_SIMULATE_SCPI_SPEAKER_H
#define WAKEDRAW_SIMULATE_SCPI_SPEAKER_H

#include "simulate/simulator.h"

/* The simulator must have its SCPI device. */
struct speaker scpi_speaker(struct simulator *simulator);

#endif
