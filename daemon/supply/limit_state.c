/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/limit_state.h"

#include <math.h>

enum known_flag limit_state_derive(const struct reading *reading, double set_voltage_V,
                                   double set_limit_A, const struct accuracy *accuracy)
{
    if (!reading->valid || !(set_voltage_V > 0) || !(set_limit_A >= 0))
        return FLAG_UNKNOWN;
    double short_of_limit_A = 0.01 * set_limit_A + accuracy->current_gain * set_limit_A +
                              accuracy->current_offset_A + 2 * accuracy->current_resolution_A;
    /* Leads and remote sense cost some voltage without any limit. */
    double below_set_V = 0.03 * set_voltage_V + accuracy->voltage_gain * set_voltage_V +
                         accuracy->voltage_offset_V + 2 * accuracy->voltage_resolution_V;
    bool at_limit = reading->current_A >= set_limit_A - short_of_limit_A;
    bool sagging = reading->voltage_V < set_voltage_V - below_set_V;
    /* An output that is off stands far below its voltage and draws nothing;
     * with a limit near zero the two cannot be told apart. */
    if (at_limit && sagging && set_limit_A <= short_of_limit_A)
        return FLAG_UNKNOWN;
    return at_limit && sagging ? FLAG_YES : FLAG_NO;
}
