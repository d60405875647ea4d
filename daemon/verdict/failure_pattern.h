/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which pattern a reason is, what commonly causes it and what to measure next.
 * All of it is common practice of the trade, no source.
 */
#ifndef WAKEDRAW_VERDICT_FAILURE_PATTERN_H
#define WAKEDRAW_VERDICT_FAILURE_PATTERN_H

#include "verdict/judge.h"

/* Of a power-up; NULL: the reason is of the record or the bench, not of the module. */
const struct failure_pattern *failure_pattern_of(enum reason_code code);

/* Two kinds across the power-ups of one unit. */
const struct failure_pattern *failure_pattern_two_kinds(void);

/* Draws more at rest than known-goods do. */
const struct failure_pattern *failure_pattern_at_rest(void);

/* The pattern in words, as a reason's details carry them. */
void failure_pattern_say(const struct failure_pattern *pattern, char *text, size_t size);

#endif
