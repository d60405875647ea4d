/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/swing.h"

#include "signature/swing_wave.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    FEWEST_CLIMBS = 5, /* up and down in turn */
    BINS_A_PERIOD = 16,
    MOST_RATIO = 7, /* of a period found to the swing's own */
};

#define FOLLOWS_BEFORE 0.15 /* squares of autocorrelations that are worth a look */
#define BIG_CLIMB 2.5       /* of the usual: leads to the swing and is none of it */
#define TURN_SHARE 0.3      /* of a great climb: the least that turns */
#define STEPS_SOME 1.3      /* levels a climb: not the two of pulses */
#define STEPS_MANY 1.8      /* no pulses at all */
#define SMOOTH_FORETOLD 0.1 /* of the squares: less than pulses leave */
#define SAME_PERIOD 0.15    /* share: neighbours that are one */

/* --- one level whose readings follow from those before --- */

/* Autocorrelations at one fresh reading, cos a of a wave that turns by a from one
 * to the next, and at two, cos 2 a: their squares make 7/16 or more of its share's
 * whatever a is. It also crosses its mean again and again, as no trend does. */
static bool follows_before(const struct series *series, size_t first, size_t end)
{
    size_t lag = (size_t)fmax(1, nearbyint(series->noise.repeats));
    if (end - first < 2 * lag + (size_t)SWING_FEWEST_POINTS * lag)
        return false;
    double mean = 0;
    size_t used = 0;
    for (size_t i = first; i < end; i++) {
        mean += series->masked[i] ? 0 : series->current_A[i];
        used += !series->masked[i];
    }
    mean /= (double)(used ? used : 1);
    double square = 0;
    double one = 0;
    double two = 0;
    double side = 0;
    size_t crossings = 0;
    for (size_t i = first; i + 2 * lag < end; i++) {
        double d = series->masked[i] ? 0 : series->current_A[i] - mean;
        double d1 = series->masked[i + lag] ? 0 : series->current_A[i + lag] - mean;
        double d2 = series->masked[i + 2 * lag] ? 0 : series->current_A[i + 2 * lag] - mean;
        square += d * d;
        one += d * d1;
        two += d * d2;
        crossings += d * side < 0;
        side = d != 0 ? d : side;
    }
    return crossings >= FEWEST_CLIMBS - 1 &&
           one * one + two * two >= FOLLOWS_BEFORE * square * square;
}

/* An octave of periods at a time, in bins the wider the longer they are. */
static int find_in_level(const struct series *series, size_t first, size_t end, struct wave *wave)
{
    double fresh_s = swing_fresh_s(series);
    double length_s = series->time_s[end - 1] - series->time_s[first];
    for (size_t bin = 1;; bin *= 2) {
        double high_Hz = 1 / (SWING_READINGS_LEAST * fresh_s * (double)bin);
        if (high_Hz <= SWING_PERIODS_LEAST / length_s)
            return 0;
        struct points points;
        swing_gather(series, first, end, bin, false, &points);
        int found =
            swing_find_wave(&points, 0.45 * high_Hz, high_Hz, 0, series->noise.count_A, wave);
        if (found != 0)
            return found;
    }
}

/* --- levels that go up and down in turn --- */

/* From a turn to the next: levels from..to, of which the greatest step leads into
 * level `steepest`. */
struct climb {
    size_t from, to, steepest;
    double height_A;
};

