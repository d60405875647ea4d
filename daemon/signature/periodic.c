/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/shape.h"
#include "signature/swing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_STEPS = 12 };

#define PERIOD_SHARE 0.12 /* how much periods may differ */
#define LEVEL_SHARE 0.2   /* how far, in steps, the last level may lie from those it repeats */
#define STEP_SHARE 0.35   /* how much the same step may differ from period to period */

/* A repeating run: steps first.. first + count - 1 (step k leads into level k),
 * `steps` of them a period. */
struct repeat {
    size_t first, count, steps;
    double period_s;
};

static double step_at_s(const struct series *series, const struct shapes *levels, size_t step)
{
    return series->time_s[levels->items[step].first];
}

static double step_A(const struct shapes *levels, size_t step)
{
    return levels->items[step].level_A - levels->items[step - 1].level_A;
}

static bool usable(const struct shapes *levels, size_t step)
{
    return levels->items[step].kind == PHASE_LEVEL && levels->items[step - 1].kind == PHASE_LEVEL;
}

/* Do the steps at `step` and one period later look the same? */
static bool same_step(const struct shapes *levels, size_t step, size_t steps)
{
    if (!usable(levels, step) || !usable(levels, step + steps))
        return false;
    double a = step_A(levels, step);
    double b = step_A(levels, step + steps);
    return fabs(a - b) <= STEP_SHARE * fmax(fabs(a), fabs(b));
}

/* A period leads back to where it began. */
static bool comes_back(const struct shapes *levels, size_t step, size_t steps)
{
    double sum = 0;
    double most = 0;
    for (size_t k = step; k < step + steps; k++) {
        sum += step_A(levels, k);
        most = fmax(most, fabs(step_A(levels, k)));
    }
    return fabs(sum) <= 0.3 * most;
}

/* The longest run from `first` on of steps that repeat after `steps` more. */
static struct repeat run_from(const struct series *series, const struct shapes *levels,
                              size_t first, size_t steps)
{
    struct repeat run = {.first = first, .steps = steps};
    double sum_s = 0;
    size_t matched = 0;
    for (size_t k = first; k + steps < levels->count && same_step(levels, k, steps); k++) {
        double period_s = step_at_s(series, levels, k + steps) - step_at_s(series, levels, k);
        double mean_s = matched ? sum_s / (double)matched : period_s;
        if (fabs(period_s - mean_s) > fmax(PERIOD_SHARE * mean_s, 2.5 * series->interval_s))
            break;
        sum_s += period_s;
        matched++;
    }
    if (matched < 2 * steps || !comes_back(levels, first, steps))
        return run;
    run.count = matched + steps;
    run.period_s = sum_s / (double)matched;
    if (run.period_s < 4 * series->interval_s)
        run.count = 0;
    return run;
}

static struct repeat longest_run(const struct series *series, const struct shapes *levels)
{
    struct repeat best = {0};
    for (size_t steps = 2; steps <= MOST_STEPS; steps++) {
        for (size_t first = 1; first + 3 * steps <= levels->count + 1;) {
            struct repeat run = run_from(series, levels, first, steps);
            if (run.count > best.count)
                best = run;
            first += run.count ? run.count : 1;
        }
    }
    return best;
}

