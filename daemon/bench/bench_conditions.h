/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is on the bench beside the module type, as it is kept: the type's feeds,
 * the unit's revision and set-up.
 */
#ifndef WAKEDRAW_BENCH_BENCH_CONDITIONS_H
#define WAKEDRAW_BENCH_BENCH_CONDITIONS_H

#include "reference/conditions.h"
#include "store/store.h"

/* `type` is the module type's item (or JSON null), `unit` a serial number (empty:
 * none). What is not kept is not said. `conditions` must be empty; -1 with the error
 * filled, when it may be cleared all the same. */
int bench_conditions_read(struct store_reader *reader, const json_t *type, const char *unit,
                          struct conditions *conditions, struct error *error);

/* Likewise, of a module type by its name (empty: none). */
int bench_conditions_of(struct store_reader *reader, const char *module_type, const char *unit,
                        struct conditions *conditions, struct error *error);

#endif
