/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What would settle an unsure verdict: figures first, the words from them.
 */
#ifndef WAKEDRAW_VERDICT_SETTLE_H
#define WAKEDRAW_VERDICT_SETTLE_H

#include "verdict/judge.h"

/* Without figures. */
struct settle settle_of(enum settle_code code);

/* Fills the text from the figures. */
void settle_say(struct settle *settle);

/* Says it and appends it (dropped when the verdict is full). */
void settle_add(struct verdict *verdict, struct settle settle);

/* With one figure. */
void settle_add_value(struct verdict *verdict, enum settle_code code, double value);
void settle_add_count(struct verdict *verdict, enum settle_code code, int count);
void settle_add_between(struct verdict *verdict, enum settle_code code, double low, double high);

/* As those of `conditions` that differ. */
void settle_add_conditions(struct verdict *verdict, enum settle_code code,
                           const struct conditions *conditions,
                           const struct conditions_difference *differs);

const char *settle_code_name(enum settle_code code); /* "read_on", ... */

/* The key of a code's one figure, "until_s"; NULL: a count, or low and high. */
const char *settle_value_key(enum settle_code code);

#endif
