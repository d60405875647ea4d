/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Stretches that swing smoothly (a fan, a converter that hunts), found by their
 * periodogram where levels go up and down again and again or where the readings of
 * one level follow from those before. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_SWING_H
#define WAKEDRAW_SIGNATURE_SWING_H

#include "signature/shape.h"

/* Makes each such stretch one periodic shape, in place; what is left of levels at
 * its ends is fitted anew. A period lasts 4 fresh readings at least and a third of
 * the stretch at most; the wave of two harmonics must tell each period from the
 * others, and swing by a share of its level that matters. `smooth`: only where it is
 * no pulses beyond doubt. -1: memory is out. */
int shapes_find_swings(const struct series *series, struct shapes *shapes, bool smooth);

/* The period of a stretch by itself: 0 where none is beyond doubt. -1: memory is
 * out. A period is looked for between low_s and high_s (0: to what can be told). */
struct swing {
    double period_s, height_A; /* from crest to trough */
    double level_A;            /* over whole periods */
};
int swing_measure(const double *time_s, const double *current_A, size_t count, double low_s,
                  double high_s, struct swing *swing);

#endif
