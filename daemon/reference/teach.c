/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * From courses to a template everyone follows, then to spreads and limits.
 */
#include "reference/teach.h"

#include "reference/claims.h"
#include "reference/compare.h"
#include "reference/envelope.h"
#include "reference/readback.h"
#include "reference/spread.h"
#include "reference/stated_range.h"
#include "reference/template.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A phase shorter than this many readings is its neighbour's shape. */
static const double shortest_phase_readings = 2.1;
static const double following_needed = 0.9;
static const double duration_cap = 0.42; /* of a limit, on the logarithm */
static const double window_u = 0.02;     /* what voltage may add to a level's doubt */
static const double least_window = 0.015;
static const double several_voltages_share = 0.03;
static const double asleep_limit_cap = 1.5; /* on the logarithm */

struct lesson {
    const struct reference_request *request;
    const struct known_good *units;
    struct reference *reference;
    struct error *error;
    struct course *courses;
    size_t course_count;
    struct lesson_seen seen;
};

static double square(double x)
{
    return x * x;
}

static int out_of_memory(const struct lesson *lesson)
{
    return error_set(lesson->error, EXIT_SOFTWARE, lesson->request->module_type, 0, NULL,
                     "memory is out");
}

static void find_watch(struct lesson *lesson)
{
    double shortest = INFINITY;
    double gap = 0;
    double *intervals = calloc(lesson->course_count, sizeof *intervals);
    for (size_t i = 0; i < lesson->course_count; i++) {
        const struct course *course = &lesson->courses[i];
        double length = course->readings[course->count - 1].time_s;
        if (length < shortest) {
            shortest = length;
            gap = course->longest_gap_s;
        }
        if (intervals)
            intervals[i] = course->interval_s;
    }
    struct reference *r = lesson->reference;
    r->watch_s = isnan(lesson->request->watch_s) ? fmax(shortest - gap, 0.5 * shortest)
                                                 : lesson->request->watch_s;
    r->reading_interval_s = intervals ? median_of(intervals, lesson->course_count) : gap;
    free(intervals);
    for (size_t i = 0; i < lesson->course_count; i++)
        course_shorten(&lesson->courses[i], r->watch_s + r->reading_interval_s);
}

static void find_voltage(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    double sum = 0;
    double count = 0;
    for (size_t i = 0; i < lesson->course_count; i++) {
        double volts = lesson->courses[i].voltage_V;
        if (volts > 0) {
            sum += log(volts);
            count++;
        }
    }
    if (count > 0)
        r->compared_at_V = exp(sum / count);
    if (isnan(r->nominal_voltage_V))
        r->nominal_voltage_V = r->compared_at_V;
}

static void set_follow(struct lesson *lesson, const struct course *central, const size_t *kept,
                       size_t count)
{
    for (size_t i = 0; i < lesson->course_count; i++) {
        struct course *course = &lesson->courses[i];
        size_t readings[REFERENCE_MOST_PHASES];
        consensus_match(central, kept, count, course, readings);
        course->starts[0] = 0;
        course->follows = true;
        for (size_t k = 0; k < count; k++) {
            course->starts[k + 1] = readings[k];
            if (readings[k] == SIZE_MAX || readings[k] <= course->starts[k])
                course->follows = false;
        }
        for (size_t k = 1; course->follows && k <= count; k++)
            course->starts[k] =
                course_first_reading(course, course->starts[k], course->starts[k - 1],
                                     k < count ? course->starts[k + 1] : course->count, 0);
        course->cut_by_itself = course->follows;
        memcpy(course->cut_at, course->starts, sizeof course->cut_at);
    }
}

/* A course that shows every change by itself keeps its own cut where following
 * moves it by more than an edge's readings: what follows a template in the making
 * must not move what made it. */
static void keep_own_cuts(struct lesson *lesson, size_t count)
{
    enum { EDGE = 1 };
    for (size_t i = 0; i < lesson->course_count; i++) {
        struct course *course = &lesson->courses[i];
        bool moved = false;
        for (size_t k = 1; k <= count; k++)
            moved |= course->starts[k] > course->cut_at[k] + EDGE ||
                     course->starts[k] + EDGE < course->cut_at[k];
        if (moved && course->follows && course->cut_by_itself)
            memcpy(course->starts, course->cut_at, (count + 1) * sizeof *course->starts);
    }
}

