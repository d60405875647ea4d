/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Following known-goods along the template they made, and measuring them on it.
 */
#include "reference/follow.h"
#include "reference/level.h"
#include "reference/spread.h"
#include "reference/template.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A last reading that moves towards the next level by so much noise, and so much
 * more than the one before it, has left. */
static const double departs_noise = 4, departs_slope = 1.5;
static const double loose_envelope = 0.12, loose_log_duration = 0.5;

static double square(double x)
{
    return x * x;
}

size_t course_phase_end(const struct course *course, size_t p, size_t phase_count)
{
    return p + 1 < phase_count ? course->starts[p + 1] : course->count;
}

static bool follow_course(const struct reference_phase *loose, size_t phase_count,
                          const struct follow_options *options, struct course *course, bool *out)
{
    struct follow *follow = follow_create(loose, phase_count, options);
    *out = !follow;
    if (!follow)
        return false;
    enum follow_end end = FOLLOW_ALIVE;
    for (size_t i = 0; i < course->count && end == FOLLOW_ALIVE; i++) {
        const struct reading *r = &course->readings[i];
        end = follow_read(follow, i, r->time_s, r->current_A, r->voltage_V);
    }
    const struct path *path = follow_best(follow);
    bool whole = end == FOLLOW_ALIVE && path && (size_t)path->phase + 1 == phase_count;
    for (size_t p = 0; whole && p < phase_count; p++)
        course->starts[p] = path->starts[p];
    for (size_t p = 1; whole && p < phase_count; p++)
        course->starts[p] =
            course_first_reading(course, course->starts[p], course->starts[p - 1],
                                 course_phase_end(course, p, phase_count), loose[p - 1].noise_A);
    follow_destroy(follow);
    return whole;
}

size_t template_follow(const struct reference *reference, struct course *courses,
                       size_t course_count)
{
    struct reference_phase *loose = calloc(reference->phase_count, sizeof *loose);
    if (!loose)
        return SIZE_MAX;
    memcpy(loose, reference->phases, reference->phase_count * sizeof *loose);
    for (size_t p = 0; p + 1 < reference->phase_count; p++) {
        loose[p].duration_low_s = loose[p].duration_s * exp(-loose_log_duration);
        loose[p].duration_high_s = loose[p].duration_s * exp(loose_log_duration);
    }
    double volts = 0;
    for (size_t c = 0; c < course_count; c++)
        if (courses[c].voltage_V > 0 && reference->compared_at_V > 0)
            volts = fmax(volts, fabs(log(courses[c].voltage_V / reference->compared_at_V)));
    /* Where the load laws are known the voltages need no room. */
    bool laws = false;
    for (size_t p = 0; p < reference->phase_count; p++)
        laws |= reference->phases[p].exponent != 0;
    struct follow_options options = {.envelope = loose_envelope + (laws ? 0 : volts),
                                     .resolution_A = reference->accuracy.current_resolution_A,
                                     .stretch = 3 * SPREAD_DURATION,
                                     .nominal_V = laws ? reference->compared_at_V : (double)NAN,
                                     .interval_s = reference->reading_interval_s,
                                     .late_s = reference->refresh_s};
    size_t following = 0;
    bool out = false;
    for (size_t c = 0; c < course_count && !out; c++) {
        courses[c].follows =
            follow_course(loose, reference->phase_count, &options, &courses[c], &out);
        following += courses[c].follows;
    }
    free(loose);
    return out ? SIZE_MAX : following;
}

size_t phase_pure_end(const struct reading *readings, size_t from, size_t to, bool over,
                      double noise_A)
{
    enum { FEWEST = 4, MANY = 10 };
    if (!over || to < from + FEWEST)
        return to;
    double moved = readings[to - 1].current_A - readings[to - 2].current_A;
    double before = readings[to - 2].current_A - readings[to - 3].current_A;
    double jump = readings[to].current_A - readings[to - 2].current_A;
    bool departs = moved * jump > 0 && fabs(moved) > departs_noise * noise_A &&
                   fabs(moved) > departs_slope * fabs(before);
    return departs || to >= from + MANY ? to - 1 : to;
}

struct phase_span course_span(const struct course *course, size_t p, size_t phase_count,
                              double interval_s)
{
    size_t from = course->starts[p];
    struct phase_span span = {.from_s = course->readings[from].time_s};
    span.before_s = from > 0 ? course->readings[from - 1].time_s : span.from_s - interval_s;
    if (p + 1 < phase_count && course->starts[p + 1] > from) {
        size_t to = course->starts[p + 1];
        span.over = true;
        span.to_s = course->readings[to].time_s;
        span.until_s = course->readings[to - 1].time_s;
    }
    return span;
}

static void measure_duration(const struct phase_span *span, double refresh_s, double *log_duration,
                             double *u)
{
    double duration = 0.5 * (span->to_s + span->until_s - span->from_s - span->before_s);
    *log_duration = *u = NAN;
    if (!span->over || !(duration > 0))
        return;
    double variance = (square(span->from_s - span->before_s) + square(span->to_s - span->until_s) +
                       2 * square(refresh_s)) /
                      12;
    *log_duration = log(duration);
    *u = sqrt(variance) / duration;
}

void template_measure_courses(const struct reference *reference, struct course *courses,
                              size_t course_count)
{
    for (size_t c = 0; c < course_count; c++) {
        struct course *course = &courses[c];
        if (!course->follows)
            continue;
        for (size_t p = 0; p < reference->phase_count; p++) {
            size_t from = course->starts[p];
            size_t to = course_phase_end(course, p, reference->phase_count);
            struct phase_span span =
                course_span(course, p, reference->phase_count, reference->reading_interval_s);
            struct level_view view = {.phase = &reference->phases[p],
                                      .compared_at_V = reference->compared_at_V,
                                      .wide = loose_envelope,
                                      .noise_A = reference->phases[p].noise_A,
                                      .resolution_A = reference->accuracy.current_resolution_A,
                                      .lead_s = 0.5 * reference->reading_interval_s,
                                      .stretch = SPREAD_DURATION};
            level_view_noise(&view, view.noise_A, view.resolution_A);
            level_view_place(&view, &span);
            struct level_sum sum = {0};
            size_t end =
                phase_pure_end(course->readings, from, to, span.over, reference->phases[p].noise_A);
            for (size_t i = from + 1; i < end; i++)
                if (course->readings[i].time_s >= INRUSH_S)
                    level_sum_add(&sum, &view, course->readings[i].time_s, &course->readings[i]);
            struct measured_level level = level_measure(&sum, &view);
            course->log_ratio[p] = level.usable ? level.log_ratio : (double)NAN;
            course->log_ratio_u[p] = level.usable ? level.u : (double)NAN;
            course->level_V[p] = level.voltage_V;
            course->log_duration[p] = course->log_duration_u[p] = NAN;
            if (p + 1 < reference->phase_count)
                measure_duration(&span, reference->refresh_s, &course->log_duration[p],
                                 &course->log_duration_u[p]);
        }
    }
}
