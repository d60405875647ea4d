/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/segment.h"

#include "signature/levels.h"
#include "signature/shape.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PENALTY_LOGS 6.0 /* penalty in units of ln n */
#define BOUND_SHARE 0.75 /* of the penalty: three readings make a phase, one does not */
#define LEAST_COUNT 20.0 /* the penalty of shorter rows */
#define MOST_INFLATION 4.0
#define SHORTEST_INTERVALS                                                                         \
    1.5 /* from first reading to last: two intervals, uneven polling allowed */

static void series_clear(struct series *series)
{
    free(series->time_s);
    free(series->current_A);
    free(series->weight);
    free(series->reading);
    free(series->masked);
    free(series->scratch);
    *series = (struct series){0};
}

static double median_interval(const struct series *series, double *gaps)
{
    if (series->count < 2)
        return 0;
    for (size_t i = 1; i < series->count; i++)
        gaps[i - 1] = series->time_s[i] - series->time_s[i - 1];
    return gsl_stats_select(gaps, 1, series->count - 1, (series->count - 1) / 2);
}

static int series_gather(const struct reading *readings, size_t count, struct series *series)
{
    *series = (struct series){0};
    size_t room = count ? count : 1;
    series->time_s = malloc(room * sizeof *series->time_s);
    series->current_A = malloc(room * sizeof *series->current_A);
    series->weight = malloc(room * sizeof *series->weight);
    series->reading = malloc(room * sizeof *series->reading);
    series->masked = calloc(room, sizeof *series->masked);
    series->scratch = malloc(4 * room * sizeof *series->scratch);
    if (!series->time_s || !series->current_A || !series->weight || !series->reading ||
        !series->masked || !series->scratch)
        return -1;
    for (size_t i = 0; i < count; i++) {
        if (!readings[i].valid || !isfinite(readings[i].current_A))
            continue;
        series->time_s[series->count] = readings[i].time_s;
        series->current_A[series->count] = readings[i].current_A;
        series->reading[series->count++] = i;
    }
    series->interval_s = median_interval(series, series->weight);
    return 0;
}

static int series_learn(struct series *series, const struct segment_options *options)
{
    struct noise *noise = &series->noise;
    /* What series_gather took is given back by series_clear, at the caller's end. */
    // NOLINTBEGIN(clang-analyzer-unix.Malloc)
    if (noise_learn_local(series->current_A, series->count, options->resolution_A, noise,
                          series->weight) != 0)
        return -1;
    for (size_t i = 0; i < series->count; i++)
        series->weight[i] = 1 / (series->weight[i] * series->weight[i] * noise->repeats);
    // NOLINTEND(clang-analyzer-unix.Malloc)
    double fresh = fmax(LEAST_COUNT, (double)series->count / noise->repeats);
    double factor = options->penalty_factor > 0 ? options->penalty_factor : 1;
    double inflation = fmin(MOST_INFLATION, (1 + noise->correlation) / (1 - noise->correlation));
    series->penalty = factor * inflation * PENALTY_LOGS * log(fresh);
    series->bound = BOUND_SHARE * series->penalty / noise->repeats;
    return 0;
}

/* The exact cut into levels, as shapes. */
static int cut_levels(struct series *series, struct shapes *shapes)
{
    struct level_cut cut;
    struct level_problem problem = {.values = series->current_A,
                                    .weights = series->weight,
                                    .count = series->count,
                                    .penalty = series->penalty,
                                    .bound = series->bound};
    if (levels_cut(&problem, &cut) != 0)
        return -1;
    shapes->items = malloc(cut.count * sizeof *shapes->items);
    if (!shapes->items) {
        level_cut_clear(&cut);
        return -1;
    }
    for (size_t k = 0; k < cut.count; k++) {
        size_t end = k + 1 < cut.count ? cut.starts[k + 1] : series->count;
        for (size_t i = cut.starts[k]; i < end; i++) {
            double d = series->current_A[i] - cut.levels[k];
            series->masked[i] = series->weight[i] * d * d >= series->bound;
        }
        shapes->items[k] = shape_fit(series, cut.starts[k], end, PHASE_LEVEL);
    }
    shapes->count = cut.count;
    level_cut_clear(&cut);
    return 0;
}

