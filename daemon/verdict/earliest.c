/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/earliest.h"

#include "reference/follow.h"
#include "reference/level.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static const double before_s = 0.5;      /* readings from before onset */
static const double after_watch_s = 0.2; /* and behind the watch */
static const double short_V = 0.2, short_A = 5;
static const double nominal_unknown_V = 12;
static const double last_part = 0.5; /* of the last phase in the watch: then it fails */
static const double closer = 0.8;    /* readings may come closer than the interval */
static const double interval_unknown_s = 0.05;
enum { TRIES = 3, FEWEST = 3 }; /* readings that decide */

const char *earliest_fault_name(enum earliest_fault fault)
{
    static const char *const names[] = {"none",    "no_draw", "short",   "low",     "high",
                                        "stalled", "missing", "restart", "drop_out"};
    return names[fault];
}

/* Normal noise that is the same every time. */
static double noise(uint64_t *state)
{
    double sum = -6;
    for (int i = 0; i < 12; i++) {
        *state = *state * 6364136223846793005u + 1442695040888963407u;
        sum += (double)(*state >> 11) / 9007199254740992.0;
    }
    return sum;
}

static double interval_of(const struct reference *reference)
{
    return reference->reading_interval_s > 0 ? reference->reading_interval_s : interval_unknown_s;
}

static double square(double x)
{
    return x * x;
}

/* How long a phase lasts in a unit as the type is in the mean. */
static double lasts_s(const struct reference *reference, size_t p)
{
    if (p + 1 < reference->phase_count)
        return reference->phases[p].duration_s;
    double began = 0;
    for (size_t i = 0; i < p; i++)
        began += reference->phases[i].duration_s;
    return fmax(reference->watch_s - began, 0);
}

/* What a phase draws at a time since its beginning; pulses as their two levels. */
static double drawn_A(const struct reference_phase *phase, double since_s)
{
    struct shape_band band = follow_shape(phase, since_s, 0);
    double duty = (phase->level_A - band.low_A) / (band.high_A - band.low_A);
    bool pulses = phase->kind == PHASE_PERIODIC && phase->longest_below_s > 0 &&
                  phase->longest_above_s > 0 && duty > 0 && duty < 1;
    if (!pulses)
        return band.mean_A;
    double above = fmin(phase->longest_above_s, phase->longest_below_s * duty / (1 - duty));
    double below = above * (1 - duty) / duty;
    return fmod(since_s, above + below) < below ? band.low_A : band.high_A;
}

/* The draw of the unit with the fault, at a time from onset. */
static double draw_at_A(const struct reference *reference, const struct earliest *fault,
                        double time_s)
{
    size_t k = (size_t)(fault->phase < 0 ? 0 : fault->phase);
    if (fault->fault == EARLIEST_NO_DRAW)
        return 0;
    size_t p = 0;
    double since = time_s;
    for (; p < reference->phase_count; p++) {
        bool here = p == k && fault->phase >= 0;
        bool last = p + 1 == reference->phase_count;
        double lasts = lasts_s(reference, p);
        bool falls =
            here && (fault->fault == EARLIEST_RESTART || fault->fault == EARLIEST_DROP_OUT);
        if (here && fault->fault == EARLIEST_MISSING)
            continue;
        if (falls && last)
            lasts *= last_part;
        if (falls && since >= lasts)
            return fault->fault == EARLIEST_RESTART ? drawn_A(&reference->phases[0], since - lasts)
                                                    : 0;
        if ((last && !falls) || (here && fault->fault == EARLIEST_STALLED) || since < lasts)
            break;
        since -= lasts;
    }
    if (p == reference->phase_count)
        p--;
    double factor = 1;
    double share = reference->smallest_level_fault;
    if (p == k && fault->phase >= 0)
        factor = fault->fault == EARLIEST_LOW    ? 1 - share
                 : fault->fault == EARLIEST_HIGH ? 1 + share
                                                 : 1;
    return factor * drawn_A(&reference->phases[p], since);
}

static double noise_at_A(const struct reference *reference, double current_A)
{
    double least = INFINITY;
    double noise_A = 0;
    double step = reference->accuracy.current_resolution_A;
    for (size_t p = 0; p < reference->phase_count; p++) {
        double away = fabs(reference->phases[p].level_A - current_A);
        if (away >= least)
            continue;
        least = away;
        noise_A = sqrt(fmax(square(reference->phases[p].noise_A) - step * step / 12, 0));
    }
    return noise_A;
}

