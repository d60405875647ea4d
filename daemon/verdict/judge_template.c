/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Judging by a learned template: follow the power-up along its phases, compare
 * the levels on the best path, decide at the reading that allows it.
 */
#include "verdict/settle.h"
#include "verdict/template_state.h"
#include "verdict/what_if.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double evidence_for_good = 8;
enum { LAST_READINGS = 6, OUTSIDE_IN_A_ROW = 5, OUTSIDE_HELD = 2 };
static const double settling_s = 0.2; /* of the supply's voltage after onset */

static double square(double x)
{
    return x * x;
}

const struct reading *since_onset(const struct judge *judge, size_t index)
{
    return &judge->kept.readings[judge->first + index];
}

size_t count_since_onset(const struct judge *judge)
{
    return judge->taken;
}

double template_noise_A(const struct reference *reference, size_t p, double step_A)
{
    double taught_A = reference->accuracy.current_resolution_A;
    double noise = square(reference->phases[p].noise_A);
    if (step_A > taught_A)
        noise += (square(step_A) - square(taught_A)) / 12;
    return fmax(sqrt(fmax(noise, square(step_A) / 12)), 1e-6);
}

struct template_judge *template_judge_create(const struct judge *judge)
{
    const struct reference *reference = judge->reference;
    struct template_judge *template = calloc(1, sizeof *template);
    if (!template)
        return NULL;
    double step = judge->accuracy.current_resolution_A;
    template->envelope = reference_envelope(reference);
    struct follow_options options = {.envelope = template->envelope,
                                     .resolution_A = step,
                                     .common = reference->level_common.predictive,
                                     .own = reference->level_own.predictive,
                                     .stretch = 3 * reference->duration.predictive,
                                     .nominal_V = reference->compared_at_V,
                                     .interval_s = reference->reading_interval_s,
                                     .late_s = reference->refresh_s};
    for (size_t p = 0; p < reference->phase_count; p++) {
        struct level_view view = {0};
        level_view_noise(&view, template_noise_A(reference, p, step), step);
        template->noise_A[p] = view.noise_A;
        template->left[p] = view.left;
        template->own2[p] = view.own2;
    }
    template->follow = follow_create(reference->phases, reference->phase_count, &options);
    if (!template->follow) {
        free(template);
        return NULL;
    }
    return template;
}

void template_judge_destroy(struct template_judge *template)
{
    if (!template)
        return;
    follow_destroy(template->follow);
    free(template);
}

/* Outside the window nothing is compared: the reference does not hold there. */
static bool check_voltage(struct judge *judge, const struct reading *reading)
{
    struct template_judge *template = judge->template;
    const struct reference *reference = judge->reference;
    if (isnan(reference->voltage_low_V) || isnan(reading->voltage_V) ||
        reading->limited == FLAG_YES)
        return false;
    double slack = judge->accuracy.voltage_resolution_V;
    bool outside = reading->voltage_V < reference->voltage_low_V - slack ||
                   reading->voltage_V > reference->voltage_high_V + slack;
    if (!outside) {
        template->outside_voltage = 0;
        template->outside_settled = 0;
        template->outside_sum_V = 0;
        return false;
    }
    template->outside_voltage++;
    if (judge_elapsed_s(judge) >= settling_s) {
        template->outside_settled++;
        template->outside_sum_V += reading->voltage_V;
    }
    return template->outside_settled >= OUTSIDE_IN_A_ROW;
}

static void settle_outside(struct judge *judge)
{
    struct finding finding = finding_of(REASON_OUTSIDE_VOLTAGE);
    const struct template_judge *template = judge->template;
    finding.measured = template->outside_settled > 0
                           ? template->outside_sum_V / (double)template->outside_settled
                           : since_onset(judge, count_since_onset(judge) - 1)->voltage_V;
    finding.low = judge->reference->voltage_low_V;
    finding.high = judge->reference->voltage_high_V;
    judge_settle(judge, VERDICT_UNSURE);
    settle_add_between(judge->verdict, SETTLE_VOLTAGE, finding.low, finding.high);
    reasons_add(judge->verdict, &finding);
}

/* The output looks off: neither volts nor draw. The power-up's end is told by
 * its own state machine; nothing is held against the module here. */
static bool looks_off(const struct judge *judge, const struct reading *reading)
{
    const struct reference *reference = judge->reference;
    if (reading->output_on == FLAG_NO)
        return true;
    if (isnan(reading->voltage_V) || isnan(reference->compared_at_V))
        return false;
    double little =
        fmax(3 * judge->accuracy.current_resolution_A, 0.02 * fabs(reference->final_expected_A));
    return judge_elapsed_s(judge) > settling_s &&
           reading->voltage_V < 0.5 * reference->compared_at_V &&
           fabs(reading->current_A) <= little;
}