/* Three conversions make a phase; the first may have been shown for less. */
static size_t least_readings(const struct series *series)
{
    return (size_t)ceil(2.5 * series->noise.repeats);
}

static bool is_short(const struct series *series, const struct shape *shape)
{
    return shape->end - shape->first < least_readings(series) ||
           series->time_s[shape->end - 1] - series->time_s[shape->first] <
               SHORTEST_INTERVALS * series->interval_s;
}

/* What is too short for a phase leads to the next, the last one ends the phase
 * before: edges that a conversion mixes, a current limit's first instants. */
static void join_short(struct series *series, struct shapes *shapes)
{
    for (size_t k = shapes->count; k-- > 0 && shapes->count > 1;) {
        struct shape *shape = &shapes->items[k];
        if (shape->kind == PHASE_PERIODIC || !is_short(series, shape))
            continue;
        bool last = k + 1 == shapes->count;
        struct shape *taker = last ? shape - 1 : shape + 1;
        if (last)
            taker->end = shape->end;
        else
            taker->first = shape->first;
        if (taker->kind != PHASE_PERIODIC)
            shape_mask(series, taker);
        memmove(shape, shape + 1, (shapes->count - k - 1) * sizeof *shape);
        shapes->count--;
    }
}

static bool leads_to(const struct series *series, size_t reading, const struct shape *a,
                     const struct shape *b)
{
    double from_A = shape_at(a, series->time_s[reading]);
    return (series->current_A[reading] > from_A) == (b->level_A > from_A);
}

/* A reading that no longer fits the level before is the first that shows the
 * next phase, though it may be a mixture of both. */
static void give_edges(struct series *series, struct shapes *shapes)
{
    size_t least = least_readings(series);
    for (size_t k = 1; k < shapes->count; k++) {
        struct shape *a = &shapes->items[k - 1];
        struct shape *b = &shapes->items[k];
        while (a->end > a->first + least && series->masked[a->end - 1] &&
               leads_to(series, a->end - 1, a, b)) {
            a->end--;
            b->first--;
        }
    }
}

/* Noise anew, from the differences inside each phase: at few readings a second
 * a stretch about a reading reaches over phases of other noise. */
static int relearn_within(struct series *series, const struct shapes *shapes)
{
    double *sizes = malloc(series->count * sizeof *sizes);
    if (!sizes)
        return -1;
    struct noise *noise = &series->noise;
    /* What the row seemed to be noisy by may have been a swing. */
    for (size_t k = 0; k < shapes->count; k++)
        if (shapes->items[k].about_A > 0)
            noise->deviation_A =
                fmin(noise->deviation_A, fmax(noise->floor_A, shapes->items[k].about_A));
    for (size_t k = 0; k < shapes->count; k++) {
        const struct shape *shape = &shapes->items[k];
        if (shape->kind == PHASE_PERIODIC)
            continue;
        double deviation_A = noise_within(series->current_A + shape->first,
                                          shape->end - shape->first, &series->noise, sizes);
        for (size_t i = shape->first; i < shape->end; i++)
            series->weight[i] = 1 / (deviation_A * deviation_A * series->noise.repeats);
    }
    free(sizes);
    memset(series->masked, 0, series->count * sizeof *series->masked);
    return 0;
}

static bool is_between(double value, double a, double b)
{
    return value > fmin(a, b) && value < fmax(a, b);
}