/* Quiet stretches at either end that are no longer than a period belong to it. */
static void make_periodic(const struct series *series, struct shapes *levels,
                          const struct repeat *run)
{
    size_t from = run->first;
    size_t to = run->first + run->count; /* past the last level taken in */
    double slack_s = run->period_s * (1 + PERIOD_SHARE) + series->interval_s;
    double start_s = step_at_s(series, levels, from);
    const struct shape *before = &levels->items[from - 1];
    const struct shape *last = &levels->items[to - 1];
    const struct shape *cycle_end = &levels->items[from + run->steps - 1];
    bool like_cycle =
        fabs(before->level_A - cycle_end->level_A) <= STEP_SHARE * fabs(step_A(levels, from));
    if (like_cycle && start_s - series->time_s[before->first] <= slack_s)
        from--;
    double end_s =
        last->end < series->count ? series->time_s[last->end] : series->time_s[series->count - 1];
    double strays_A = fabs(last->level_A - levels->items[to - 1 - run->steps].level_A);
    if (end_s - series->time_s[last->first] > slack_s ||
        strays_A > LEVEL_SHARE * fabs(step_A(levels, to - 1)))
        to--;
    double sum = 0;
    size_t used = 0;
    size_t whole = run->count / run->steps - (run->count % run->steps == 0);
    size_t first = levels->items[run->first].first;
    size_t end = levels->items[run->first + whole * run->steps].first;
    for (size_t i = first; i < end; i++) {
        sum += series->current_A[i];
        used++;
    }
    struct shape shape = {.kind = PHASE_PERIODIC,
                          .first = levels->items[from].first,
                          .end = levels->items[to - 1].end,
                          .level_A = sum / (double)used,
                          .period_s = run->period_s,
                          .origin = run->steps};
    levels->items[from] = shape;
    memmove(&levels->items[from + 1], &levels->items[to],
            (levels->count - to) * sizeof *levels->items);
    levels->count -= to - from - 1;
}

/* A reading or two that stand out of a level become levels of their own while
 * periods are looked for: short pulses, at few readings a second, look so. */
static int split_spikes(const struct series *series, struct shapes *shapes)
{
    size_t most = (size_t)ceil(2 * series->noise.repeats);
    struct shapes split = {malloc((series->count + 1) * sizeof *split.items), 0};
    if (!split.items)
        return -1;
    for (size_t k = 0; k < shapes->count; k++) {
        struct shape rest = shapes->items[k];
        bool level = rest.kind == PHASE_LEVEL;
        if (level)
            rest.origin = k;
        for (size_t i = rest.first + 1; level && i < rest.end; i++) {
            size_t end = i;
            while (end < rest.end && series->masked[end])
                end++;
            if (end == i || end == rest.end || end - i > most || series->masked[i - 1]) {
                i = end > i ? end : i;
                continue;
            }
            struct shape before = rest;
            before.end = i;
            struct shape spike = rest;
            spike.first = i;
            spike.end = end;
            spike.level_A = 0;
            for (size_t s = i; s < end; s++)
                spike.level_A += series->current_A[s] / (double)(end - i);
            split.items[split.count++] = before;
            split.items[split.count++] = spike;
            rest.first = i = end;
        }
        split.items[split.count++] = rest;
    }
    free(shapes->items);
    *shapes = split;
    return 0;
}

static void join_spikes(const struct series *series, struct shapes *shapes)
{
    size_t kept = 0;
    for (size_t k = 0; k < shapes->count; k++) {
        struct shape *last = kept ? &shapes->items[kept - 1] : NULL;
        if (last && last->kind == PHASE_LEVEL && shapes->items[k].kind == PHASE_LEVEL &&
            last->origin == shapes->items[k].origin)
            last->end = shapes->items[k].end;
        else
            shapes->items[kept++] = shapes->items[k];
    }
    shapes->count = kept;
    for (size_t k = 0; k < kept; k++)
        if (shapes->items[k].kind == PHASE_LEVEL)
            shapes->items[k] =
                shape_fit(series, shapes->items[k].first, shapes->items[k].end, PHASE_LEVEL);
}

int shapes_find_periodic(const struct series *series, struct shapes *shapes)
{
    if (shapes_find_swings(series, shapes, true) != 0 || split_spikes(series, shapes) != 0)
        return -1;
    for (;;) {
        struct repeat run = longest_run(series, shapes);
        if (!run.count)
            break;
        make_periodic(series, shapes, &run);
    }
    join_spikes(series, shapes);
    return shapes_find_swings(series, shapes, false);
}
