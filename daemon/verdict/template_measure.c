/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Measuring the phases' levels along a path, a reading at a time.
 */
#include "verdict/template_state.h"

#include <math.h>

enum { FEWEST_RUNNING = 3 };
/* A first reading and what comes as soon after it as no known-good was read may
 * be on the way from one level to the next. */
static const double edge_share = 0.6; /* of the interval taught at */
/* A level that goes on has lasted so many intervals before it is judged. */
static const double running_intervals = 2.5;

struct phase_span template_span(const struct judge *judge, size_t from, size_t to)
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
    struct phase_span span = template_span(judge, from, to);
    level_view_place(&view, &span);
    view.slack_s = fmax(view.slack_s, judge->reference->refresh_s);
    return view;
}

/* A supply that is asked oftener than when it taught may answer the same
 * conversion again and again: what says the same within that time is no new
 * evidence, whether it was converted anew or not. */
double template_repeat_window_s(const struct reference *reference)
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
    double repeat_s = template_repeat_window_s(judge->reference);
    double risen_s = fmax(INRUSH_S, template->risen_s + 1e-9);
    for (size_t i = from; i < to; i++) {
        const struct reading *reading = since_onset(judge, i);
        if (!reading->valid || !fresh_take(&fresh, repeat_s, reading) || i == start ||
            reading->time_s < edge_s || reading->time_s - judge->verdict->onset_s < risen_s)
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

void template_measure_along(const struct judge *judge, const struct path *path, bool over,
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
        /* While the phase goes on its view stays the same. */
        bool goes_on = to == count_since_onset(judge);
        bool viewed = goes_on && sum->goes_on && sum->from == from;
        struct level_view view = viewed ? sum->view : template_view(judge, p, from, to);
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
            *sum = (struct phase_sum){.pace = view.pace, .view = view};
        sum_up(judge, template, p, &view, from, already, end);
        sum->any = true;
        sum->goes_on = goes_on;
        if (!viewed)
            sum->view = view;
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
                        seen_s < fmax(running_intervals * judge->reference->reading_interval_s,
                                      1.25 * pulse_s)))
            template->levels[p].usable = false;
    }
}

void template_measure(struct judge *judge, bool over)
{
    struct template_judge *template = judge->template;
    const struct path *path = follow_best(template->follow);
    if (!path)
        return;
    template_measure_along(judge, path, over, template);
    const struct level_sum *last = &template->sums[path->phase].sum;
    if (last->count > 0)
        judge->verdict->final_draw_A = last->current_A / (double)last->count;
}
