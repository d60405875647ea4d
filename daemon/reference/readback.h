/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the known-goods' readings tell of the supply that read them.
 */
#ifndef WAKEDRAW_REFERENCE_READBACK_H
#define WAKEDRAW_REFERENCE_READBACK_H

#include "reference/course.h"

/* Learns the readback's counts and how often it renews, where not stated, into
 * accuracy and refresh_s. -1: memory is out. */
int readback_learn(struct reference *reference, const struct course *courses, size_t course_count);

/* Keeps the conversions of their own, once the voltage is up. */
void readback_drop_repeats(const struct reference *reference, struct course *courses,
                           size_t course_count);

#endif