/* Changes that leave a phase shorter than two readings are dropped: what is so
 * short belongs to the beginning of the next. */
static size_t drop_short(const struct course *central, double interval_s, size_t *kept,
                         double *support, size_t count)
{
    double shortest = shortest_phase_readings * interval_s;
    double before = 0;
    size_t left = 0;
    for (size_t k = 0; k < count; k++) {
        const struct change *change = &central->changes[kept[k]];
        double middle = 0.5 * (change->time_s + change->before_s);
        if (middle - before < shortest)
            continue;
        before = middle;
        kept[left] = kept[k];
        support[left++] = support[k];
    }
    return left;
}

static size_t drop_pulses(const struct course *central, const size_t *kept, size_t count)
{
    struct change changes[REFERENCE_MOST_PHASES];
    for (size_t k = 0; k < count; k++)
        changes[k] = central->changes[kept[k]];
    return changes_before_pulses(changes, count);
}

/* The first phase that is left with hardly a reading of its own; count: none. */
static size_t starved(const struct lesson *lesson, size_t count)
{
    for (size_t p = 0; p < count; p++) {
        size_t starved_in = 0;
        size_t following = 0;
        for (size_t i = 0; i < lesson->course_count; i++) {
            const struct course *c = &lesson->courses[i];
            following += c->follows;
            starved_in += c->follows && c->starts[p + 1] - c->starts[p] < 2;
        }
        if (2 * starved_in > following)
            return p;
    }
    return count;
}

static size_t weakest(const double *support, const struct course *central, const size_t *kept,
                      size_t count)
{
    size_t worst = 0;
    double least = INFINITY;
    for (size_t k = 0; k < count; k++) {
        const struct change *c = &central->changes[kept[k]];
        double jump = fabs(c->to_A - c->from_A) / fmax(fabs(c->to_A), fabs(c->from_A));
        double strength = support[k] + 0.1 * jump;
        if (strength < least) {
            least = strength;
            worst = k;
        }
    }
    return worst;
}

/* The one unit most of whose power-ups do not follow, where there is no more than
 * one among three or more; else as many as there are. */
static size_t dissenter(const struct lesson *lesson)
{
    size_t units = lesson->reference->unit_count;
    size_t found = units;
    for (size_t u = 0; units >= 3 && u < units; u++) {
        size_t own = 0;
        size_t following = 0;
        for (size_t i = 0; i < lesson->course_count; i++) {
            own += lesson->courses[i].unit == u;
            following += lesson->courses[i].unit == u && lesson->courses[i].follows;
        }
        if (2 * following >= own)
            continue;
        if (found < units)
            return units;
        found = u;
    }
    return found;
}

/* All others follow, and show each change by themselves: the unit that does not
 * is no reason to give a change up. */
static bool others_agree(const struct lesson *lesson, size_t apart, const struct course *central,
                         const size_t *kept, size_t count)
{
    size_t shown[REFERENCE_MOST_PHASES] = {0};
    size_t others = 0;
    size_t following = 0;
    if (apart == lesson->reference->unit_count)
        return false;
    for (size_t i = 0; i < lesson->course_count; i++) {
        const struct course *course = &lesson->courses[i];
        size_t readings[REFERENCE_MOST_PHASES];
        if (course->unit == apart)
            continue;
        others++;
        following += course->follows;
        consensus_match(central, kept, count, course, readings);
        for (size_t k = 0; k < count; k++)
            shown[k] += readings[k] != SIZE_MAX;
    }
    bool agree = (double)following >= following_needed * (double)others;
    for (size_t k = 0; k < count; k++)
        agree = agree && (double)shown[k] >= following_needed * (double)others;
    return agree;
}

