/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/renewal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A period is told from the polling itself only where it is this much longer. */
static const double LEAST_POLLS = 2.5;
/* No readback renews less than twice a second [common practice]: what changes more
 * rarely is the load, and polling must not follow it down. */
static const double LONGEST_S = 0.6;
/* Intervals that count as one period, as shares of it. */
static const double SHORTEST_SHARE = 0.6;
static const double LONGEST_SHARE = 1.6;

static int ascending(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;
    return (a > b) - (a < b);
}

/* Does `interval` hold a whole number of periods, as closely as polling can
 * tell? That number, or 0. */
static double periods_in(double interval_s, double period_s, double poll_s)
{
    double held = round(interval_s / period_s);
    double most_off_s = fmax(1.2 * poll_s, 0.1 * period_s);
    return held >= 1 && fabs(interval_s - held * period_s) <= most_off_s ? held : 0;
}

/* The period on which the last intervals agree; 0 where they do not. */
static double agreed_period(const struct renewal *renewal)
{
    double sorted[RENEWAL_INTERVALS];
    memcpy(sorted, renewal->intervals_s, sizeof sorted);
    qsort(sorted, RENEWAL_INTERVALS, sizeof *sorted, ascending);
    double low_s = sorted[RENEWAL_INTERVALS / 10];
    if (low_s < LEAST_POLLS * renewal->poll_s)
        return 0;
    double sum_s = 0;
    int count = 0;
    for (int i = 0; i < RENEWAL_INTERVALS; i++) {
        if (sorted[i] >= SHORTEST_SHARE * low_s && sorted[i] <= LONGEST_SHARE * low_s) {
            sum_s += sorted[i];
            count++;
        }
    }
    double period_s = sum_s / count;
    if (period_s > LONGEST_S)
        return 0;
    /* Digits of a resting load flicker at any distance: most intervals must be
     * one period, nearly all some whole number of them. */
    int one = 0;
    int whole = 0;
    double whole_s = 0;
    double periods = 0;
    for (int i = 0; i < RENEWAL_INTERVALS; i++) {
        double held = periods_in(sorted[i], period_s, renewal->poll_s);
        one += held == 1;
        whole += held > 0;
        if (held > 0 && held <= 8) {
            whole_s += sorted[i];
            periods += held;
        }
    }
    if (10 * one < 6 * RENEWAL_INTERVALS || 10 * whole < 9 * RENEWAL_INTERVALS)
        return 0;
    return whole_s / periods;
}

/* Is the change of one count at most? */
static bool is_single(double change, double *count)
{
    double size = fabs(change);
    if (size > 0 && (*count <= 0 || size < *count))
        *count = size;
    return size <= 1.5 * *count;
}

/* One count further the way of the last: a ramp of the load does so at its own pace. */
static bool goes_on_by_one(struct renewal *renewal, double voltage_V, double current_A)
{
    double moved_V = voltage_V - renewal->voltage_V;
    double moved_A = current_A - renewal->current_A;
    bool single_V = is_single(moved_V, &renewal->count_V);
    bool single = is_single(moved_A, &renewal->count_A) && single_V;
    double moved = moved_A != 0 ? moved_A : moved_V;
    int direction = !single ? 0 : moved > 0 ? 1 : -1;
    bool goes_on = direction != 0 && direction == renewal->direction;
    renewal->direction = direction;
    return goes_on;
}

static void note_change(struct renewal *renewal, double time_s, bool counts)
{
    if (!counts) {
        renewal->changed = true;
        renewal->change_s = time_s;
        return;
    }
    if (renewal->changed) {
        renewal->intervals_s[renewal->next] = time_s - renewal->change_s;
        renewal->next = (renewal->next + 1) % RENEWAL_INTERVALS;
        if (renewal->intervals < RENEWAL_INTERVALS)
            renewal->intervals++;
    }
    renewal->changed = true;
    renewal->change_s = time_s;
    if (renewal->intervals < RENEWAL_INTERVALS)
        return;
    double agreed_s = agreed_period(renewal);
    if (agreed_s > 0) {
        renewal->period_s = agreed_s;
        return;
    }
    /* A load at rest changes its digits rarely and says nothing; but changes
     * closer together than the period say that it has become shorter. */
    int shorter = 0;
    for (int i = 0; i < RENEWAL_INTERVALS; i++)
        shorter += renewal->intervals_s[i] < SHORTEST_SHARE * renewal->period_s;
    if (shorter > RENEWAL_INTERVALS / 8)
        renewal->period_s = 0;
}

/* The values changed: a renewal lies between the last reading and this one. */
static void set_due(struct renewal *renewal, double time_s)
{
    double seen_s = renewal->due_s;
    if (!(seen_s > renewal->time_s && seen_s <= time_s))
        seen_s = 0.5 * (renewal->time_s + time_s);
    renewal->due_s = seen_s + renewal->period_s;
}

bool renewal_step(struct renewal *renewal, double time_s, double voltage_V, double current_A)
{
    bool same =
        renewal->started && voltage_V == renewal->voltage_V && current_A == renewal->current_A;
    bool repeat = false;
    if (renewal->started) {
        double passed_s = time_s - renewal->time_s;
        if (!(renewal->poll_s > 0))
            renewal->poll_s = passed_s;
        else if (passed_s < 5 * renewal->poll_s)
            renewal->poll_s += 0.1 * (passed_s - renewal->poll_s);
        else
            renewal->changed = false; /* a gap: the next change is not one period off */
        if (!same)
            note_change(renewal, time_s, !goes_on_by_one(renewal, voltage_V, current_A));
        if (!same) {
            set_due(renewal, time_s);
        } else if (renewal->period_s > 0) {
            repeat = time_s < renewal->due_s;
            while (renewal->due_s <= time_s)
                renewal->due_s += renewal->period_s;
        }
    }
    renewal->started = true;
    renewal->time_s = time_s;
    renewal->voltage_V = voltage_V;
    renewal->current_A = current_A;
    return repeat;
}

double renewal_period_s(const struct renewal *renewal)
{
    return renewal->period_s > 0 ? renewal->period_s : (double)NAN;
}
