/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Messages that a profile states and SCPI-1999 does not know, put into those it
 * knows: "VSET1:12.5" for `set_voltage = VSET{output}:{value}` becomes
 * ":VOLT 12.5,(@1)". Pure.
 */
#ifndef WAKEDRAW_SIMULATE_DIALECT_H
#define WAKEDRAW_SIMULATE_DIALECT_H

#include "simulate/supply_map.h"

#include <stdbool.h>
#include <stddef.h>

struct dialect {
    const struct supply_map *map;
    int outputs;
    bool own[MESSAGE_COUNT]; /* stated, and not plain SCPI */
    bool any;
};

/* The map must outlive it. A message that switches and names no output means
 * all `outputs`. */
void dialect_init(struct dialect *dialect, const struct supply_map *map, int outputs);

/* The message (of `length` bytes, without its end) with all parts that are the
 * dialect's put into plain SCPI; the others as they are. Its length, or 0 where
 * it does not fit. */
size_t dialect_translate(const struct dialect *dialect, const char *message, size_t length,
                         char *plain, size_t size);

/* Is the message the profile's for a state that stands in a bit of a number? *output:
 * whose. */
bool dialect_asks_state(const struct dialect *dialect, const char *message, size_t length,
                        int *output);

#endif