/* Known-goods were seen at voltages that draw apart what one level draws. */
static bool several_voltages(const struct lesson *lesson)
{
    double low = INFINITY;
    double high = 0;
    for (size_t i = 0; i < lesson->course_count; i++) {
        if (lesson->courses[i].voltage_V > 0) {
            low = fmin(low, lesson->courses[i].voltage_V);
            high = fmax(high, lesson->courses[i].voltage_V);
        }
    }
    return high > 0 && high / low > 1 + several_voltages_share;
}

/* Builds, follows, and drops the weakest change until the known-goods follow. */
static int find_template(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    size_t kept[REFERENCE_MOST_PHASES];
    double support[REFERENCE_MOST_PHASES];
    size_t count = 0;
    for (size_t i = 0; i < lesson->course_count; i++)
        if (course_find_changes(&lesson->courses[i], r->accuracy.current_resolution_A) != 0)
            return -1;
    size_t middle = consensus_find(lesson->courses, lesson->course_count, REFERENCE_MOST_PHASES - 1,
                                   kept, support, &count);
    const struct course *central = &lesson->courses[middle];
    count =
        drop_short(central, fmax(r->reading_interval_s, 1.2 * r->refresh_s), kept, support, count);
    count = drop_pulses(central, kept, count);
    for (;;) {
        set_follow(lesson, central, kept, count);
        size_t following = 0;
        for (int pass = 0; pass < 3; pass++) {
            if (template_build(r, lesson->courses, lesson->course_count, count + 1) != 0)
                return -1;
            if (several_voltages(lesson)) {
                template_measure_courses(r, lesson->courses, lesson->course_count);
                exponents_learn(r, lesson->courses, lesson->course_count);
            }
            following = template_follow(r, lesson->courses, lesson->course_count);
            if (following == SIZE_MAX)
                return -1;
            if (following == 0)
                break;
            keep_own_cuts(lesson, count);
        }
        double share = (double)following / (double)lesson->course_count;
        size_t hungry = starved(lesson, count);
        bool agreed = share >= following_needed ||
                      others_agree(lesson, dissenter(lesson), central, kept, count);
        if ((agreed && hungry == count) || count == 0)
            break;
        size_t drop = hungry < count ? hungry : weakest(support, central, kept, count);
        count--;
        for (size_t k = drop; k < count; k++) {
            kept[k] = kept[k + 1];
            support[k] = support[k + 1];
        }
    }
    /* A template without changes is one shape: whoever does not follow it is
     * left out, but for all, whom it must then be made of. */
    size_t following = 0;
    for (size_t i = 0; i < lesson->course_count; i++)
        following += lesson->courses[i].follows;
    if (following > 0)
        return template_build(r, lesson->courses, lesson->course_count, count + 1);
    set_follow(lesson, central, kept, 0);
    return template_build(r, lesson->courses, lesson->course_count, 1);
}

/* Where known-goods began their phases with more or less than any mixture of
 * the two levels, a first reading may do so too. */
static void allow_first_readings(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    for (size_t p = 1; p < r->phase_count; p++) {
        struct reference_phase *phase = &r->phases[p];
        const struct reference_phase *before = &r->phases[p - 1];
        double low = fmin(before->shape_low_A[before->cell_count - 1], phase->shape_low_A[0]);
        double high = fmax(before->shape_high_A[before->cell_count - 1], phase->shape_high_A[0]);
        double room = 0.05 * high + 3 * phase->noise_A;
        for (size_t i = 0; i < lesson->course_count; i++) {
            const struct course *c = &lesson->courses[i];
            if (!c->follows)
                continue;
            double first = c->readings[c->starts[p]].current_A;
            if (phase->cell_count > 1 && first > high + room)
                phase->shape_high_A[0] = fmax(phase->shape_high_A[0], 1.1 * first);
            if (phase->cell_count > 1 && first < low - room)
                phase->shape_low_A[0] = fmin(phase->shape_low_A[0], first);
        }
    }
}

/* Measures the courses, learns the load laws, and where there are any carries
 * all readings to one voltage and learns the shapes anew. */
