/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The newest readings of a power-up, taken together: what it draws now.
 */
#ifndef WAKEDRAW_VERDICT_TAIL_H
#define WAKEDRAW_VERDICT_TAIL_H

#include "verdict/template_state.h"

enum { MOST_TAIL = 12 };

/* A row of readings in a tail. */
struct tail {
    size_t from, count; /* readings since onset; without invalid ones in count */
    double level_A;     /* their median; of two the newer: the older may still mix */
    double low_A, high_A, voltage_V;
    double newest_A;
};

/* The readings from the one with this index since onset on; the levels rest on the
 * last MOST_TAIL valid ones. */
struct tail tail_from(const struct judge *judge, size_t from);

/* The last `count` valid readings. */
struct tail look_back(const struct judge *judge, size_t count);

#endif
