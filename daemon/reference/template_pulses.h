/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Phases of a template that pulse, or repeat in some other way.
 */
#ifndef WAKEDRAW_REFERENCE_TEMPLATE_PULSES_H
#define WAKEDRAW_REFERENCE_TEMPLATE_PULSES_H

#include "reference/course.h"

/* The readings of one phase of all known-goods. */
struct sample {
    double since_s, value_A; /* scaled to the mean level */
    double read_A;           /* as read */
};

struct samples {
    struct sample *items;
    size_t count;
};

/* One cell that holds all of it. -1: memory is out. */
int pulses_use(struct reference_phase *phase, const struct samples *samples);

/* The levels at which pulses stand, where they are two and apart. -1: memory is
 * out. */
int pulses_find_plateaus(struct reference_phase *phase, const struct samples *samples,
                         double step_A);

/* The period of a draw that swings smoothly, in most of the known-goods and alike;
 * NAN: it does not. -1: memory is out. */
int pulses_find_swing(const struct course *courses, size_t course_count, size_t p,
                      size_t phase_count, double *period_s);

/* How long pulses stay to one side of their middle, where they are distinct, and
 * their period. */
void pulses_measure_stays(struct reference_phase *phase, const struct course *courses,
                          size_t course_count, size_t p, size_t phase_count);

#endif