static int find_exponents(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    double exponents[REFERENCE_MOST_PHASES] = {0};
    double exponents_u[REFERENCE_MOST_PHASES] = {0};
    allow_first_readings(lesson);
    template_measure_courses(r, lesson->courses, lesson->course_count);
    exponents_learn(r, lesson->courses, lesson->course_count);
    bool any = false;
    for (size_t p = 0; p < r->phase_count; p++) {
        exponents[p] = r->phases[p].exponent;
        exponents_u[p] = r->phases[p].exponent_u;
        any |= exponents[p] != 0;
    }
    if (!any)
        return 0;
    for (size_t i = 0; i < lesson->course_count; i++) {
        struct course *c = &lesson->courses[i];
        size_t p = 0;
        for (size_t k = 0; c->follows && k < c->count; k++) {
            while (p + 1 < r->phase_count && k >= c->starts[p + 1])
                p++;
            struct reading *reading = &c->readings[k];
            if (reading->voltage_V > 0.5 * r->compared_at_V)
                reading->current_A *=
                    exp(-exponents[p] * log(reading->voltage_V / r->compared_at_V));
        }
    }
    if (template_build(r, lesson->courses, lesson->course_count, r->phase_count) != 0)
        return -1;
    allow_first_readings(lesson);
    template_measure_courses(r, lesson->courses, lesson->course_count);
    for (size_t p = 0; p < r->phase_count; p++) {
        r->phases[p].exponent = exponents[p];
        r->phases[p].exponent_u = exponents_u[p];
    }
    return 0;
}

static void set_limits(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    double level = sqrt(square(r->level_common.predictive) + square(r->level_own.predictive));
    double level_df = fmin(r->level_common.predictive_df, r->level_own.predictive_df);
    for (size_t p = 0; p < r->phase_count; p++) {
        struct reference_phase *phase = &r->phases[p];
        double spread = sqrt(square(level) + square(phase->uncertainty));
        double limit = level_limit_factor(level_df, level_tests(r)) * spread;
        limit = fmax(limit, 0.5 * r->smallest_level_fault);
        if (reference_is_sleep(r, p))
            limit = fmin(limit, asleep_limit_cap);
        phase->low_A = phase->level_A * exp(phase->level_A < 0 ? limit : -limit);
        phase->high_A = phase->level_A * exp(phase->level_A < 0 ? -limit : limit);
        if (p + 1 == r->phase_count)
            break;
        double sum = 0;
        double count = 0;
        for (size_t i = 0; i < lesson->course_count; i++) {
            if (lesson->courses[i].follows && !isnan(lesson->courses[i].log_duration_u[p])) {
                sum += square(lesson->courses[i].log_duration_u[p]);
                count++;
            }
        }
        double mean_u = count > 0 ? sqrt(sum) / count : 0.1;
        double time = level_limit_factor(r->duration.predictive_df, duration_tests(r)) *
                      sqrt(square(r->duration.predictive) + square(mean_u));
        time = fmin(time, duration_cap);
        phase->duration_low_s = phase->duration_s * exp(-time);
        phase->duration_high_s = phase->duration_s * exp(time);
    }
    const struct reference_phase *last = &r->phases[r->phase_count - 1];
    r->final_expected_A = last->level_A;
    r->final_low_A = last->low_A;
    r->final_high_A = last->high_A;
}

/* The voltages between which levels can be compared: where known-goods were
 * seen, and as far beyond as the load laws are known. */
static void set_window(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    if (isnan(r->compared_at_V))
        return;
    double low = r->compared_at_V;
    double high = low;
    for (size_t i = 0; i < lesson->course_count; i++) {
        if (lesson->courses[i].voltage_V > 0) {
            low = fmin(low, lesson->courses[i].voltage_V);
            high = fmax(high, lesson->courses[i].voltage_V);
        }
    }
    double unknown = 0;
    for (size_t p = 0; p < r->phase_count; p++)
        unknown = fmax(unknown, r->phases[p].exponent_u);
    double beyond = fmax(unknown > 0 ? window_u / unknown : 0.1, least_window);
    beyond = fmin(beyond, 0.15);
    r->voltage_low_V = low * (1 - beyond);
    r->voltage_high_V = high * (1 + beyond);
}

