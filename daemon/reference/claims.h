/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a learned reference claims and what it cannot, in sentences.
 */
#ifndef WAKEDRAW_REFERENCE_CLAIMS_H
#define WAKEDRAW_REFERENCE_CLAIMS_H

#include "reference/course.h"

/* How the lesson stood before the spreads were learned, and what a stated range
 * beside it did. */
struct lesson_seen {
    struct reference template; /* with its priors; owns its phases alone */
    struct course *courses;
    size_t count;
    double final_A; /* where the known-goods alone settle */
};

/* Under which feeds, revision and set-up it compares, where they are said. -1:
 * memory is out. */
int claim_conditions(struct reference *reference);

/* -1: memory is out. */
int claims_make(struct reference *reference, const struct course *courses, size_t course_count,
                const struct lesson_seen *seen);

#endif