static int note_spikes(const struct series *series, const struct shapes *shapes,
                       struct phases *phases)
{
    size_t room = 0;
    for (size_t i = 0; i < series->count; i++)
        room += series->masked[i];
    if (!room)
        return 0;
    phases->spikes = malloc(room * sizeof *phases->spikes);
    if (!phases->spikes)
        return -1;
    for (size_t k = 0; k < shapes->count; k++) {
        const struct shape *shape = &shapes->items[k];
        double before_A = k ? shapes->items[k - 1].level_A : shape->level_A;
        bool leading = true;
        for (size_t i = shape->first; i < shape->end; i++) {
            double value = series->current_A[i];
            double level_A = shape_at(shape, series->time_s[i]);
            double d = value - level_A;
            leading = leading && series->masked[i];
            if (!series->masked[i] || shape->kind == PHASE_PERIODIC ||
                series->weight[i] * d * d < series->bound ||
                (leading && is_between(value, before_A, level_A)))
                continue;
            phases->spikes[phases->spike_count++] =
                (struct spike){series->reading[i], series->time_s[i], value, level_A};
        }
    }
    return 0;
}

static struct phase describe(const struct series *series, const struct shape *shape)
{
    size_t first = shape->first;
    size_t last = shape->end - 1;
    bool to_end = shape->end == series->count;
    struct phase phase = {.kind = shape->kind,
                          .from_s = series->time_s[first],
                          .to_s = series->time_s[to_end ? last : shape->end],
                          .period_s = shape->kind == PHASE_PERIODIC ? shape->period_s : (double)NAN,
                          .first = series->reading[first],
                          .count = series->reading[last] - series->reading[first] + 1};
    double sum = 0;
    double square = 0;
    size_t used = 0;
    for (size_t i = first; i <= last; i++) {
        if (i + 1 < series->count)
            phase.charge_C += (i < last || !to_end) * 0.5 *
                              (series->current_A[i] + series->current_A[i + 1]) *
                              (series->time_s[i + 1] - series->time_s[i]);
        if (series->masked[i] && shape->kind != PHASE_PERIODIC)
            continue;
        double d = series->current_A[i] - shape_at(shape, series->time_s[i]);
        sum += series->current_A[i];
        square += d * d;
        used++;
    }
    phase.level_A = used && shape->kind != PHASE_PERIODIC ? sum / (double)used : shape->level_A;
    phase.spread_A = used ? sqrt(square / (double)used) : 0;
    double length_s = series->time_s[last] - series->time_s[first];
    if ((shape->kind == PHASE_RAMP || shape->kind == PHASE_DECAY) && length_s > 0)
        phase.slope_A_per_s =
            (shape_at(shape, series->time_s[last]) - shape_at(shape, series->time_s[first])) /
            length_s;
    return phase;
}

static int cut_shapes(struct series *series, struct shape_sums *sums, struct shapes *shapes)
{
    free(shapes->items);
    *shapes = (struct shapes){0};
    if (cut_levels(series, shapes) != 0 || shapes_find_periodic(series, shapes) != 0)
        return -1;
    return shapes_join(series, sums, shapes);
}

/* Twice: the first cut tells each phase's own noise. */
static int cut_twice(struct series *series, struct shapes *shapes)
{
    struct shape_sums *sums = shape_sums_create(series);
    int status = -1;
    if (sums && cut_shapes(series, sums, shapes) == 0 && relearn_within(series, shapes) == 0)
        status = cut_shapes(series, sums, shapes);
    shape_sums_destroy(sums);
    return status;
}

static int cut(struct series *series, const struct segment_options *options, struct shapes *shapes,
               struct phases *phases)
{
    if (series_learn(series, options) != 0 || cut_twice(series, shapes) != 0)
        return -1;
    join_short(series, shapes);
    give_edges(series, shapes);
    phases->items = malloc(shapes->count * sizeof *phases->items);
    if (!phases->items)
        return -1;
    phases->count = shapes->count;
    for (size_t k = 0; k < shapes->count; k++)
        phases->items[k] = describe(series, &shapes->items[k]);
    return note_spikes(series, shapes, phases);
}

int segment_readings(const struct reading *readings, size_t count,
                     const struct segment_options *options, struct phases *phases)
{
    static const struct segment_options usual = {0};
    struct series series;
    struct shapes shapes = {0};
    *phases = (struct phases){0};
    int status = series_gather(readings, count, &series);
    if (status == 0 && series.count)
        status = cut(&series, options ? options : &usual, &shapes, phases);
    if (status != 0)
        phases_clear(phases);
    free(shapes.items);
    series_clear(&series);
    return status;
}
