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
/* Scatter of a phase's readings: so many times the known-goods' and a share. */
static const double scatter_factor = 4, scatter_share = 0.045;
static const double swinging_factor = 2;
enum { FEWEST_SCATTERED = 12 };
enum { FEWEST_RUNNING = 3, LAST_READINGS = 6, OUTSIDE_IN_A_ROW = 5 };
/* A rival path's score may be this far behind. */
static const double rival_behind = 12;
/* A first reading and what comes as soon after it as no known-good was read may
 * be on the way from one level to the next. */
static const double edge_share = 0.6; /* of the interval taught at */
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

static struct phase_span span_since_onset(const struct judge *judge, size_t from, size_t to)
{
    struct phase_span span = {.from_s = since_onset(judge, from)->time_s};
    span.before_s = from > 0 ? since_onset(judge, from - 1)->time_s
                             : span.from_s - judge->reference->reading_interval_s;
    if (to > from && to < count_since_onset(judge)) {
        span.over = true;
        span.to_s = since_onset(judge, to)->time_s;
        span.until_s = since_onset(judge, to - 1)->time_s;
    }
    return span;
}

/* Phase p of readings from..to-1. */
struct level_view template_view(const struct judge *judge, size_t p, size_t from, size_t to)
{
    struct level_view view = {.phase = &judge->reference->phases[p],
                              .compared_at_V = judge->reference->compared_at_V,
                              .wide = judge->template->envelope +
                                      0.5 * judge->reference->smallest_level_fault,
                              .noise_A = judge->template->noise_A[p],
                              .resolution_A = judge->accuracy.current_resolution_A,
                              .left = judge->template->left[p],
                              .own2 = judge->template->own2[p],
                              .lead_s = 0.5 * judge->reference->reading_interval_s,
                              .stretch = judge->reference->duration.predictive};
    struct phase_span span = span_since_onset(judge, from, to);
    level_view_place(&view, &span);
    view.slack_s = fmax(view.slack_s, judge->reference->refresh_s);
    return view;
}

/* A supply that is asked oftener than when it taught may answer the same
 * conversion again and again: what says the same within that time is no new
 * evidence, whether it was converted anew or not. */
static double repeat_window_s(const struct reference *reference)
{
    return fmax(reference->refresh_s, 0.9 * reference->reading_interval_s);
}

/* Adds readings from..to-1 of a phase that began at reading `start`. */
static void sum_up(const struct judge *judge, struct template_judge *template, size_t p,
                   const struct level_view *view, size_t start, size_t from, size_t to)
{
    struct fresh fresh = template->sums[p].fresh;
    double edge_s =
        since_onset(judge, start)->time_s + edge_share * judge->reference->reading_interval_s;
    for (size_t i = from; i < to; i++) {
        const struct reading *reading = since_onset(judge, i);
        if (!reading->valid || !fresh_take(&fresh, repeat_window_s(judge->reference), reading) ||
            i == start || reading->time_s < edge_s ||
            reading->time_s - judge->verdict->onset_s < fmax(INRUSH_S, template->risen_s + 1e-9))
            continue;
        level_sum_add(&template->sums[p].sum, view, reading->time_s, reading);
    }
    template->sums[p].fresh = fresh;
}

/* Going on, or a slope or blurred pulses whose end rests on so few readings that strays may have
 * feigned it. */
static bool is_running(const struct judge *judge, const struct path *path, size_t p)
{
    if ((int)p >= path->phase)
        return true;
    const struct reference_phase *phase = &judge->reference->phases[p];
    if (phase->kind == PHASE_LEVEL || level_has_plateaus(phase))
        return false;
    double since_s = judge_elapsed_s(judge) + judge->verdict->onset_s -
                     since_onset(judge, path->starts[p + 1])->time_s;
    return count_since_onset(judge) - path->starts[p + 1] <= FEWEST_RUNNING ||
           since_s < FEWEST_RUNNING * judge->reference->refresh_s;
}