static void set_resting(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    double sum = 0;
    double high = -INFINITY;
    double count = 0;
    for (size_t i = 0; i < lesson->course_count; i++) {
        const struct course *course = &lesson->courses[i];
        r->limited_s = fmax(r->limited_s, course->limited_s);
        if (isnan(course->baseline_A))
            continue;
        sum += course->baseline_A;
        high = fmax(high, course->baseline_A);
        count++;
    }
    if (count == 0)
        return;
    r->baseline_A = sum / count;
    r->baseline_high_A =
        high + fmax(fmax(0.25 * fabs(high), 0.002), 2 * r->accuracy.current_resolution_A);
}

/* Keeps the template and its measurements as they stand. */
static int remember(struct lesson *lesson)
{
    struct lesson_seen *seen = &lesson->seen;
    const struct reference *r = lesson->reference;
    seen->template = *r;
    seen->template.phases = malloc(r->phase_count * sizeof *r->phases);
    seen->courses = malloc(lesson->course_count * sizeof *seen->courses);
    if (!seen->template.phases || !seen->courses)
        return -1;
    memcpy(seen->template.phases, r->phases, r->phase_count * sizeof *r->phases);
    memcpy(seen->courses, lesson->courses, lesson->course_count * sizeof *seen->courses);
    seen->count = lesson->course_count;
    return 0;
}

/* From courses to a template, measured. */
static int find_phases(struct lesson *lesson)
{
    find_watch(lesson);
    if (readback_learn(lesson->reference, lesson->courses, lesson->course_count) != 0)
        return -1;
    readback_drop_repeats(lesson->reference, lesson->courses, lesson->course_count);
    find_voltage(lesson);
    if (find_template(lesson) != 0)
        return -1;
    return find_exponents(lesson);
}

/* The known-goods follow through what is drawn at rest. */
static bool follow_asleep(const struct lesson *lesson)
{
    const struct reference *r = lesson->reference;
    size_t following = 0;
    for (size_t i = 0; i < lesson->course_count; i++)
        following += lesson->courses[i].follows;
    return r->phase_count >= 2 &&
           (double)following >= following_needed * (double)lesson->course_count;
}

/* Where the known-goods go to sleep, the sleep is a phase like others: learned
 * so, if that can be, else up to it. */
static int find_phases_and_sleep(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    struct course *awake = lesson->courses;
    if (courses_sleep(awake, lesson->course_count, r->accuracy.current_resolution_A)) {
        int status = courses_make(lesson->units, r->unit_count, lesson->request->accuracy, true,
                                  &lesson->courses, &lesson->course_count, lesson->error);
        status = status == 0 ? find_phases(lesson) : status;
        r->sleeps = status == 0 && follow_asleep(lesson);
        if (status != 0 || r->sleeps) {
            courses_free(awake, lesson->course_count);
            return status;
        }
        courses_free(lesson->courses, lesson->course_count);
        lesson->courses = awake;
    }
    return find_phases(lesson);
}

/* From the template to spreads, limits and claims. */
static int learn(struct lesson *lesson)
{
    struct reference *r = lesson->reference;
    spread_priors(r, lesson->request->pool, lesson->request->pool_count);
    if (remember(lesson) != 0 || spread_learn(r, lesson->courses, lesson->course_count) != 0)
        return -1;
    lesson->seen.final_A = r->phases[r->phase_count - 1].level_A;
    stated_range_use(r);
    set_limits(lesson);
    set_window(lesson);
    set_resting(lesson);
    if (envelope_make(r) != 0)
        return -1;
    return claims_make(r, lesson->courses, lesson->course_count, &lesson->seen);
}

int teach(const struct reference_request *request, const struct known_good *units, size_t count,
          struct reference *reference, struct error *error)
{
    struct lesson lesson = {
        .request = request, .units = units, .reference = reference, .error = error};
    int status = courses_make(units, count, request->accuracy, false, &lesson.courses,
                              &lesson.course_count, error);
    if (status == 0) {
        status = find_phases_and_sleep(&lesson);
        if (status == 0)
            status = learn(&lesson);
        if (status != 0)
            out_of_memory(&lesson);
    }
    free(lesson.seen.template.phases);
    free(lesson.seen.courses);
    courses_free(lesson.courses, lesson.course_count);
    return status;
}
