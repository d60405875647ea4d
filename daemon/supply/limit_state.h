/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Is the supply in current limit, where it does not say so itself: judged from
 * what it reads back and what it was set to. Pure.
 */
#ifndef WAKEDRAW_SUPPLY_LIMIT_STATE_H
#define WAKEDRAW_SUPPLY_LIMIT_STATE_H

#include "base/accuracy.h"
#include "base/reading.h"

/* YES: the current has reached the set limit and the voltage stands below the
 * set voltage, each by more than the readback's own error. NO: the current is
 * below the limit, or the voltage is where it was set. UNKNOWN: a set point is
 * not known (NAN), or the reading is not valid. */
enum known_flag limit_state_derive(const struct reading *reading, double set_voltage_V,
                                   double set_limit_A, const struct accuracy *accuracy);

#endif
