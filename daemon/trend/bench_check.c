/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "trend/bench_check.h"

#include "trend/series.h"

#include <math.h>

static const double weight = 0.2, factor = 3, slack = 0.5, limit = 5;

/* The centre is known from so few values that it is off by a good part of sigma
 * itself: the limits carry its uncertainty, the sums take its size for slack. */
static bool begin_charts(const struct check_chart *chart, struct ewma *ewma, struct cusum *cusum)
{
    double own2 = weight / (2 - weight);
    double wider = sqrt((own2 + 1.0 / CHECK_BASELINE) / own2);
    return ewma_begin(ewma, chart->centre, chart->sigma, weight, factor * wider) &&
           cusum_begin(cusum, chart->centre, chart->sigma, slack + 1 / sqrt(CHECK_BASELINE), limit,
                       0);
}

struct checked_limits checked_limits(const struct checked *checked, const struct accuracy *accuracy)
{
    struct checked_limits limits = {.expected_A = 0};
    double tolerance_A = 0;
    if (checked->kind == CHECKED_STANDARD)
        limits.expected_A = checked->expected_A;
    if (checked->kind == CHECKED_RESISTOR) {
        limits.expected_A = checked->voltage_V / (checked->ohm + checked->leads_ohm);
        double voltage_off_V =
            accuracy->voltage_gain * fabs(checked->voltage_V) + accuracy->voltage_offset_V;
        tolerance_A = limits.expected_A * checked->tolerance +
                      voltage_off_V / (checked->ohm + checked->leads_ohm);
    }
    limits.allowed_A = accuracy->current_gain * fabs(limits.expected_A) +
                       accuracy->current_offset_A + accuracy->current_resolution_A / 2 +
                       tolerance_A;
    return limits;
}

bool checked_passes(const struct checked *checked, const struct accuracy *accuracy)
{
    struct checked_limits limits = checked_limits(checked, accuracy);
    return isnan(limits.expected_A) ||
           fabs(checked->current_A - limits.expected_A) <= limits.allowed_A;
}

double checked_charted(const struct checked *checked)
{
    if (checked->kind == CHECKED_ZERO)
        return checked->current_A;
    if (checked->kind == CHECKED_STANDARD)
        return checked->current_A > 0 ? log(checked->current_A) : (double)NAN;
    return checked->current_A * (checked->ohm + checked->leads_ohm) / checked->voltage_V - 1;
}

static struct check_chart baseline(const double *values, size_t count, double floor)
{
    struct check_chart chart = {.centre = NAN, .sigma = NAN};
    struct series_summary summary;
    if (count < CHECK_BASELINE || !series_summarise(values, CHECK_BASELINE, &summary))
        return chart;
    chart.centre = summary.mean;
    chart.sigma = fmax(summary.sd, floor);
    /* Without a step and without scatter there is nothing to chart by. */
    chart.settled = chart.sigma > 0;
    return chart;
}

struct check_chart check_chart_lay(const double *values, size_t count, double floor,
                                   struct check_point *points)
{
    struct check_chart chart = baseline(values, count, floor);
    struct ewma ewma;
    struct cusum cusum;
    bool begun = chart.settled && begin_charts(&chart, &ewma, &cusum);
    for (size_t i = 0; i < count; i++) {
        points[i] = (struct check_point){values[i], NAN, NAN, NAN, NAN, NAN, CHART_IN_CONTROL};
        if (!begun || i < CHECK_BASELINE)
            continue;
        enum chart_state slow = ewma_add(&ewma, values[i]);
        enum chart_state sum = cusum_add(&cusum, values[i]);
        points[i].ewma = ewma.average;
        points[i].ewma_low = ewma_low_limit(&ewma);
        points[i].ewma_high = ewma_high_limit(&ewma);
        points[i].cusum_high = cusum.high;
        points[i].cusum_low = cusum.low;
        points[i].state = slow != CHART_IN_CONTROL ? slow : sum;
    }
    return chart;
}

enum check_finding check_finding_of(bool zero_moved, bool resistors_moved, bool standard_moved)
{
    if (resistors_moved)
        return zero_moved ? CHECK_OFFSET_MOVED : CHECK_GAIN_MOVED;
    if (zero_moved)
        return CHECK_ZERO_MOVED;
    return standard_moved ? CHECK_STANDARD_MOVED : CHECK_STEADY;
}

const char *check_finding_text(enum check_finding finding)
{
    static const char *const texts[] = {
        [CHECK_STEADY] = "",
        [CHECK_OFFSET_MOVED] = "zero and resistors moved together: the supply's offset has moved; "
                               "have the supply adjusted before trusting small differences",
        [CHECK_GAIN_MOVED] = "the resistors moved, zero did not: the supply's readback gain has "
                             "moved, or a lead has a poor contact",
        [CHECK_ZERO_MOVED] = "zero moved alone: something is still connected, or the supply's "
                             "output leaks",
        [CHECK_STANDARD_MOVED] = "only the check standard moved: that unit itself or its "
                                 "temperature, not the supply",
    };
    return texts[finding];
}

enum check_state check_state_of(bool passed, double age_s, double due_after_s)
{
    if (isnan(age_s))
        return CHECK_NEVER;
    if (!passed)
        return CHECK_FAILED;
    return age_s > due_after_s ? CHECK_OVERDUE : CHECK_VERIFIED;
}

const char *check_state_name(enum check_state state)
{
    static const char *const names[] = {[CHECK_NEVER] = "never",
                                        [CHECK_VERIFIED] = "verified",
                                        [CHECK_OVERDUE] = "overdue",
                                        [CHECK_FAILED] = "failed"};
    return names[state];
}
