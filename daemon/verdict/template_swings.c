/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Phases that swing smoothly: whether the swing is there, and its period.
 */
#include "signature/swing.h"
#include "verdict/reasons.h"
#include "verdict/template_state.h"

#include <math.h>
#include <stdlib.h>

/* A standard deviation below this share of the known-goods' is no swing any more. */
static const double gone_share = 0.4;
static const double alike_factor = 1.3; /* of the period: looked for there first */
static const double periods_gone = 2;   /* that tell it is gone */
static const double periods_other = 3;  /* of the slowest still alike, that tell the period */
static const double least_counts = 1.5; /* of this supply's readback: its swing can be seen */
/* A sine's height from crest to trough, in standard deviations. */
static const double sine_height = 2.8284271247461903;

/* Fresh readings of a phase. */
struct row {
    double *time_s, *current_A;
    size_t count;
    double deviation_A;
};

static bool gather(const struct judge *judge, size_t p, const struct path *path, struct row *row)
{
    size_t from = path->starts[p];
    size_t to = (int)p < path->phase ? path->starts[p + 1] : count_since_onset(judge);
    size_t room = to - from + 1;
    *row = (struct row){.time_s = malloc(2 * room * sizeof *row->time_s)};
    if (!row->time_s)
        return false;
    row->current_A = row->time_s + room;
    struct fresh fresh = {.any = false};
    double mean = 0;
    double squares = 0;
    for (size_t i = from + 1; i < to; i++) {
        const struct reading *reading = since_onset(judge, i);
        if (!reading->valid ||
            !fresh_take(&fresh, template_repeat_window_s(judge->reference), reading))
            continue;
        row->time_s[row->count] = reading->time_s;
        row->current_A[row->count++] = reading->current_A;
        double d = reading->current_A - mean;
        mean += d / (double)row->count;
        squares += d * (reading->current_A - mean);
    }
    row->deviation_A = row->count ? sqrt(squares / (double)row->count) : 0;
    return true;
}

/* So many of the type's periods were seen, by a supply that can show them. */
static double periods_seen(const struct judge *judge, const struct reference_phase *phase,
                           const struct row *row)
{
    if (row->count == 0 || phase->spread_A < least_counts * judge->accuracy.current_resolution_A)
        return 0;
    return (row->time_s[row->count - 1] - row->time_s[0]) / phase->period_s;
}

/* How it departs from the type's: true, and the period in *period_s (NAN: it does
 * not swing). */
static bool departs(const struct judge *judge, const struct reference_phase *phase,
                    const struct row *row, double *period_s)
{
    struct swing swing;
    double seen = periods_seen(judge, phase, row);
    double factor = sqrt(judge->reference->smallest_duration_fault);
    *period_s = NAN;
    if (seen >= periods_gone && row->deviation_A < gone_share * phase->spread_A)
        return true;
    if (seen < periods_other * factor)
        return false;
    double usual_s = phase->period_s;
    if (swing_measure(row->time_s, row->current_A, row->count, usual_s / alike_factor,
                      usual_s * alike_factor, &swing) != 0 ||
        swing.period_s > 0)
        return false;
    if (swing_measure(row->time_s, row->current_A, row->count, 0, 0, &swing) != 0)
        return false;
    *period_s = swing.period_s;
    return swing.period_s > 0 && fabs(log(swing.period_s / usual_s)) > log(factor);
}

static void settle_swing(struct judge *judge, size_t p, const struct row *row, double period_s)
{
    const struct reference_phase *phase = &judge->reference->phases[p];
    struct finding finding = finding_of(REASON_UNSTEADY);
    finding.phase = (int)p;
    finding.phase_count = (int)judge->reference->phase_count;
    finding.of_swing = true;
    finding.measured = sine_height * row->deviation_A;
    finding.low = gone_share * sine_height * phase->spread_A;
    finding.period_s = period_s;
    finding.usual_s = phase->period_s;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}

bool template_check_swings(struct judge *judge)
{
    const struct path *path = follow_best(judge->template->follow);
    for (size_t p = 0; path && (int)p <= path->phase; p++) {
        const struct reference_phase *phase = &judge->reference->phases[p];
        if (phase->kind != PHASE_PERIODIC || !(phase->period_s > 0) || level_has_plateaus(phase))
            continue;
        struct row row;
        double period_s = NAN;
        if (!gather(judge, p, path, &row))
            return false;
        bool other = departs(judge, phase, &row, &period_s);
        if (other)
            settle_swing(judge, p, &row, period_s);
        free(row.time_s);
        if (other)
            return true;
    }
    return false;
}
