/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The template out of the known-goods' courses: shapes, noise and medians of
 * duration per phase, and following the courses along it.
 */
#ifndef WAKEDRAW_REFERENCE_TEMPLATE_H
#define WAKEDRAW_REFERENCE_TEMPLATE_H

#include "reference/course.h"
#include "reference/level.h"

/* One past the last reading of phase p of a course that follows. */
size_t course_phase_end(const struct course *course, size_t p, size_t phase_count);

/* One past the last reading of from..to-1 that tells of a phase's level: the
 * very last one before the next phase may already hold a little of it. Where
 * there are few, it is left out only where it moves that way. */
size_t phase_pure_end(const struct reading *readings, size_t from, size_t to, bool over,
                      double noise_A);

/* When phase p of a course that follows began and ended; of the first phase the
 * gap before is taken as interval_s. */
struct phase_span course_span(const struct course *course, size_t p, size_t phase_count,
                              double interval_s);

/* Builds the reference's phases from the courses that follow (their starts are
 * known). -1: memory is out. */
int template_build(struct reference *reference, struct course *courses, size_t course_count,
                   size_t phase_count);

/* Follows every course along the template with loose limits; sets follows and
 * starts. Returns how many follow; SIZE_MAX: memory is out. */
size_t template_follow(const struct reference *reference, struct course *courses,
                       size_t course_count);

/* Levels and durations of every course that follows, against the template. */
void template_measure_courses(const struct reference *reference, struct course *courses,
                              size_t course_count);

#endif