static void measure_along(const struct judge *judge, const struct path *path, bool over,
                          struct template_judge *template)
{
    template->level_count = (size_t)path->phase + 1;
    for (size_t p = 0; p < template->level_count; p++) {
        struct phase_sum *sum = &template->sums[p];
        size_t from = path->starts[p];
        size_t to = p + 1 < template->level_count ? path->starts[p + 1] : count_since_onset(judge);
        bool running = !over && is_running(judge, path, p);
        if (sum->any && sum->from == from && sum->to == to && sum->running == running)
            continue;
        struct level_view view = template_view(judge, p, from, to);
        size_t end = phase_pure_end(since_onset(judge, 0), from, to, p + 1 < template->level_count,
                                    template->noise_A[p]);
        double edge_s = edge_share * judge->reference->reading_interval_s;
        while (p + 1 < template->level_count && end > from + 1 &&
               since_onset(judge, to)->time_s - since_onset(judge, end - 1)->time_s < edge_s)
            end--;
        size_t already = from;
        if (sum->any && sum->from == from && sum->summed <= end && sum->pace == view.pace)
            already = sum->summed;
        else
            *sum = (struct phase_sum){.pace = view.pace};
        sum_up(judge, template, p, &view, from, already, end);
        sum->any = true;
        sum->from = from;
        sum->to = to;
        sum->summed = end;
        sum->running = running;
        template->levels[p] = level_measure(&sum->sum, &view);
        /* The first readings of a phase may still be in doubt of its start; of
         * pulses and slopes the part seen so far is not the whole. */
        bool steady = view.phase->kind == PHASE_LEVEL || level_has_plateaus(view.phase);
        /* Behind pulses it may still be one of them. */
        double pulse_s =
            p > 0 ? fmax(view.phase[-1].longest_above_s, view.phase[-1].longest_below_s) : 0;
        double seen_s = judge->last_s - since_onset(judge, from)->time_s;
        if (running && (sum->sum.count < FEWEST_RUNNING || !steady ||
                        seen_s < fmax(2 * edge_s, 1.25 * pulse_s)))
            template->levels[p].usable = false;
    }
}

void template_measure(struct judge *judge, bool over)
{
    struct template_judge *template = judge->template;
    const struct path *path = follow_best(template->follow);
    if (!path)
        return;
    measure_along(judge, path, over, template);
    const struct level_sum *last = &template->sums[path->phase].sum;
    if (last->count > 0)
        judge->verdict->final_draw_A = last->current_A / (double)last->count;
}

/* Beside the limits that decided: what the unit's other phases foretell. */
static void show_limits(struct finding *finding, const struct level_test *test)
{
    double expected = finding->measured * exp(-test->deviation);
    finding->low = expected * exp(-test->limit);
    finding->high = expected * exp(test->limit);
    finding->share = test->deviation;
    finding->allowed = test->limit;
}

static struct finding level_finding(const struct judge *judge, size_t p, double deviation)
{
    struct finding finding = finding_of(deviation < 0 ? REASON_LOW_FINAL : REASON_HIGH_FINAL);
    const struct reference_phase *phase = &judge->reference->phases[p];
    finding.phase = (int)p;
    finding.phase_count = (int)judge->reference->phase_count;
    finding.measured = judge->template->levels[p].current_A;
    finding.low = phase->low_A;
    finding.high = phase->high_A;
    return finding;
}

/* More draw by the same amount in every phase seen explains the levels better
 * than one phase off by itself does. */
static bool is_leakage(const struct judge *judge, size_t off)
{
    const struct template_judge *template = judge->template;
    double spread2 = square(judge->reference->level_common.predictive) +
                     square(judge->reference->level_own.predictive);
    double weights = 0;
    double sum = 0;
    double squares = 0;
    double alone = 0;
    double low_level = INFINITY;
    double high_level = 0;
    size_t seen = 0;
    for (size_t p = 0; p < template->level_count; p++) {
        const struct measured_level *level = &template->levels[p];
        if (!level->usable)
            continue;
        double expected = judge->reference->phases[p].level_A;
        double excess = expected * expm1(level->log_ratio);
        double weight = 1 / (square(expected) * (square(level->u) + spread2));
        weights += weight;
        sum += weight * excess;
        squares += weight * square(excess);
        alone += p == off ? 0 : weight * square(excess);
        low_level = fmin(low_level, expected);
        high_level = fmax(high_level, expected);
        seen++;
    }
    return seen >= 2 && high_level > 1.5 * low_level && sum > 0 &&
           squares - square(sum) / weights < alone;
}

