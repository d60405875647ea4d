/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a learned reference claims and what it cannot, in sentences.
 */
#ifndef WAKEDRAW_REFERENCE_CLAIMS_H
#define WAKEDRAW_REFERENCE_CLAIMS_H

#include "reference/course.h"

/* -1: memory is out. */
int claims_make(struct reference *reference, const struct course *courses, size_t course_count);

#endif