/* One made-up power-up, judged: seconds to a bad verdict (a good one, without a
 * fault); NAN: it is another. */
static double judged_s(const struct reference *reference, const struct earliest *fault,
                       uint64_t seed)
{
    struct judge *judge = judge_create(reference, NULL);
    if (!judge)
        return NAN;
    double volts = isnan(reference->compared_at_V) ? nominal_unknown_V : reference->compared_at_V;
    double interval = interval_of(reference);
    double step = reference->accuracy.current_resolution_A;
    uint64_t state = seed * 2654435761u + 1;
    double phase = (double)(seed % TRIES) / TRIES; /* onset falls anywhere between readings */
    double until = before_s + reference->watch_s + after_watch_s + 2 * interval;
    bool settled = false;
    for (double t = phase * interval; t < until && !settled; t += interval) {
        bool on = t >= before_s;
        double current = on ? draw_at_A(reference, fault, t - before_s) : 0;
        bool shorted = on && fault->fault == EARLIEST_SHORT;
        if (shorted)
            current = short_A;
        current += noise_at_A(reference, current) * noise(&state);
        if (step > 0)
            current = nearbyint(current / step) * step;
        struct reading reading = {.time_s = t,
                                  .voltage_V = shorted ? short_V
                                               : on    ? volts
                                                       : 0,
                                  .current_A = current,
                                  .valid = true,
                                  .output_on = FLAG_UNKNOWN,
                                  .limited = FLAG_UNKNOWN};
        reading.voltage_V += 0.002 * noise(&state) * (on && !shorted);
        reading_quantise(&reading);
        settled = judge_read(judge, &reading);
    }
    judge_end(judge);
    const struct verdict *verdict = judge_verdict(judge);
    enum verdict_kind wanted = fault->fault == EARLIEST_NONE ? VERDICT_GOOD : VERDICT_BAD;
    double at = verdict->final && verdict->kind == wanted ? verdict->decided_at_s : (double)NAN;
    judge_destroy(judge);
    return at;
}

