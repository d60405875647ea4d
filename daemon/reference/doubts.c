/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/doubts.h"

#include "reference/compare.h"
#include "reference/spread.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Changes so large, as a share of the larger level, are not overlooked. */
static const double large_share = 0.25, large_noise = 8;

static double square(double x)
{
    return x * x;
}

/* What the other units teach. */
struct others {
    struct reference reference;
    struct reference_phase phases[REFERENCE_MOST_PHASES];
    struct course *courses;
    size_t count;
};

static int learn_without(const struct reference *template, const struct course *courses,
                         size_t course_count, size_t unit, struct others *others)
{
    others->reference = *template;
    others->reference.phases = others->phases;
    memcpy(others->phases, template->phases, template->phase_count * sizeof *others->phases);
    others->count = 0;
    int power_ups = 0;
    for (size_t i = 0; i < course_count; i++) {
        if (courses[i].unit == unit)
            continue;
        struct course *kept = &others->courses[others->count++];
        *kept = courses[i];
        kept->unit -= kept->unit > unit;
        power_ups++;
    }
    others->reference.unit_count = template->unit_count - 1;
    others->reference.power_ups = power_ups;
    return spread_learn(&others->reference, others->courses, others->count);
}

/* Mean over the unit's power-ups of one phase's value, and its measurement's
 * variance. False: it was not measured. */
static bool unit_mean(const struct course *courses, size_t course_count, size_t unit, size_t p,
                      bool duration, double *mean, double *variance)
{
    double sum = 0;
    double noise = 0;
    double count = 0;
    for (size_t i = 0; i < course_count; i++) {
        const struct course *c = &courses[i];
        double value = duration ? c->log_duration[p] : c->log_ratio[p];
        if (c->unit != unit || !c->follows || isnan(value))
            continue;
        sum += value;
        noise += square(duration ? c->log_duration_u[p] : c->log_ratio_u[p]);
        count++;
    }
    *mean = sum / count;
    *variance = noise / square(count);
    return count > 0;
}

static void consider(struct doubt *worst, double deviation, double doubt, double df, int phase,
                     bool duration)
{
    double chance = limit_tail(fabs(deviation) / doubt, df);
    if (chance >= worst->chance)
        return;
    worst->chance = chance;
    worst->phase = phase;
    worst->duration = duration;
    worst->deviation = deviation;
}

static void consider_test(struct doubt *worst, const struct level_test *test, int phase)
{
    if (test->spread > 0)
        consider(worst, test->deviation, sqrt(square(test->spread) + square(test->u)),
                 test->spread_df, phase, false);
}

/* Holds a unit against the others; the chance is that of its single worst. */
static void hold_against(const struct reference *template, const struct course *courses,
                         size_t course_count, const struct others *others, struct doubt *worst)
{
    const struct reference *r = &others->reference;
    struct measured_level levels[REFERENCE_MOST_PHASES] = {0};
    size_t measured = 0;
    for (size_t p = 0; p < r->phase_count; p++) {
        double variance = 0;
        double mean = 0;
        if (!unit_mean(courses, course_count, worst->unit, p, false, &mean, &variance))
            continue;
        double shift = log(r->phases[p].level_A / template->phases[p].level_A);
        double u = fmax(sqrt(variance), r->phases[p].repeat_u);
        levels[p] = (struct measured_level){.usable = true, .log_ratio = mean - shift, .u = u};
        measured++;
    }
    for (size_t p = 0; measured > 0 && p < r->phase_count; p++) {
        if (!levels[p].usable)
            continue;
        struct level_test test = level_deviation_one(r, levels, r->phase_count, p);
        consider_test(worst, &test, (int)p);
    }
    struct level_test common = level_deviation_common(r, levels, r->phase_count);
    consider_test(worst, &common, -1);
    for (size_t p = 0; p + 1 < r->phase_count; p++) {
        double mean = 0;
        double variance = 0;
        if (unit_mean(courses, course_count, worst->unit, p, true, &mean, &variance))
            consider(worst, mean - log(r->phases[p].duration_s),
                     sqrt(square(r->duration.predictive) + variance), r->duration.predictive_df,
                     (int)p, true);
    }
}

int doubts_find(const struct reference *template, const struct course *courses, size_t course_count,
                struct doubt *doubts)
{
    size_t units = template->unit_count;
    if (units < 2)
        return 0;
    struct others *others = calloc(1, sizeof *others);
    if (others)
        others->courses = calloc(course_count, sizeof *others->courses);
    int count = others && others->courses ? 0 : -1;
    double tests = (double)units * (2 * (double)template->phase_count);
    for (size_t u = 0; count >= 0 && u < units; u++) {
        struct doubt worst = {.unit = u, .chance = 1};
        if (learn_without(template, courses, course_count, u, others) != 0) {
            count = -1;
            break;
        }
        hold_against(template, courses, course_count, others, &worst);
        worst.chance = fmin(1, worst.chance * tests);
        if (worst.chance < DOUBT_CHANCE)
            doubts[count++] = worst;
    }
    if (others)
        free(others->courses);
    free(others);
    return units == 2 && count > 1 ? 1 : count;
}

static bool is_large(const struct change *change)
{
    double jump = fabs(change->to_A - change->from_A);
    return jump > large_share * fmax(fabs(change->to_A), fabs(change->from_A)) &&
           jump > large_noise * change->noise_A;
}

/* Is change k of this course in all of its unit's, and in none of the others'? */
static bool is_of_one(const struct course *courses, size_t course_count,
                      const struct course *course, size_t k)
{
    for (size_t i = 0; i < course_count; i++) {
        size_t reading = SIZE_MAX;
        consensus_match(course, &k, 1, &courses[i], &reading);
        bool shown = reading != SIZE_MAX;
        if (shown != (courses[i].unit == course->unit))
            return false;
    }
    return true;
}

bool doubt_of_change(const struct course *courses, size_t course_count, size_t *unit,
                     double *time_s)
{
    for (size_t i = 0; i < course_count; i++) {
        const struct course *course = &courses[i];
        size_t count = changes_before_pulses(course->changes, course->change_count);
        for (size_t k = 0; k < count; k++) {
            if (!is_large(&course->changes[k]) || !is_of_one(courses, course_count, course, k))
                continue;
            *unit = course->unit;
            *time_s = course->changes[k].time_s;
            return true;
        }
    }
    return false;
}