bool template_judge_read(struct judge *judge, const struct reading *reading)
{
    struct template_judge *template = judge->template;
    if (!reading->valid || looks_off(judge, reading))
        return false;
    if (!rise_passed(&template->rise, judge->reference->compared_at_V, judge_elapsed_s(judge),
                     reading->voltage_V)) {
        template->risen_s = judge_elapsed_s(judge);
        return false;
    }
    if (!fresh_take(&template->fresh, template_repeat_window_s(judge->reference), reading))
        return false;
    bool outside = check_voltage(judge, reading);
    enum follow_end end =
        follow_read(template->follow, count_since_onset(judge) - 1, judge_elapsed_s(judge),
                    reading->current_A, reading->voltage_V);
    bool held = template->outside_voltage >= OUTSIDE_HELD;
    if (outside || (end != FOLLOW_ALIVE && held)) {
        settle_outside(judge);
        return true;
    }
    if (end != FOLLOW_ALIVE) {
        template_explain(judge, end);
        return true;
    }
    template_measure(judge, false);
    if (judge->measuring || held)
        return false;
    return template_check_levels(judge);
}

/* With what would settle it, most easily had first. */
static void add_level_settles(const struct judge *judge)
{
    struct verdict *verdict = judge->verdict;
    struct what_if world = what_if_of(judge);
    double resolution = what_if_resolution_A(&world, false);
    settle_add_value(verdict, SETTLE_RESOLUTION, resolution);
    settle_add_count(verdict, SETTLE_POWER_UPS, what_if_power_ups(&world));
    settle_add_count(verdict, SETTLE_KNOWN_GOODS, what_if_known_goods(&world));
    if (isnan(resolution)) {
        double taught = what_if_resolution_A(&world, true);
        settle_add_value(verdict, SETTLE_RESOLUTION_TAUGHT, taught);
        if (isnan(taught))
            settle_add_value(verdict, SETTLE_INTERVAL_TAUGHT, what_if_interval_s(&world));
    }
    settle_add_value(verdict, SETTLE_FAULT, what_if_fault_share(&world));
    if (verdict->settle_count == 0)
        settle_add_value(verdict, SETTLE_INTERVAL_TAUGHT, what_if_seen_interval_s(&world));
}

/* A level that cannot be told from the smallest fault. */
static bool unsure_of_level(struct judge *judge, size_t p)
{
    struct template_judge *template = judge->template;
    if (!level_is_judged(judge->reference, p, judge->template->noise_A[p]))
        return false;
    const struct reference *reference = judge->reference;
    const struct reference_phase *phase = &reference->phases[p];
    struct level_test test = {.spread = 0, .u = INFINITY};
    if (template->levels[p].usable) {
        test = level_test_one(reference, template->levels, template->level_count, p);
        if (fabs(test.deviation) <= test.limit &&
            level_outcome(&test, reference->smallest_level_fault, LEVEL_GUARD) == VERDICT_GOOD)
            return false;
    }
    struct finding finding = finding_of(REASON_CANNOT_RESOLVE);
    finding.phase = (int)p;
    finding.phase_count = (int)reference->phase_count;
    finding.measured = template->levels[p].usable ? template->levels[p].current_A : phase->level_A;
    template_show_limits(&finding, &test);
    finding.basis = LIMITS_OF_UNIT;
    finding.smallest = reference->smallest_level_fault;
    finding.resolution_A = judge->accuracy.current_resolution_A;
    finding.spread = test.spread;
    finding.u = test.u;
    judge_settle(judge, VERDICT_UNSURE);
    add_level_settles(judge);
    reasons_add(judge->verdict, &finding);
    return true;
}

/* A duration that might as well be the doubled one: the readings are too far
 * apart. */
static bool unsure_of_duration(struct judge *judge, size_t p)
{
    const struct reference *reference = judge->reference;
    const struct path *path = follow_best(judge->template->follow);
    const struct reference_phase *phase = &reference->phases[p];
    struct phase_span span = template_span(judge, path->starts[p], path->starts[p + 1]);
    double longest = span.to_s - span.before_s;
    double doubled = phase->duration_s * reference->smallest_duration_fault *
                     exp(-3 * reference->duration.predictive);
    if (longest < doubled || phase->duration_high_s >= doubled)
        return false;
    struct finding finding = finding_of(REASON_LATE);
    finding.phase = (int)p;
    finding.phase_count = (int)reference->phase_count;
    finding.measured = longest;
    finding.low = phase->duration_low_s;
    finding.high = phase->duration_high_s;
    judge_settle(judge, VERDICT_UNSURE);
    /* A gap at either end of the longest that is still good. */
    settle_add_value(judge->verdict, SETTLE_INTERVAL, 0.5 * (doubled - phase->duration_high_s));
    reasons_add(judge->verdict, &finding);
    return true;
}