/* The level swings too much to be a level that is off. */
static bool is_swinging(const struct judge *judge, size_t p)
{
    const struct measured_level *level = &judge->template->levels[p];
    const struct reference_phase *phase = &judge->reference->phases[p];
    double usual = fmax(phase->spread_A, judge->template->noise_A[p]);
    return phase->kind == PHASE_LEVEL &&
           level->scatter_A > swinging_factor * usual + scatter_share * fabs(phase->level_A);
}

static void settle_level(struct judge *judge, size_t p, const struct level_test *test,
                         enum limits_basis basis)
{
    struct finding finding = level_finding(judge, p, test->deviation);
    show_limits(&finding, test);
    finding.basis = basis;
    if (is_swinging(judge, p))
        finding.code = REASON_UNSTEADY;
    else if (test->deviation > 0 && is_leakage(judge, p))
        finding.code = REASON_LEAKAGE;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}

/* A phase that draws nothing worth a share: its level is not judged by one. */
bool template_judges_level(const struct judge *judge, size_t p)
{
    const struct template_judge *template = judge->template;
    double largest = 0;
    for (size_t k = 0; k < judge->reference->phase_count; k++)
        largest = fmax(largest, fabs(judge->reference->phases[k].level_A));
    double level = fabs(judge->reference->phases[p].level_A);
    return level > 0.02 * largest || level > 4 * template->noise_A[p];
}

/* The phase that swings far beyond what its readings ever did; level_count: none. */
static size_t find_scatter(const struct judge *judge, const struct template_judge *template)
{
    for (size_t p = 0; p < template->level_count; p++) {
        const struct measured_level *level = &template->levels[p];
        const struct reference_phase *phase = &judge->reference->phases[p];
        double usual = fmax(phase->spread_A, template->noise_A[p]);
        double most = scatter_factor * usual + scatter_share * fabs(phase->level_A);
        const struct phase_sum *sum = &template->sums[p];
        double lasted_s =
            since_onset(judge, sum->to - 1)->time_s - since_onset(judge, sum->from)->time_s;
        /* A supply read oftener than when it taught shows no more of it sooner. */
        bool enough = level->effective >= FEWEST_SCATTERED &&
                      lasted_s >= 0.9 * FEWEST_SCATTERED * judge->reference->reading_interval_s;
        if (level->usable && phase->kind == PHASE_LEVEL && enough && level->scatter_A > most)
            return p;
    }
    return template->level_count;
}

/* The level that is off by most beyond doubt, given the others, or all of them
 * together. */
struct level_fault {
    bool found;
    size_t phase;
    struct level_test test;
    enum limits_basis basis;
};

/* What the others foretell lies between the least ratio, the greatest and none,
 * so where these are close no deviation can pass half the smallest fault, which
 * is always allowed. */
static bool is_surely_alike(const struct reference *reference,
                            const struct template_judge *template)
{
    double least = 0;
    double most = 0;
    for (size_t p = 0; p < template->level_count; p++) {
        if (!template->levels[p].usable)
            continue;
        least = fmin(least, template->levels[p].log_ratio);
        most = fmax(most, template->levels[p].log_ratio);
    }
    return most - least <= 0.499 * reference->smallest_level_fault;
}

static struct level_fault find_level_fault(const struct judge *judge,
                                           const struct template_judge *template)
{
    const struct reference *reference = judge->reference;
    struct level_fault fault = {.basis = LIMITS_OF_UNIT};
    if (is_surely_alike(reference, template))
        return fault;
    double worst = 0;
    for (size_t p = 0; p < template->level_count; p++) {
        bool running = p + 1 == template->level_count;
        if (!template->levels[p].usable || !template_judges_level(judge, p))
            continue;
        struct level_test test =
            level_deviation_one(reference, template->levels, template->level_count, p);
        double excess = 0;
        (void)level_test_exceeds(reference, &test, running ? GUARD_RUNNING : LEVEL_GUARD, &excess);
        if (excess > worst) {
            worst = excess;
            fault.found = true;
            fault.phase = p;
            fault.test = test;
        }
    }
    if (!fault.found) {
        fault.test = level_deviation_common(reference, template->levels, template->level_count);
        double excess = 0;
        fault.found = level_test_exceeds(reference, &fault.test, GUARD_RUNNING, &excess);
        fault.phase = template->level_count - 1;
        fault.basis = LIMITS_OF_ALL;
    }
    if (fault.found)
        fault.test.limit = level_test_limit(reference, &fault.test);
    return fault;
}

