/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Measuring one phase's level against a template's shape: weighted least
 * squares of the readings on the shape, with the phase's beginning (known to
 * within the gap between two readings) and its pace (or, of a shape that keeps
 * to the phase's own length, its end) as nuisances of known spread, so that a
 * ramp that starts a little late is not taken for a low one.
 */
#ifndef WAKEDRAW_REFERENCE_LEVEL_H
#define WAKEDRAW_REFERENCE_LEVEL_H

#include "reference/reference_model.h"

/* A supply polled faster than it converts repeats itself: tells the readings
 * that are conversions of their own. */
struct fresh {
    double current_A, voltage_V, since_s;
    bool any;
};

/* True where the reading is not a repeat of the last within refresh_s. */
bool fresh_take(struct fresh *fresh, double refresh_s, const struct reading *reading);

/* The output's voltage on its way up: what the input capacitors take then tells
 * nothing of a level. */
struct rise {
    bool over, low_seen;
    double low_s;
};

/* True where the reading counts: the voltage has come up, or no rise can be
 * seen. The first reading that is up still mixes both where it follows closely.
 * settled_V: what it rises to; NAN: not known. */
bool rise_passed(struct rise *rise, double settled_V, double since_onset_s, double voltage_V);

/* Inrush of the input capacitors: readings this early after onset tell nothing
 * of a level. */
#define INRUSH_S 0.015

/* What the readings of one phase say about its level: sums of weighted squares
 * and products of the shape, of its shift and of its stretch, and of the
 * readings. */
struct level_sum {
    double squares[3][3]; /* from the diagonal on */
    double products[3];
    double doubt;                /* sum of w m h, h the shape's own doubt */
    double current_A, voltage_V; /* sums */
    double current_squares;      /* of what is above or below the mean shape */
    double current_offsets;      /* likewise, not squared */
    size_t count;                /* readings that fit the phase */
    size_t voltages;
    size_t changes;   /* of those, times the value changed */
    size_t crossings; /* of those, times it crossed the mean shape */
    bool above;       /* the last one was above it */
    double last_A;
};

struct measured_level {
    bool usable;
    double log_ratio; /* to the template, at the template's voltage */
    double u;         /* standard uncertainty of measurement, share */
    double lasting_u; /* the part of u that more power-ups of the same unit repeat */
    double voltage_u; /* from carrying it to the template's voltage, share */
    double current_A; /* mean as read */
    double voltage_V; /* mean as read; NAN */
    double scatter_A; /* standard deviation of the readings about the shape */
    double effective; /* readings that are distinct conversions */
};

/* What it takes to add readings of one phase. */
struct level_view {
    const struct reference_phase *phase;
    double compared_at_V; /* where the template holds; NAN */
    double wide;          /* share beyond the shape within which readings count */
    double noise_A;       /* of one reading by this supply */
    double resolution_A;  /* likewise */
    double left, own2;    /* of level_view_noise */
    double began_s;       /* middle of the gap in which the phase began */
    double slack_s;       /* that gap */
    double end_slack_s;   /* the gap in which it ended; 0 where it has not, or is not paced */
    double pace;          /* the type's duration to this one's; 1 where not paced */
    double lead_s;        /* from there to the shape's first cell: half an interval */
    double stretch;       /* spread of the pace, share, where it is not known */
};

/* The gap a phase began in, and where it is over and its shape is paced, the gap
 * it ended in: sets the four times of the view. over: to_s and until_s are the
 * first reading behind the phase and its last one. */
struct phase_span {
    double before_s, from_s, until_s, to_s;
    bool over;
};
void level_view_place(struct level_view *view, const struct phase_span *span);

/* Pulses whose readings stand at distinct levels are measured by those, as
 * steady levels are; others by their mean. */
bool level_has_plateaus(const struct reference_phase *phase);

/* Sets what the view's noise leaves of the resolution. */
void level_view_noise(struct level_view *view, double noise_A, double resolution_A);

/* Adds a reading taken at time_s, on the clock of the view's times. One that is
 * far from the shape is evidence of something else and left out. */
void level_sum_add(struct level_sum *sum, const struct level_view *view, double time_s,
                   const struct reading *reading);

struct measured_level level_measure(const struct level_sum *sum, const struct level_view *view);

#endif
