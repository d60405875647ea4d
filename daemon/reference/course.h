/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The course of one known-good power-up: its valid readings from onset on.
 */
#ifndef WAKEDRAW_REFERENCE_COURSE_H
#define WAKEDRAW_REFERENCE_COURSE_H

#include "reference/reference_model.h"

struct change {
    size_t reading;           /* the first after it */
    double time_s, before_s;  /* of that reading and the one before it, from onset */
    double from_A, to_A;      /* level at its foot and at its head */
    double before_A, after_A; /* level of the phases it parts */
    double noise_A;
    bool from_pulses, to_pulses; /* from_A or to_A is the mean of pulses */
};

struct course {
    size_t unit, power_up;
    struct reading *readings; /* valid ones from onset; time_s from onset */
    size_t count;
    double interval_s, longest_gap_s; /* between readings: median, longest */
    double voltage_V;                 /* median over the course; NAN */
    double baseline_A;                /* before onset with the voltage up; NAN */
    double limited_s;                 /* longest stretch in current limit */
    double off_s;           /* the draw went to rest by itself, the output still on; NAN */
    double zero_A;          /* before onset, whatever the voltage; NAN */
    double rest_s, rest_A;  /* for how long it was read there, and its mean */
    struct change *changes; /* the sharp ones, in order */
    size_t change_count;
    size_t cut_at[REFERENCE_MOST_PHASES];    /* there its phases start, if by itself */
    size_t starts[REFERENCE_MOST_PHASES];    /* first reading of each phase */
    double log_ratio[REFERENCE_MOST_PHASES]; /* level to the template's; NAN */
    double log_ratio_u[REFERENCE_MOST_PHASES];
    double level_V[REFERENCE_MOST_PHASES];
    double log_duration[REFERENCE_MOST_PHASES]; /* NAN: not measured */
    double log_duration_u[REFERENCE_MOST_PHASES];
    bool follows;       /* the template, as built so far */
    bool cut_by_itself; /* it shows every change by itself, at cut_at */
};

/* Cuts the first power-up out of each trace; sleeps: a draw at rest is part of
 * it. -1 with the error filled (which unit, which power-up). The courses are freed
 * by courses_free. */
int courses_make(const struct known_good *units, size_t count, const struct accuracy *accuracy,
                 bool sleeps, struct course **courses, size_t *course_count, struct error *error);
void courses_free(struct course *courses, size_t count);

/* The modules went to sleep by themselves, and no hand took them off: most drew
 * more at rest than nothing, or all went to rest at much the same time. */
bool courses_sleep(const struct course *courses, size_t course_count, double resolution_A);

/* Drops the readings behind the watch time. */
void course_shorten(struct course *course, double watch_s);

/* Finds the sharp changes: a jump over the noise, over the readback's steps and
 * over a share of the level, not the slope of a ramp. -1: memory is out. */
int course_find_changes(struct course *course, double resolution_A);

/* Levels that go to and fro to the end are pulses of one phase: how many changes
 * are left without theirs, the one that leads to another level among those. */
size_t changes_before_pulses(const struct change *changes, size_t count);

/* The first reading that has left the old level, near a cut that may lie a
 * reading or three beside it; looks at readings low..high-1 only. */
size_t course_first_reading(const struct course *course, size_t cut, size_t low, size_t high,
                            double noise_A);

/* The changes that most courses share, in order, of the most central course:
 * `kept` indices into its changes, at most `most`. Returns the central course's
 * index; *count the number kept. */
size_t consensus_find(const struct course *courses, size_t course_count, size_t most, size_t *kept,
                      double *support, size_t *count);

/* Matches the central course's kept changes in another course: reading index of
 * each, or SIZE_MAX. */
void consensus_match(const struct course *central, const size_t *kept, size_t count,
                     const struct course *course, size_t *readings);

double median_of(double *values, size_t count); /* sorts them; NAN when there are none */

#endif
