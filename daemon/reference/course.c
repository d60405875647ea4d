/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/course.h"

#include "reference/level.h"
#include "signature/power_up.h"
#include "signature/segment.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST_READINGS = 6, AROUND = 3 };
static const double penalty_factor = 1.5; /* of the default: about 4 ln n */
/* A jump counts from so many standard deviations, counts and share on. */
static const double jump_noise = 5, jump_counts = 1.5, jump_share = 0.06;

static const double runs_on_factor = 1.3; /* of what the slopes on both sides carry */
/* A sleep shows for so long, and so much above what is drawn before onset; or all
 * the known-goods, no fewer than these, go to rest within this factor of time. */
static const double rest_settled_s = 0.1, rest_least_s = 1, rest_draws_A = 0.0007;
static const double resting_share = 0.75, rest_timed = 1.15;
enum { FEWEST_TIMED = 4 };
static const double up_share = 0.6; /* of the settled voltage: no longer held down */

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

double median_of(double *values, size_t count)
{
    if (count == 0)
        return NAN;
    qsort(values, count, sizeof *values, by_size);
    return 0.5 * (values[(count - 1) / 2] + values[count / 2]);
}

/* Longest stretch in current limit: told by the supply, or seen by a voltage
 * that is held down. */
static void measure_limited(struct course *course)
{
    double limited_from = NAN;
    for (size_t i = 0; i < course->count; i++) {
        const struct reading *r = &course->readings[i];
        bool held_down = r->limited == FLAG_UNKNOWN && r->voltage_V < up_share * course->voltage_V;
        if (r->limited != FLAG_YES && !held_down)
            limited_from = NAN;
        else if (isnan(limited_from))
            limited_from = r->time_s;
        if (!isnan(limited_from))
            course->limited_s = fmax(course->limited_s, r->time_s - limited_from);
    }
}

static int measure_course(struct course *course)
{
    double *values = malloc((course->count + 1) * sizeof *values);
    if (!values)
        return -1;
    for (size_t i = 1; i < course->count; i++) {
        values[i - 1] = course->readings[i].time_s - course->readings[i - 1].time_s;
        course->longest_gap_s = fmax(course->longest_gap_s, values[i - 1]);
    }
    course->interval_s = median_of(values, course->count - 1);
    size_t volts = 0;
    for (size_t i = 0; i < course->count; i++)
        if (!isnan(course->readings[i].voltage_V))
            values[volts++] = course->readings[i].voltage_V;
    course->voltage_V = median_of(values, volts);
    measure_limited(course);
    free(values);
    return 0;
}

/* The resting draw counts only where the voltage was up before onset. */
static double resting_draw(const struct power_up_machine *machine, const struct trace *trace,
                           double onset_s)
{
    size_t seen = 0;
    double baseline = power_up_baseline_A(machine, &seen);
    double before_V = NAN;
    for (size_t i = 0; i < trace->count && trace->readings[i].time_s < onset_s; i++)
        before_V = trace->readings[i].voltage_V;
    return seen >= 3 && before_V > 5 ? baseline : (double)NAN;
}

/* What is read at rest, the voltage still up, from a little behind where the draw
 * went there on. */
static void measure_rest(struct course *course, const struct trace *trace, double from_s)
{
    double up_V = NAN;
    double sum = 0;
    double count = 0;
    double first_s = NAN;
    for (size_t i = 0; i < trace->count; i++) {
        const struct reading *r = &trace->readings[i];
        if (!r->valid)
            continue;
        if (r->time_s < from_s) {
            up_V = r->voltage_V;
            continue;
        }
        if (r->output_on == FLAG_NO || r->voltage_V < 0.8 * up_V)
            break;
        first_s = isnan(first_s) ? r->time_s : first_s;
        if (r->time_s - first_s < rest_settled_s)
            continue;
        course->rest_s = r->time_s - first_s;
        sum += r->current_A;
        count++;
    }
    course->rest_A = count > 0 ? sum / count : (double)NAN;
}

static const char *course_make(const struct trace *trace, const struct power_up_rules *rules,
                               struct course *course)
{
    struct power_up_machine *machine = power_up_create(rules);
    course->readings = malloc((trace->count + 1) * sizeof *course->readings);
    if (!machine || !course->readings) {
        power_up_destroy(machine);
        return "memory is out";
    }
    course->off_s = course->rest_A = NAN;
    bool begun = false;
    size_t end = trace->count;
    for (size_t i = 0; i < trace->count; i++) {
        enum power_up_event event = power_up_step(machine, &trace->readings[i]);
        begun |= event == POWER_UP_BEGAN;
        if (event == POWER_UP_ENDED && begun) {
            end = i;
            break;
        }
    }
    double onset = power_up_onset_s(machine);
    double until = end < trace->count ? power_up_ended_s(machine) : (double)INFINITY;
    course->baseline_A = begun ? resting_draw(machine, trace, onset) : (double)NAN;
    size_t seen = 0;
    course->zero_A = power_up_baseline_A(machine, &seen);
    if (end < trace->count && power_up_end(machine) == END_DRAW_OFF) {
        course->off_s = until - onset;
        measure_rest(course, trace, until);
    }
    power_up_destroy(machine);
    if (!begun)
        return "found no power-up: neither output, voltage nor draw rises";
    for (size_t i = 0; i < end; i++) {
        const struct reading *r = &trace->readings[i];
        if (!r->valid || r->time_s < onset || r->time_s >= until)
            continue;
        course->readings[course->count] = *r;
        course->readings[course->count++].time_s = r->time_s - onset;
    }
    if (course->count < FEWEST_READINGS)
        return "found fewer than 6 readings after onset";
    return measure_course(course) == 0 ? NULL : "memory is out";
}

