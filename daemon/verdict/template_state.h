/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of judging by a template, shared by its parts.
 */
#ifndef WAKEDRAW_VERDICT_TEMPLATE_STATE_H
#define WAKEDRAW_VERDICT_TEMPLATE_STATE_H

#include "reference/compare.h"
#include "reference/follow.h"
#include "reference/template.h"
#include "verdict/judge_state.h"

/* Sums of one phase's readings; from and to are readings since onset. */
struct phase_sum {
    bool any, running;
    size_t from, to; /* readings of the phase: from..to-1 */
    size_t summed;   /* one past the last that was added */
    double pace;     /* at which they were laid on the shape */
    bool goes_on;    /* to the newest reading */
    struct level_view view;
    struct level_sum sum;
    struct fresh fresh;
};

struct template_judge {
    struct follow *follow;
    struct fresh fresh;
    struct rise rise;
    double risen_s; /* since onset: the last reading of the voltage's rise */
    double envelope;
    double noise_A[REFERENCE_MOST_PHASES]; /* of a reading by this supply */
    double left[REFERENCE_MOST_PHASES];    /* level_view_noise of that */
    double own2[REFERENCE_MOST_PHASES];
    struct phase_sum sums[REFERENCE_MOST_PHASES];
    struct measured_level levels[REFERENCE_MOST_PHASES];
    size_t level_count;     /* phases of the best path so far */
    size_t outside_voltage; /* readings in a row outside the window */
    size_t outside_settled; /* of those, once the supply has settled, */
    double outside_sum_V;   /* and their sum */
};

/* Reading number `index` since onset. */
const struct reading *since_onset(const struct judge *judge, size_t index);
size_t count_since_onset(const struct judge *judge);

/* Brings sums and levels up to date with the best path; `over` when the watch
 * is: the last phase is whole then. */
void template_measure(struct judge *judge, bool over);

/* The same along any path, into `template`, whose sums go on from where they are. */
void template_measure_along(const struct judge *judge, const struct path *path, bool over,
                            struct template_judge *template);

/* When a phase of readings from..to-1 since onset began and ended. */
struct phase_span template_span(const struct judge *judge, size_t from, size_t to);

/* What says the same as before within so long is no new evidence. */
double template_repeat_window_s(const struct reference *reference);

/* How phase p of readings from..to-1 since onset is measured. */
struct level_view template_view(const struct judge *judge, size_t p, size_t from, size_t to);

/* Noise of one reading of a phase by a supply of so coarse a readback. */
double template_noise_A(const struct reference *reference, size_t p, double step_A);

/* The limits that decided, beside the figure: what the unit's other phases
 * foretell. */
void template_show_limits(struct finding *finding, const struct level_test *test);

/* Settles bad where a level is off beyond doubt; `running` is the phase going
 * on, whose mean is looked at again and again. */
bool template_check_levels(struct judge *judge);

/* Settles bad where a phase of the type swings smoothly and this unit's does not,
 * or with another period. Once its phases are whole. */
bool template_check_swings(struct judge *judge);

/* The paths are dead at the newest reading: settles with the pattern. */
void template_explain(struct judge *judge, enum follow_end why);

#endif