/* Turns back by less than least_A are none. */
static size_t find_climbs(const struct shapes *shapes, size_t first, size_t end, double least_A,
                          struct climb *climbs)
{
    size_t count = 0;
    size_t from = first;   /* the last turn */
    size_t utmost = first; /* the level that is farthest from it so far */
    for (size_t k = first + 1; k <= end; k++) {
        double way_A = shapes->items[utmost].level_A - shapes->items[from].level_A;
        double back_A =
            k < end ? shapes->items[k].level_A - shapes->items[utmost].level_A : (double)INFINITY;
        if (k < end && (way_A == 0 || back_A * way_A > 0)) {
            if (way_A != 0 || fabs(back_A) >= least_A)
                utmost = k;
            continue;
        }
        if (k < end && fabs(back_A) < least_A)
            continue;
        if (way_A == 0)
            break;
        climbs[count] = (struct climb){.from = from, .to = utmost, .height_A = way_A};
        double steepest_A = 0;
        for (size_t i = from + 1; i <= utmost; i++) {
            double step_A = fabs(shapes->items[i].level_A - shapes->items[i - 1].level_A);
            if (step_A > steepest_A) {
                steepest_A = step_A;
                climbs[count].steepest = i;
            }
        }
        count++;
        from = utmost;
        utmost = k < end ? k : utmost;
    }
    return count;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Height of the climb that so many of them reach; `heights` holds room. */
static double height_of_share(const struct climb *climbs, size_t count, double share,
                              double *heights)
{
    for (size_t k = 0; k < count; k++)
        heights[k] = fabs(climbs[k].height_A);
    qsort(heights, count, sizeof *heights, by_size);
    return heights[(size_t)(share * (double)count)];
}

/* Levels first..end-1, up and down `climbs` times. */
static int find_in_climbs(const struct series *series, const struct shapes *shapes, size_t first,
                          size_t end, size_t climbs, struct wave *wave)
{
    size_t from = shapes->items[first].first;
    size_t to = shapes->items[end - 1].end;
    double length_s = series->time_s[to - 1] - series->time_s[from];
    double guess_Hz = 0.5 * (double)climbs / length_s;
    double highest_Hz = 1 / (SWING_READINGS_LEAST * swing_fresh_s(series));
    double fresh = (double)(to - from) / series->noise.repeats;
    size_t bin = (size_t)fmax(1, fresh / (0.5 * (double)climbs * BINS_A_PERIOD));
    struct points points;
    swing_gather(series, from, to, bin, true, &points);
    return swing_find_wave(&points, guess_Hz / 2.5, fmin(2.5 * guess_Hz, highest_Hz), 0,
                           series->noise.count_A, wave);
}

/* Puts the swing in the place of what it covers of levels. */
static int put_in(const struct series *series, struct shapes *shapes, const struct stretch *swing)
{
    struct shape *room = malloc((shapes->count + 2) * sizeof *room);
    if (!room)
        return -1;
    size_t count = 0;
    bool in = false;
    for (size_t k = 0; k < shapes->count; k++) {
        struct shape shape = shapes->items[k];
        if (shape.end <= swing->first || shape.first >= swing->end) {
            room[count++] = shape;
            continue;
        }
        if (shape.first < swing->first)
            room[count++] = shape_fit(series, shape.first, swing->first, PHASE_LEVEL);
        if (!in)
            room[count++] = (struct shape){.kind = PHASE_PERIODIC,
                                           .first = swing->first,
                                           .end = swing->end,
                                           .level_A = swing_mean_A(series->time_s + swing->first,
                                                                   series->current_A + swing->first,
                                                                   swing->end - swing->first,
                                                                   swing->wave.period_s),
                                           .period_s = swing->wave.period_s,
                                           .about_A = swing->wave.deviation};
        in = true;
        if (shape.end > swing->end)
            room[count++] = shape_fit(series, swing->end, shape.end, PHASE_LEVEL);
    }
    free(shapes->items);
    shapes->items = room;
    shapes->count = count;
    return 0;
}

/* Levels first..end-1 of a row of them from reading least to most. 1: one was put
 * in, 0: none, -1: memory is out. */
static int put_swing(const struct series *series, struct shapes *shapes, const struct stretch *core,
                     bool from_middle, size_t least, size_t most)
{
    struct stretch swing = *core;
    swing_follow(series, &swing, from_middle, least, most);
    if (!swing_settle(series, &swing))
        return 0;
    return put_in(series, shapes, &swing) == 0 ? 1 : -1;
}

/* Levels from..to-1, up and down by these climbs: those between the outer turns,
 * where so many are left, then all. */
static int try_part(const struct series *series, struct shapes *shapes, const struct climb *climbs,
                    size_t count, size_t from, size_t to, bool smooth, const struct stretch *row)
{
    for (int outer = count >= FEWEST_CLIMBS + 3 ? 0 : 1; outer < 2; outer++) {
        size_t first = outer ? from : climbs[1].from;
        size_t end = outer ? to : climbs[count - 2].to + 1;
        size_t within = outer ? count : count - 2;
        double steps_a_climb = (double)(end - first - 1) / (double)within;
        if (smooth && steps_a_climb < STEPS_SOME)
            return 0;
        struct stretch core = {.first = shapes->items[first].first,
                               .end = shapes->items[end - 1].end};
        int found = find_in_climbs(series, shapes, first, end, within, &core.wave);
        if (found == 1 && smooth && steps_a_climb < STEPS_MANY &&
            core.wave.foretold > SMOOTH_FORETOLD)
            return 0;
        if (found == 1)
            found = put_swing(series, shapes, &core, true, row->first, row->end);
        if (found != 0)
            return found;
    }
    return 0;
}

/* Parts of a row of levels between climbs that are far greater than its usual
 * ones. */
static int try_climbs(const struct series *series, struct shapes *shapes, size_t first, size_t end,
                      bool smooth, const struct stretch *row)
{
    if (end - first <= FEWEST_CLIMBS)
        return 0;
    struct climb *climbs = malloc((end - first) * sizeof *climbs);
    double *heights = malloc((end - first) * sizeof *heights);
    int found = climbs && heights ? 0 : -1;
    size_t count = found == 0 ? find_climbs(shapes, first, end, 0, climbs) : 0;
    double big_A = INFINITY;
    if (count >= FEWEST_CLIMBS) {
        /* What turns back by a part of the greater ones is noise. */
        double turn_A = TURN_SHARE * height_of_share(climbs, count, 0.75, heights);
        count = find_climbs(shapes, first, end, turn_A, climbs);
    }
    if (count >= FEWEST_CLIMBS)
        big_A = BIG_CLIMB * height_of_share(climbs, count, 0.5, heights);
    size_t from = first;
    size_t since = 0;
    for (size_t k = 0; found == 0 && count >= FEWEST_CLIMBS && k <= count; k++) {
        if (k < count && !(fabs(climbs[k].height_A) > big_A))
            continue;
        size_t to = k < count ? climbs[k].steepest : end;
        if (k - since >= FEWEST_CLIMBS)
            found = try_part(series, shapes, climbs + since, k - since, from, to, smooth, row);
        from = to;
        since = k + 1;
    }
    free(climbs);
    free(heights);
    return found;
}

/* All of a level; then most of it, as it may have taken in what leads to it. */
static int try_levels(const struct series *series, struct shapes *shapes, size_t first, size_t end,
                      const struct stretch *row)
{
    for (size_t k = first; k < end; k++) {
        struct stretch core = {.first = shapes->items[k].first, .end = shapes->items[k].end};
        if (!follows_before(series, core.first, core.end))
            continue;
        for (int part = 0; part < 2; part++) {
            core.first += (size_t)part * (core.end - core.first) / 3;
            int found = find_in_level(series, core.first, core.end, &core.wave);
            if (found == 1)
                found = put_swing(series, shapes, &core, true, row->first, row->end);
            if (found != 0)
                return found;
        }
    }
    return 0;
}

/* A whole number of times the period of the other. */
static bool is_same(const struct shape *a, const struct shape *b)
{
    double ratio = fmax(a->period_s, b->period_s) / fmin(a->period_s, b->period_s);
    return fabs(ratio - nearbyint(ratio)) < SAME_PERIOD * nearbyint(ratio) && ratio < MOST_RATIO;
}

/* Pulses whose neighbours are shorter than a period, or move: part of a swing that
 * was taken for pulses. */
static bool is_ragged(const struct series *series, const struct shapes *shapes, size_t k)
{
    const struct shape *shape = &shapes->items[k];
    double low_A = INFINITY;
    double high_A = -INFINITY;
    for (size_t i = shape->first; i < shape->end; i++) {
        low_A = fmin(low_A, series->current_A[i]);
        high_A = fmax(high_A, series->current_A[i]);
    }
    for (int side = -1; side <= 1; side += 2) {
        if ((side < 0 && k == 0) || (side > 0 && k + 1 == shapes->count))
            continue;
        const struct shape *next = side < 0 ? shape - 1 : shape + 1;
        bool outer = next->first == 0 || next->end == series->count;
        double lasts_s = series->time_s[next->end - 1] - series->time_s[next->first];
        bool within = next->level_A > low_A && next->level_A < high_A;
        if (next->kind == PHASE_PERIODIC ? is_same(shape, next)
                                         : (within && !outer && lasts_s < shape->period_s) ||
                                               follows_before(series, next->first, next->end))
            return true;
    }
    return false;
}

/* Of pulses: their period may be several of a swing's, and what is about them
 * more of it. */
static int try_pulses(const struct series *series, struct shapes *shapes, size_t k)
{
    enum { STEPS_OF_TWO = 4 };
    if (shapes->items[k].about_A > 0)
        return 0;
    bool ragged = is_ragged(series, shapes, k);
    size_t steps = shapes->items[k].origin;
    bool several = steps >= STEPS_OF_TWO;
    if (!ragged && !several)
        return 0;
    struct stretch core = {.first = shapes->items[k].first, .end = shapes->items[k].end};
    double guess_Hz = 1 / shapes->items[k].period_s;
    double highest_Hz = (1 + SAME_PERIOD) * (several ? 0.5 * (double)steps : 1) * guess_Hz;
    double fresh = (double)(core.end - core.first) / series->noise.repeats;
    double length_s = series->time_s[core.end - 1] - series->time_s[core.first];
    struct points points;
    swing_gather(series, core.first, core.end,
                 (size_t)fmax(1, fresh / (length_s * highest_Hz * BINS_A_PERIOD)), true, &points);
    int found = swing_find_wave(
        &points, guess_Hz * (1 - SAME_PERIOD),
        fmin(highest_Hz, 1 / (SWING_READINGS_LEAST * swing_fresh_s(series))),
        ragged ? 0 : guess_Hz / (1 - SAME_PERIOD), series->noise.count_A, &core.wave);
    if (found != 1)
        return found;
    struct wave doubled = core.wave;
    struct samples_in_time samples = swing_in_time(&points);
    doubled.period_s *= 2;
    doubled.harmonics = 2;
    bool shorter = core.wave.period_s * guess_Hz < 1 - SAME_PERIOD;
    if (!shorter && !ragged)
        return 0;
    if (shorter && wave_fit(&samples, &doubled) &&
        doubled.left < (1 - SWING_SECOND_GAIN) * core.wave.left)
        return 0;
    size_t least = core.first;
    size_t most = core.end;
    for (size_t i = k; i-- > 0 && (shapes->items[i].kind == PHASE_LEVEL ||
                                   is_same(&shapes->items[i], &shapes->items[k]));)
        least = shapes->items[i].first;
    for (size_t i = k + 1; i < shapes->count && (shapes->items[i].kind == PHASE_LEVEL ||
                                                 is_same(&shapes->items[i], &shapes->items[k]));
         i++)
        most = shapes->items[i].end;
    size_t before = core.end - core.first;
    swing_follow(series, &core, false, least, most);
    if ((!shorter && core.end - core.first == before) || !swing_settle(series, &core))
        return 0;
    return put_in(series, shapes, &core) == 0 ? 1 : -1;
}

/* Neighbours of one period, nothing worth a phase between them, are one. */
static bool join_same(const struct series *series, struct shapes *shapes, size_t k)
{
    struct shape *a = &shapes->items[k];
    size_t next = k + 1;
    while (next < shapes->count && shapes->items[next].kind == PHASE_LEVEL)
        next++;
    if (next >= shapes->count)
        return false;
    const struct shape *b = &shapes->items[next];
    double period_s = 0.5 * (a->period_s + b->period_s);
    if (fabs(a->period_s - b->period_s) > SAME_PERIOD * period_s ||
        series->time_s[b->first] - series->time_s[a->end - 1] > period_s)
        return false;
    double a_s = series->time_s[a->end - 1] - series->time_s[a->first];
    double b_s = series->time_s[b->end - 1] - series->time_s[b->first];
    a->period_s = (a->period_s * a_s + b->period_s * b_s) / (a_s + b_s);
    a->end = b->end;
    a->level_A = swing_mean_A(series->time_s + a->first, series->current_A + a->first,
                              a->end - a->first, a->period_s);
    memmove(a + 1, shapes->items + next + 1, (shapes->count - next - 1) * sizeof *a);
    shapes->count -= next - k;
    return true;
}

/* One more swing: 1; none: 0; -1: memory is out. */
static int find_one(const struct series *series, struct shapes *shapes, bool smooth)
{
    for (size_t from = 0; from < shapes->count;) {
        if (shapes->items[from].kind == PHASE_PERIODIC) {
            int found = smooth ? 0 : try_pulses(series, shapes, from);
            if (found != 0)
                return found;
            from++;
            continue;
        }
        size_t end = from;
        while (end < shapes->count && shapes->items[end].kind != PHASE_PERIODIC)
            end++;
        const struct stretch row = {.first = shapes->items[from].first,
                                    .end = shapes->items[end - 1].end};
        int found = try_climbs(series, shapes, from, end, smooth, &row);
        if (found == 0 && !smooth)
            found = try_levels(series, shapes, from, end, &row);
        if (found != 0)
            return found;
        from = end;
    }
    return 0;
}

int shapes_find_swings(const struct series *series, struct shapes *shapes, bool smooth)
{
    enum { MOST_SWINGS = 8 };
    int found = 1;
    size_t count = 0;
    for (; found == 1 && count < MOST_SWINGS; count++)
        found = find_one(series, shapes, smooth);
    if (found < 0)
        return -1;
    for (size_t k = 0; count > 1 && k < shapes->count; k++)
        while (shapes->items[k].kind == PHASE_PERIODIC && join_same(series, shapes, k))
            continue;
    return 0;
}