/* A path that is alive, not far behind the best, and finds nothing off: what
 * looks like a fault may be a phase taken for the next. */
static bool another_path_passes(const struct judge *judge)
{
    const struct template_judge *template = judge->template;
    const struct path *best = follow_best(template->follow);
    struct template_judge *other = NULL;
    bool passes = false;
    for (size_t p = 0; p < judge->reference->phase_count && !passes; p++) {
        const struct path *path = follow_best_in(template->follow, p, rival_behind);
        if (!path || path->phase == best->phase)
            continue;
        if (!other)
            other = malloc(sizeof *other);
        if (!other)
            return false;
        *other = *template;
        memset(other->sums, 0, sizeof other->sums);
        measure_along(judge, path, false, other);
        passes = !find_level_fault(judge, other).found &&
                 find_scatter(judge, other) == other->level_count;
    }
    free(other);
    return passes;
}

bool template_check_levels(struct judge *judge)
{
    const struct template_judge *template = judge->template;
    struct level_fault fault = find_level_fault(judge, template);
    size_t scattered = fault.found ? 0 : find_scatter(judge, template);
    if ((!fault.found && scattered == template->level_count) || another_path_passes(judge))
        return false;
    if (fault.found) {
        settle_level(judge, fault.phase, &fault.test, fault.basis);
        return true;
    }
    struct finding finding = level_finding(judge, scattered, 0);
    finding.code = REASON_UNSTEADY;
    finding.measured =
        template->levels[scattered].current_A + 1.5 * template->levels[scattered].scatter_A;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
    return true;
}

/* Outside the window nothing is compared: the reference does not hold there. */
static bool check_voltage(struct judge *judge, const struct reading *reading)
{
    struct template_judge *template = judge->template;
    const struct reference *reference = judge->reference;
    if (isnan(reference->voltage_low_V) || isnan(reading->voltage_V) ||
        judge_elapsed_s(judge) < settling_s || reading->limited == FLAG_YES)
        return false;
    double slack = judge->accuracy.voltage_resolution_V;
    bool outside = reading->voltage_V < reference->voltage_low_V - slack ||
                   reading->voltage_V > reference->voltage_high_V + slack;
    if (!outside) {
        template->outside_voltage = 0;
        template->outside_sum_V = 0;
        return false;
    }
    template->outside_voltage++;
    template->outside_sum_V += reading->voltage_V;
    return template->outside_voltage >= OUTSIDE_IN_A_ROW;
}

static void settle_outside(struct judge *judge)
{
    struct finding finding = finding_of(REASON_OUTSIDE_VOLTAGE);
    finding.measured = judge->template->outside_sum_V / (double)judge->template->outside_voltage;
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
    if (!fresh_take(&template->fresh, repeat_window_s(judge->reference), reading))
        return false;
    bool outside = check_voltage(judge, reading);
    enum follow_end end =
        follow_read(template->follow, count_since_onset(judge) - 1, judge_elapsed_s(judge),
                    reading->current_A, reading->voltage_V);
    if (outside || (end != FOLLOW_ALIVE && template->outside_voltage >= 2)) {
        settle_outside(judge);
        return true;
    }
    if (end != FOLLOW_ALIVE) {
        template_explain(judge, end);
        return true;
    }
    template_measure(judge, false);
    if (judge->measuring)
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
    if (!template_judges_level(judge, p))
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
    show_limits(&finding, &test);
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
    struct phase_span span = span_since_onset(judge, path->starts[p], path->starts[p + 1]);
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
    for (size_t p = 0; p < reference->phase_count; p++) {
        if (unsure_of_level(judge, p) ||
            (p + 1 < reference->phase_count && unsure_of_duration(judge, p)))
            return;
    }
    judge_settle(judge, VERDICT_GOOD);
}
