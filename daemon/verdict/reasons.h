/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * From a finding (figures) to a reason (figures and words): the sentence, the
 * figures and the code come from the one structure. What patterns commonly mean
 * and what to measure next is common practice of the trade, no source.
 */
#ifndef WAKEDRAW_VERDICT_REASONS_H
#define WAKEDRAW_VERDICT_REASONS_H

#include "verdict/judge.h"

struct finding {
    enum reason_code code;
    int phase;                  /* from 0; -1: the power-up as a whole */
    int phase_count;            /* of the type; 0: not known */
    double measured, low, high; /* in the code's unit; NAN: does not apply */
    double at_s;                /* from onset; NAN */
    double share;               /* deviation, on the logarithm */
    double smallest;            /* CANNOT_RESOLVE: the smallest fault, share of the level */
    double resolution_A;        /* CANNOT_RESOLVE: of this supply */
    double spread, u;           /* CANNOT_RESOLVE: of units, of this measurement; shares */
    double voltage_V;           /* AT_LIMIT, REVERSED: at the output; NAN */
    double watch_s;             /* INCOMPLETE */
    double draw_A;              /* STALLED: what it draws; NAN */
    bool awake;                 /* STALLED: where it should have gone to sleep */
    bool of_swing;              /* UNSTEADY: measured, low, high are heights of a swing */
    bool stuck;                 /* UNSTEADY: pulses that have stopped */
    double period_s, usual_s;   /* of_swing: its period, NAN: none; the type's */
    bool elsewhere;             /* STALLED, EARLY: where its phase is at low to high instead */
    enum limits_basis basis;
    double allowed;                /* LIMITS_OF_ALL: share is the deviation, this the most */
    const char *taught, *on_bench; /* OTHER_...: what each side has; else NULL */
    const char *note;              /* replaces the sentence's end; may be NULL */
};

/* A finding without figures. */
struct finding finding_of(enum reason_code code);

/* Appends the reason to the verdict (dropped when the verdict is full). What
 * would settle it is added before, so that the first sentence ends with it. */
void reasons_add(struct verdict *verdict, const struct finding *finding);

/* The unit of a code's figures: 'A', 's' or 'V'. */
char reason_code_unit(enum reason_code code);

#endif
