/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A stated range of the final draw beside known-goods: a prior of the mean,
 * mu0 = (a + b) / 2 with s0 = (b - a) / 4, worth s~^2 / s0^2 units, never more
 * than two, and no degree of freedom. The further the known-goods stand from it
 * the less it counts, by (1 - (z / 3)^2)^2 with z in standard deviations of the
 * difference: past three it is contradicted and pulls nothing.
 */
#ifndef WAKEDRAW_REFERENCE_STATED_RANGE_H
#define WAKEDRAW_REFERENCE_STATED_RANGE_H

#include "reference/reference_model.h"

#define RANGE_MOST_UNITS 2.0
#define RANGE_CONTRADICTED 3.0

/* Draws the levels of a reference whose spreads are learned towards its stated
 * range, narrows what is expected of a new unit by what that tells of the mean,
 * and sets range_weight: the units it counted as. */
void stated_range_use(struct reference *reference);

#endif