bool courses_sleep(const struct course *courses, size_t course_count, double resolution_A)
{
    double earliest = INFINITY;
    double latest = 0;
    double resting = 0;
    double above = 0;
    for (size_t i = 0; i < course_count; i++) {
        const struct course *c = &courses[i];
        if (isnan(c->off_s) || isnan(c->rest_A) || c->rest_s < rest_least_s)
            continue;
        resting++;
        earliest = fmin(earliest, c->off_s);
        latest = fmax(latest, c->off_s);
        above += c->rest_A - c->zero_A > rest_draws_A + 0.1 * resolution_A;
    }
    bool timed = course_count >= FEWEST_TIMED && latest <= rest_timed * earliest &&
                 resting >= resting_share * (double)course_count;
    return resting > 0 && (above >= resting_share * resting || timed);
}

int courses_make(const struct known_good *units, size_t count, const struct accuracy *accuracy,
                 bool sleeps, struct course **courses, size_t *course_count, struct error *error)
{
    size_t total = 0;
    for (size_t u = 0; u < count; u++)
        total += units[u].count;
    struct power_up_rules rules = {.watch_s = 86400, .sleeps = sleeps};
    if (accuracy) {
        rules.resolution_A = accuracy->current_resolution_A;
        rules.resolution_V = accuracy->voltage_resolution_V;
    }
    *course_count = 0;
    *courses = calloc(total ? total : 1, sizeof **courses);
    if (!*courses)
        return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "memory is out");
    for (size_t u = 0; u < count; u++) {
        if (units[u].count == 0)
            return error_set(error, EXIT_BAD_DATA, units[u].unit, 0, "one power-up at least",
                             "known-good unit %s: found no power-up", units[u].unit);
        for (size_t j = 0; j < units[u].count; j++) {
            struct course *course = &(*courses)[(*course_count)++];
            course->unit = u;
            course->power_up = j;
            const char *problem = course_make(&units[u].traces[j], &rules, course);
            if (problem)
                return error_set(
                    error, EXIT_BAD_DATA, units[u].unit, 0, "a whole power-up of a known-good unit",
                    "known-good unit %s, power-up %zu: %s", units[u].unit, j + 1, problem);
        }
    }
    return 0;
}

void courses_free(struct course *courses, size_t count)
{
    for (size_t i = 0; courses && i < count; i++) {
        free(courses[i].readings);
        free(courses[i].changes);
    }
    free(courses);
}

void course_shorten(struct course *course, double watch_s)
{
    while (course->count > FEWEST_READINGS &&
           course->readings[course->count - 1].time_s > watch_s + 1e-9)
        course->count--;
}

/* Median of up to three readings from..to-1, nearest to `from` or to `to`. */
static double edge_level(const struct course *course, size_t from, size_t to, bool at_end)
{
    double values[AROUND];
    size_t count = 0;
    for (size_t k = 0; k < AROUND && from + k < to; k++)
        values[count++] = course->readings[at_end ? to - 1 - k : from + k].current_A;
    return median_of(values, count);
}

/* How far the slope on one side, over the readings nearest to the cut, would carry
 * the draw from one edge level to the other. */
static double carried_A(const struct course *course, size_t from, size_t to, bool at_end)
{
    enum { BETWEEN = 4 };
    if (to < from + AROUND)
        return 0;
    size_t first = at_end ? to - AROUND : from;
    double moved =
        course->readings[first + AROUND - 1].current_A - course->readings[first].current_A;
    return moved / (AROUND - 1) * BETWEEN;
}

