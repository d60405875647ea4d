/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A known-good that is not: each unit is predicted by what the others teach
 * (leave one out: their template, their spread shrunk to the prior, Student t)
 * and held against all its levels and durations at once.
 */
#ifndef WAKEDRAW_REFERENCE_DOUBTS_H
#define WAKEDRAW_REFERENCE_DOUBTS_H

#include "reference/course.h"

struct doubt {
    size_t unit;
    int phase;        /* from 0; -1: all levels together */
    bool duration;    /* of the phase's duration, not its level */
    double deviation; /* on the logarithm, from what the others predict */
    double chance;    /* that a good one of all these units departs so somewhere */
};

/* Courses as measured on the template, before the spreads were learned from
 * them; the reference holds that template and its priors. At most one doubt a
 * unit goes to doubts (room for one each): its worst, where the chance is below
 * DOUBT_CHANCE. Two units accuse each other: the first alone is returned, for it
 * cannot be said which. -1: memory is out; else the number of doubts. */
#define DOUBT_CHANCE 0.005
int doubts_find(const struct reference *template, const struct course *courses, size_t course_count,
                struct doubt *doubts);

/* Of two units: a large change that all power-ups of one show and none of the
 * other. Which one, and when from onset. */
bool doubt_of_change(const struct course *courses, size_t course_count, size_t *unit,
                     double *time_s);

#endif