static int compare_numbers(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The middle one of a few tries; one that fails counts as never. */
static double usual_s(const struct reference *reference, const struct earliest *fault)
{
    double at[TRIES];
    for (int i = 0; i < TRIES; i++) {
        at[i] = judged_s(reference, fault, (uint64_t)i);
        if (isnan(at[i]))
            at[i] = INFINITY;
    }
    qsort(at, TRIES, sizeof *at, compare_numbers);
    return isinf(at[TRIES / 2]) ? (double)NAN : at[TRIES / 2];
}

/* When a phase begins in the fastest unit. */
static double begins_s(const struct reference *reference, size_t phase)
{
    double begins = 0;
    for (size_t p = 0; p < phase; p++)
        begins += fmax(reference->phases[p].duration_low_s - reference->refresh_s, 0);
    return begins;
}

static double earliest_s(const struct reference *reference, const struct earliest *fault)
{
    double readings = (FEWEST - 1) * closer * interval_of(reference);
    size_t k = (size_t)(fault->phase < 0 ? 0 : fault->phase);
    bool last = k + 1 == reference->phase_count;
    switch (fault->fault) {
    case EARLIEST_NONE:
        return reference->watch_s -
               fmin(interval_of(reference) / closer, 0.05 * reference->watch_s);
    case EARLIEST_STALLED:
        return begins_s(reference, k) + reference->phases[k].duration_high_s;
    case EARLIEST_RESTART:
    case EARLIEST_DROP_OUT:
        return begins_s(reference, last ? k : k + 1) + readings;
    default:
        return begins_s(reference, k) + readings;
    }
}

static void add(const struct reference *reference, enum earliest_fault fault, int phase,
                struct earliest *found, size_t *count)
{
    struct earliest one = {.fault = fault, .phase = phase};
    one.earliest_s = earliest_s(reference, &one);
    one.usual_s = usual_s(reference, &one);
    found[(*count)++] = one;
}

static int compare_earliest(const void *a, const void *b)
{
    const struct earliest *x = a;
    const struct earliest *y = b;
    if ((x->fault == EARLIEST_NONE) != (y->fault == EARLIEST_NONE))
        return x->fault == EARLIEST_NONE ? 1 : -1;
    int order = compare_numbers(&x->earliest_s, &y->earliest_s);
    if (order)
        return order;
    return x->fault != y->fault ? (int)x->fault - (int)y->fault : x->phase - y->phase;
}

size_t earliest_find(const struct reference *reference, struct earliest *found)
{
    size_t count = 0;
    if (reference->phase_count == 0) {
        found[0] = (struct earliest){.fault = EARLIEST_NONE,
                                     .phase = -1,
                                     .earliest_s = reference->watch_s,
                                     .usual_s = reference->watch_s};
        return 1;
    }
    add(reference, EARLIEST_NO_DRAW, -1, found, &count);
    add(reference, EARLIEST_SHORT, -1, found, &count);
    for (size_t p = 0; p < reference->phase_count; p++) {
        bool last = p + 1 == reference->phase_count;
        add(reference, EARLIEST_LOW, (int)p, found, &count);
        add(reference, EARLIEST_HIGH, (int)p, found, &count);
        if (!last)
            add(reference, EARLIEST_STALLED, (int)p, found, &count);
        if (p > 0 && !last)
            add(reference, EARLIEST_MISSING, (int)p, found, &count);
        if (p > 0)
            add(reference, EARLIEST_RESTART, (int)p, found, &count);
        add(reference, EARLIEST_DROP_OUT, (int)p, found, &count);
    }
    add(reference, EARLIEST_NONE, -1, found, &count);
    qsort(found, count, sizeof *found, compare_earliest);
    return count;
}

static void say_fault(const struct reference *reference, const struct earliest *one, char *text,
                      size_t size)
{
    int phase = one->phase + 1;
    size_t count = reference->phase_count;
    double percent = 100 * reference->smallest_level_fault;
    switch (one->fault) {
    case EARLIEST_NONE:
        snprintf(text, size, "a good unit");
        break;
    case EARLIEST_NO_DRAW:
        snprintf(text, size, "no draw");
        break;
    case EARLIEST_SHORT:
        snprintf(text, size, "a short");
        break;
    case EARLIEST_LOW:
    case EARLIEST_HIGH:
        if ((size_t)phase == count)
            snprintf(text, size, "a final draw %.3g %% too %s", percent,
                     earliest_fault_name(one->fault));
        else
            snprintf(text, size, "phase %d of %zu %.3g %% too %s", phase, count, percent,
                     earliest_fault_name(one->fault));
        break;
    case EARLIEST_STALLED:
        snprintf(text, size, "phase %d of %zu late or stalled", phase, count);
        break;
    case EARLIEST_MISSING:
        snprintf(text, size, "phase %d of %zu missing", phase, count);
        break;
    case EARLIEST_RESTART:
        snprintf(text, size, "a restart from phase %d of %zu", phase, count);
        break;
    case EARLIEST_DROP_OUT:
        snprintf(text, size, "the draw gone after phase %d of %zu", phase, count);
        break;
    }
}

void earliest_say(const struct reference *reference, const struct earliest *one, char *text,
                  size_t size)
{
    char fault[80];
    say_fault(reference, one, fault, sizeof fault);
    const char *word = one->fault == EARLIEST_NONE ? "good" : "bad";
    if (isnan(one->usual_s))
        snprintf(text, size, "%s: not told by this supply", fault);
    else
        snprintf(text, size, "%s: %s at %.3g s, never before %.3g s", fault, word, one->usual_s,
                 one->earliest_s);
}

json_t *earliest_to_json(const struct reference *reference)
{
    struct earliest *found = calloc(EARLIEST_MOST, sizeof *found);
    json_t *list = json_array();
    size_t count = found ? earliest_find(reference, found) : 0;
    for (size_t i = 0; list && i < count; i++) {
        const struct earliest *one = &found[i];
        char text[160];
        earliest_say(reference, one, text, sizeof text);
        bool good = one->fault == EARLIEST_NONE;
        json_t *item = json_pack(
            "{s:s, s:o, s:o, s:f, s:o, s:s}", "verdict", good ? "good" : "bad", "fault",
            good ? json_null() : json_string(earliest_fault_name(one->fault)), "phase",
            one->phase < 0 ? json_null() : json_integer(one->phase), "earliest_s", one->earliest_s,
            "usual_s", isnan(one->usual_s) ? json_null() : json_real(one->usual_s), "text", text);
        json_array_append_new(list, item);
    }
    free(found);
    return list;
}