/* The most a unit of the type draws anywhere. */
static double most_drawn_A(const struct reference *reference)
{
    double most = 0;
    for (size_t p = 0; p < reference->phase_count; p++) {
        const struct reference_phase *phase = &reference->phases[p];
        double wide = phase->level_A > 0 ? phase->high_A / phase->level_A : 1;
        for (size_t c = 0; c < phase->cell_count; c++)
            most = fmax(most, wide * phase->shape_high_A[c]);
        most = fmax(most, phase->high_A + 3 * phase->spread_A);
    }
    return most;
}

static bool unsure_of_limit(struct judge *judge)
{
    if (!judge->limit.ever && isnan(judge->limit.since_s))
        return false;
    struct finding finding = finding_of(REASON_AT_LIMIT);
    finding.measured = judge->limit.current_A;
    finding.voltage_V = judge->limit.voltage_V;
    judge_settle(judge, VERDICT_UNSURE);
    settle_add_value(judge->verdict, SETTLE_LIMIT, most_drawn_A(judge->reference));
    reasons_add(judge->verdict, &finding);
    return true;
}

/* When a unit as slow as the type allows would be in its last phase for long
 * enough. */
static double watch_needed_s(const struct judge *judge)
{
    const struct reference *reference = judge->reference;
    const struct path *path = follow_best(judge->template->follow);
    double interval =
        isnan(reference->reading_interval_s) ? judge->gap_s : reference->reading_interval_s;
    double until = path ? path->from_s : 0;
    for (size_t p = path ? (size_t)path->phase : 0; p + 1 < reference->phase_count; p++)
        until += reference->phases[p].duration_high_s + interval;
    return fmax(until, judge_elapsed_s(judge)) + LAST_READINGS * interval;
}

/* When readings that fit would have worn off the doubt. */
static double watch_until_sure_s(const struct judge *judge, double evidence)
{
    double interval = isnan(judge->reference->reading_interval_s)
                          ? judge->gap_s
                          : judge->reference->reading_interval_s;
    double readings = ceil((evidence - evidence_for_good) / FOLLOW_WANE) + 1;
    return judge->reference->watch_s + readings * interval;
}

/* The watch is over before the last phase, or in doubt of it. */
static void settle_unfinished(struct judge *judge, const struct path *path, double evidence)
{
    const struct reference *reference = judge->reference;
    bool reached = path && (size_t)path->phase + 1 == reference->phase_count;
    struct finding finding = finding_of(reached ? REASON_UNSTEADY : REASON_INCOMPLETE);
    if (reached) {
        finding.phase = path->phase;
        finding.phase_count = (int)reference->phase_count;
        finding.measured = since_onset(judge, count_since_onset(judge) - 1)->current_A;
        finding.low = reference->phases[path->phase].low_A;
        finding.high = reference->phases[path->phase].high_A;
    } else {
        finding.phase = path ? path->phase : 0;
        finding.phase_count = (int)reference->phase_count;
        finding.measured = judge_elapsed_s(judge);
        finding.watch_s = reference->watch_s;
    }
    judge_settle(judge, VERDICT_UNSURE);
    settle_add_value(judge->verdict, SETTLE_WATCH,
                     reached && isfinite(evidence) ? watch_until_sure_s(judge, evidence)
                                                   : watch_needed_s(judge));
    reasons_add(judge->verdict, &finding);
}

void template_judge_end(struct judge *judge)
{
    struct template_judge *template = judge->template;
    const struct reference *reference = judge->reference;
    template_measure(judge, true);
    if (unsure_of_limit(judge) || (!judge->measuring && template_check_levels(judge)))
        return;
    const struct path *path = follow_best(template->follow);
    double evidence = follow_evidence_in_last(template->follow);
    if (!path || (size_t)path->phase + 1 < reference->phase_count || evidence > evidence_for_good) {
        settle_unfinished(judge, path, evidence);
        return;
    }
    if (!judge->measuring && template_check_swings(judge))
        return;
    for (size_t p = 0; p < reference->phase_count; p++) {
        if (unsure_of_level(judge, p) ||
            (p + 1 < reference->phase_count && unsure_of_duration(judge, p)))
            return;
    }
    judge_settle(judge, VERDICT_GOOD);
}