static bool is_sharp(const struct course *course, const struct phase *left,
                     const struct phase *right, double resolution_A, struct change *change)
{
    size_t at = right->first;
    size_t right_end = right->first + right->count;
    bool sloped = left->kind == PHASE_RAMP || left->kind == PHASE_DECAY ||
                  right->kind == PHASE_RAMP || right->kind == PHASE_DECAY;
    bool pulses = left->kind == PHASE_PERIODIC || right->kind == PHASE_PERIODIC;
    /* The first reading may be a mixture of both. */
    size_t head = right->count > 2 ? at + 1 : at;
    change->reading = at;
    change->time_s = course->readings[at].time_s;
    change->before_s = at > 0 ? course->readings[at - 1].time_s : change->time_s;
    change->from_A = pulses ? left->level_A : edge_level(course, left->first, at, true);
    change->to_A = pulses ? right->level_A : edge_level(course, head, right_end, false);
    change->before_A = left->level_A;
    change->after_A = right->level_A;
    change->noise_A = fmax(fmin(left->spread_A, right->spread_A), resolution_A / sqrt(12.0));
    change->from_pulses = left->kind == PHASE_PERIODIC;
    change->to_pulses = right->kind == PHASE_PERIODIC;
    /* Pulses end or begin there, whatever their mean. */
    if (change->from_pulses != change->to_pulses)
        return true;
    double jump = fabs(change->to_A - change->from_A);
    double size = fmax(fabs(change->from_A), fabs(change->to_A));
    double signed_jump = change->to_A - change->from_A;
    double left_A = carried_A(course, left->first, at, true);
    double right_A = carried_A(course, head, right_end, false);
    bool runs_on = signed_jump * left_A > 0 && signed_jump * right_A > 0 &&
                   fabs(signed_jump) < runs_on_factor * fmax(fabs(left_A), fabs(right_A));
    if (sloped && runs_on)
        return false;
    return jump > jump_noise * change->noise_A && jump > jump_counts * resolution_A &&
           jump > jump_share * size &&
           (sloped || jump > 0.5 * fabs(right->level_A - left->level_A));
}

static bool near_level(double a, double b, double noise)
{
    return fabs(a - b) < 0.12 * fmax(fabs(a), fabs(b)) + 4 * noise;
}

/* Median head of every other change, counted from the last; NAN: two that are
 * not alike. */
static double usual_head(const struct change *changes, size_t count, size_t last)
{
    enum { LOOK_AT = 5 };
    double heads[LOOK_AT];
    size_t found = 0;
    for (size_t back = last; back < count && found < LOOK_AT; back += 2)
        heads[found++] = changes[count - 1 - back].to_A;
    if (found == 2 && !near_level(heads[0], heads[1], changes[count - 1].noise_A))
        return NAN;
    return median_of(heads, found);
}

size_t changes_before_pulses(const struct change *changes, size_t count)
{
    enum { FEWEST = 4 };
    if (count < FEWEST)
        return count;
    const double heads[2] = {usual_head(changes, count, 0), usual_head(changes, count, 1)};
    size_t first = count;
    size_t fitting = 0;
    bool doubtful = false;
    for (size_t back = 0; back < count; back++) {
        const struct change *c = &changes[count - 1 - back];
        if (c->from_pulses || c->to_pulses)
            break;
        bool up = c->to_A > c->from_A;
        bool fits = up == (heads[back % 2] > heads[1 - back % 2]) &&
                    near_level(c->to_A, heads[back % 2], c->noise_A);
        /* One pulse may be read badly, two in a row are something else. */
        if (!fits && doubtful)
            break;
        doubtful = !fits;
        fitting += fits;
        if (fits)
            first = count - 1 - back;
    }
    if (fitting < FEWEST || 4 * fitting < 3 * (count - first))
        return count;
    /* The change that leads to the pulses' level from another stays. */
    const struct change *entry = &changes[first];
    double other = heads[(count - first) % 2];
    return near_level(entry->from_A, other, entry->noise_A) ? first : first + 1;
}

int course_find_changes(struct course *course, double resolution_A)
{
    struct segment_options options = {.resolution_A = resolution_A,
                                      .penalty_factor = penalty_factor};
    struct phases phases = {0};
    if (segment_readings(course->readings, course->count, &options, &phases) != 0)
        return -1;
    free(course->changes);
    course->change_count = 0;
    course->changes = calloc(phases.count + 1, sizeof *course->changes);
    if (!course->changes) {
        phases_clear(&phases);
        return -1;
    }
    for (size_t i = 1; i < phases.count; i++) {
        struct change change;
        if (is_sharp(course, &phases.items[i - 1], &phases.items[i], resolution_A, &change))
            course->changes[course->change_count++] = change;
    }
    phases_clear(&phases);
    course->change_count = changes_before_pulses(course->changes, course->change_count);
    return 0;
}

size_t course_first_reading(const struct course *course, size_t cut, size_t low, size_t high,
                            double noise_A)
{
    size_t beside = 3;
    while (low < cut && course->readings[low].time_s < INRUSH_S)
        low++;
    while (beside > 0 && (cut < low + beside + AROUND || cut + beside + 2 > high))
        beside--;
    if (beside == 0)
        return cut;
    double from = edge_level(course, low, cut - beside, true);
    double to = edge_level(course, cut + beside, high, false);
    double jump = to - from;
    if (fabs(jump) < 8 * noise_A || fabs(jump) < 0.04 * fabs(to))
        return cut;
    size_t at = cut - beside;
    while (at < cut + beside && (course->readings[at].current_A - from) / jump < 0.2)
        at++;
    return at;
}
