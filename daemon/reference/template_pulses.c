/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/template_pulses.h"

#include "reference/template.h"
#include "signature/swing.h"

#include <math.h>
#include <stdlib.h>

static const double distinct_share = 0.1; /* of the middle, up and down */
/* Plateaus of pulses: so many of the readings of one side lie so near to its middle. */
static const double plateau_share = 0.75, plateau_width = 0.05, plateau_part = 0.12;
static const double plateau_apart = 0.25; /* of their middle */
/* Swings: so many of the known-goods, their periods within so much of the middle. */
static const double swing_share = 0.75, swing_alike = 0.25;
enum { PLATEAU_READINGS = 12, MOST_RISES = 1024 };

static double square(double x)
{
    return x * x;
}

/* Where most of the readings from..to-1, in order of size, stand; 0: nowhere. */
static double find_plateau(const double *sorted, size_t from, size_t to, size_t count,
                           double step_A, size_t *standing)
{
    if (to < from + PLATEAU_READINGS || (double)(to - from) < plateau_part * (double)count)
        return 0;
    double middle = sorted[(from + to) / 2];
    double room = plateau_width * fabs(middle) + 1.5 * step_A;
    size_t near = 0;
    for (size_t i = from; i < to; i++)
        near += fabs(sorted[i] - middle) <= room;
    if ((double)near < plateau_share * (double)(to - from))
        return 0;
    *standing += near;
    return middle;
}

int pulses_find_plateaus(struct reference_phase *phase, const struct samples *samples,
                         double step_A)
{
    double *values = malloc((samples->count + 1) * sizeof *values);
    if (!values)
        return -1;
    for (size_t i = 0; i < samples->count; i++)
        values[i] = samples->items[i].read_A;
    (void)median_of(values, samples->count); /* sorts */
    double middle = 0.5 * (phase->shape_low_A[0] + phase->shape_high_A[0]);
    size_t split = 0;
    while (split < samples->count && values[split] < middle)
        split++;
    size_t standing = 0;
    double low = find_plateau(values, 0, split, samples->count, step_A, &standing);
    double high = find_plateau(values, split, samples->count, samples->count, step_A, &standing);
    free(values);
    double apart = phase->shape_high_A[0] - phase->shape_low_A[0];
    if (apart < plateau_apart * fabs(middle) + 6 * step_A ||
        (double)standing < 0.6 * (double)samples->count)
        return 0;
    phase->pulse_low_A = low;
    phase->pulse_high_A = high;
    return 0;
}

int pulses_use(struct reference_phase *phase, const struct samples *samples)
{
    double *values = malloc((samples->count + 1) * sizeof *values);
    if (!values)
        return -1;
    double sum = 0;
    double squares = 0;
    for (size_t i = 0; i < samples->count; i++) {
        values[i] = samples->items[i].value_A;
        sum += values[i] - phase->level_A;
        squares += square(values[i] - phase->level_A);
    }
    double count = (double)samples->count;
    (void)median_of(values, samples->count);
    size_t strays = samples->count / 100;
    phase->kind = PHASE_PERIODIC;
    phase->cell_count = 1;
    phase->cell_s = 0;
    phase->shape_A[0] = phase->level_A + sum / count;
    phase->shape_low_A[0] = values[strays];
    phase->shape_high_A[0] = values[samples->count - 1 - strays];
    phase->spread_A = sqrt(fmax(0, squares / count - square(sum / count)));
    phase->level_A = phase->shape_A[0];
    free(values);
    return 0;
}

/* One course's period in the phase; 0: none. */
static int course_swing(const struct course *course, size_t from, size_t to, double *period_s)
{
    size_t count = to > from + 1 ? to - from - 1 : 0;
    double *room = malloc((2 * count + 1) * sizeof *room);
    struct swing swing = {0};
    if (!room)
        return -1;
    for (size_t i = 0; i < count; i++) {
        room[i] = course->readings[from + 1 + i].time_s;
        room[count + i] = course->readings[from + 1 + i].current_A;
    }
    int status = swing_measure(room, room + count, count, 0, 0, &swing);
    free(room);
    *period_s = swing.period_s;
    return status;
}

int pulses_find_swing(const struct course *courses, size_t course_count, size_t p,
                      size_t phase_count, double *period_s)
{
    *period_s = NAN;
    double *periods = malloc((course_count + 1) * sizeof *periods);
    if (!periods)
        return -1;
    size_t followed = 0;
    size_t count = 0;
    int status = 0;
    for (size_t c = 0; c < course_count && status == 0; c++) {
        if (!courses[c].follows)
            continue;
        followed++;
        status = course_swing(&courses[c], courses[c].starts[p],
                              course_phase_end(&courses[c], p, phase_count), &periods[count]);
        count += status == 0 && periods[count] > 0;
    }
    double middle = median_of(periods, count);
    size_t alike = 0;
    for (size_t i = 0; i < count; i++)
        alike += fabs(periods[i] - middle) <= swing_alike * middle;
    if (status == 0 && alike > 0 && (double)alike >= swing_share * (double)followed)
        *period_s = middle;
    free(periods);
    return status;
}

/* From one rise to the next, over all known-goods: the period of what repeats. */
struct rises {
    double gaps_s[MOST_RISES];
    size_t count;
    double last_s; /* of the course at hand; NAN */
};

static void note_rise(struct rises *rises, double time_s)
{
    if (!isnan(rises->last_s) && rises->count < MOST_RISES)
        rises->gaps_s[rises->count++] = time_s - rises->last_s;
    rises->last_s = time_s;
}

void pulses_measure_stays(struct reference_phase *phase, const struct course *courses,
                          size_t course_count, size_t p, size_t phase_count)
{
    double middle = 0.5 * (phase->shape_low_A[0] + phase->shape_high_A[0]);
    struct rises rises = {.count = 0};
    size_t followed = 0;
    for (size_t c = 0; c < course_count; c++) {
        const struct course *course = &courses[c];
        rises.last_s = NAN;
        followed += course->follows;
        if (!course->follows || phase->shape_high_A[0] - middle < distinct_share * middle)
            continue;
        size_t to = course_phase_end(course, p, phase_count);
        double since = NAN;
        bool above = false;
        for (size_t i = course->starts[p] + 1; i < to; i++) {
            const struct reading *r = &course->readings[i];
            bool now = r->current_A > middle;
            if (isnan(since) || now != above)
                since = course->readings[i - 1].time_s;
            if (now && !above && i > course->starts[p] + 1)
                note_rise(&rises, 0.5 * (since + r->time_s));
            above = now;
            double *longest = above ? &phase->longest_above_s : &phase->longest_below_s;
            *longest = fmax(*longest, r->time_s - since);
        }
    }
    /* Three periods of each, or it is not known to repeat. */
    if (followed > 0 && rises.count >= 2 * followed)
        phase->period_s = median_of(rises.gaps_s, rises.count);
}
