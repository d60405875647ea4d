/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Levels that are off beyond doubt, or swing, and what that is called.
 */
#include "verdict/template_state.h"
#include "verdict/what_if.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Scatter of a phase's readings: so many times the known-goods' and a share. */
static const double scatter_factor = 4, scatter_share = 0.045;
static const double swinging_factor = 2;
enum { FEWEST_SCATTERED = 12 };
/* A rival path's score may be this far behind. */
static const double rival_behind = 12;

static double square(double x)
{
    return x * x;
}

void template_show_limits(struct finding *finding, const struct level_test *test)
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
    template_show_limits(&finding, test);
    finding.basis = basis;
    if (is_swinging(judge, p))
        finding.code = REASON_UNSTEADY;
    else if (test->deviation > 0 && is_leakage(judge, p))
        finding.code = REASON_LEAKAGE;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}

/* The phase that swings far beyond what its readings ever did; level_count: none. */
static size_t find_scatter(const struct judge *judge, const struct template_judge *template)
{
    for (size_t p = 0; p < template->level_count; p++) {
        const struct measured_level *level = &template->levels[p];
        const struct reference_phase *phase = &judge->reference->phases[p];
        if (!level->usable || phase->kind != PHASE_LEVEL || level->effective < FEWEST_SCATTERED)
            continue;
        double usual = fmax(phase->spread_A, template->noise_A[p]);
        double most = scatter_factor * usual + scatter_share * fabs(phase->level_A);
        if (level->scatter_A <= most)
            continue;
        const struct phase_sum *sum = &template->sums[p];
        double lasted_s =
            since_onset(judge, sum->to - 1)->time_s - since_onset(judge, sum->from)->time_s;
        /* A supply read oftener than when it taught shows no more of it sooner. */
        if (lasted_s >= 0.9 * FEWEST_SCATTERED * judge->reference->reading_interval_s)
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
        double log_ratio = template->levels[p].log_ratio;
        least = log_ratio < least ? log_ratio : least;
        most = log_ratio > most ? log_ratio : most;
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
        if (!template->levels[p].usable ||
            !level_is_judged(judge->reference, p, judge->template->noise_A[p]))
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
        template_measure_along(judge, path, false, other);
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
