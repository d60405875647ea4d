/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "accuracy/generator.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

const struct spreads usual_spreads = {
    .common = 0.015, .own = 0.007, .length = 0.03, .again = 0.003, .length_again = 0.01};

const char *const fault_names[FAULT_COUNT] = {"none",    "stall", "level",    "long",
                                              "missing", "extra", "loop",     "short",
                                              "open",    "drop",  "unsteady", "asleep"};

static uint64_t roll(struct dice *dice)
{
    uint64_t z = (dice->state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

double dice_even(struct dice *dice, double low, double high)
{
    return low + (high - low) * ((double)(roll(dice) >> 11) + 0.5) / 9007199254740992.0;
}

double dice_normal(struct dice *dice)
{
    double radius = sqrt(-2 * log(dice_even(dice, 0, 1)));
    return radius * cos(2 * M_PI * dice_even(dice, 0, 1));
}

int dice_below(struct dice *dice, int count)
{
    return (int)(roll(dice) % (uint64_t)count);
}

static struct step *add_step(struct module_type *type, double level_A, double length_s,
                             double exponent)
{
    struct step *step = &type->steps[type->count++];
    *step = (struct step){
        .level_A = level_A, .end_level_A = level_A, .length_s = length_s, .exponent = exponent};
    return step;
}

void make_type(struct dice *dice, int kind, struct module_type *type)
{
    *type = (struct module_type){.volts = dice_below(dice, 2) ? 13.5 : 26.0,
                                 .inrush_A = dice_even(dice, 0.5, 4)};
    struct step *step = NULL;
    switch (kind) {
    case 0: /* a sensor node of a few tens of milliamperes */
        add_step(type, 0.015, 0.8, 0);
        add_step(type, 0.032, 1.1, 0);
        add_step(type, 0.055, 0.9, 0);
        add_step(type, 0.041, 4, 0);
        break;
    case 1: /* a controller in five steps */
        add_step(type, 0.09, 0.6, 1);
        add_step(type, 0.21, 0.9, -1);
        add_step(type, 0.33, 1.3, -1);
        add_step(type, 0.27, 0.7, -1);
        add_step(type, 0.42, 4, -1);
        break;
    case 2: /* a drive that runs up */
        add_step(type, 0.12, 0.7, 0);
        step = add_step(type, 0.35, 1.6, 0);
        step->end_level_A = 1.3;
        step = add_step(type, 1.95, 4.5, 0);
        step->transient_A = 0.5;
        step->transient_tau_s = 0.12;
        break;
    case 3: /* a store that charges: transients after each step */
        step = add_step(type, 0.18, 0.9, 0);
        step->transient_A = 0.15;
        step->transient_tau_s = 0.2;
        step = add_step(type, 0.5, 1.4, -1);
        step->transient_A = 0.3;
        step->transient_tau_s = 0.35;
        add_step(type, 0.31, 1.0, 1);
        step = add_step(type, 0.62, 4, -1);
        step->transient_A = -0.1;
        step->transient_tau_s = 0.25;
        break;
    case 4: /* a beacon: pulses once it runs */
        add_step(type, 0.06, 0.5, 0);
        add_step(type, 0.16, 1.0, 0);
        add_step(type, 0.11, 0.8, 0);
        step = add_step(type, 0.24, 6, 0);
        step->pulse_A = 0.09;
        step->pulse_every_s = 1.0;
        step->pulse_width_s = 0.15;
        break;
    default: /* six steps, some short */
        add_step(type, 0.05, 0.4, 0);
        add_step(type, 0.19, 0.3, -1);
        add_step(type, 0.14, 0.9, -1);
        add_step(type, 0.26, 0.35, -1);
        add_step(type, 0.20, 1.2, -1);
        add_step(type, 0.34, 4, -1);
        break;
    }
    double scale = exp(dice_even(dice, -0.25, 0.25));
    for (int i = 0; i < type->count; i++) {
        double own = scale * exp(dice_even(dice, -0.08, 0.08));
        type->steps[i].level_A *= own;
        type->steps[i].end_level_A *= own;
        type->steps[i].transient_A *= own;
        type->steps[i].pulse_A *= own;
        type->steps[i].length_s *= exp(dice_even(dice, -0.2, 0.3));
        type->watch_s += type->steps[i].length_s;
    }
}

void make_supply(struct dice *dice, int which, struct bench_supply *supply)
{
    static const struct bench_supply kinds[SUPPLY_COUNT] = {
        {.rate_hz = 8, .step_A = 0.010, .noise_A = 0.002, .window_s = 0.08},
        {.rate_hz = 28, .step_A = 0.001, .noise_A = 0.0008, .window_s = 0.02},
        {.rate_hz = 100, .step_A = 0.0001, .noise_A = 0.0004, .window_s = 0.004}};
    *supply = kinds[which];
    supply->rate_hz *= exp(dice_even(dice, 0, 0.15));
    supply->offset_A = dice_even(dice, -0.5, 0.5) * supply->step_A + dice_even(dice, -0.002, 0.002);
    supply->gain = dice_even(dice, -0.003, 0.003);
    supply->jitter = dice_even(dice, 0.01, 0.12);
    supply->repeats = 1;
}

void make_unit(struct dice *dice, const struct module_type *type, const struct spreads *spreads,
               struct unit *unit)
{
    *unit = (struct unit){{0}, {0}};
    double common = spreads->common * dice_normal(dice);
    for (int i = 0; i < type->count; i++) {
        unit->factor[i] = exp(common + spreads->own * dice_normal(dice));
        unit->length[i] = exp(spreads->length * dice_normal(dice));
    }
}

void make_fault(struct dice *dice, const struct module_type *type, struct fault *fault)
{
    *fault = (struct fault){.kind = (enum fault_kind)(1 + dice_below(dice, FAULT_COUNT - 1)),
                            .at_s = NAN};
    int last = type->count - 1;
    switch (fault->kind) {
    case FAULT_STALL:
        fault->step = dice_below(dice, last);
        break;
    case FAULT_LEVEL: {
        static const double sizes[] = {0.10, 0.10, 0.15, 0.25};
        double size = sizes[dice_below(dice, 4)];
        fault->step = dice_below(dice, 2) ? last : dice_below(dice, type->count);
        fault->size = dice_below(dice, 2) ? 1 + size : 1 - size;
        break;
    }
    case FAULT_LONG:
        fault->step = dice_below(dice, last);
        fault->size = dice_below(dice, 3) ? 2 : 3;
        break;
    case FAULT_MISSING:
        fault->step = 1 + dice_below(dice, last - 1);
        break;
    case FAULT_EXTRA: {
        fault->step = dice_below(dice, last);
        double a = type->steps[fault->step].end_level_A;
        double b = type->steps[fault->step + 1].level_A;
        double factor = dice_even(dice, 1.25, 1.6);
        fault->size = dice_below(dice, 2) ? fmax(a, b) * factor : fmin(a, b) / factor;
        fault->length_s = dice_even(dice, 0.5, 1.2);
        break;
    }
    case FAULT_LOOP:
        fault->step = 1 + dice_below(dice, last);
        break;
    case FAULT_DROP:
        fault->step = last;
        fault->length_s = dice_even(dice, 0.5, 1.0);
        break;
    case FAULT_UNSTEADY:
        fault->step = last;
        fault->size = dice_even(dice, 0.2, 0.4);
        break;
    default:
        break;
    }
}

/* A stretch of the schedule: which step runs, from when to when. */
struct stretch {
    int step; /* -1: dead, -2: extra level */
    double from_s, to_s;
    double factor;
};

struct schedule {
    struct stretch items[64];
    int count;
};

static double put(struct schedule *schedule, int step, double from_s, double length_s,
                  double factor)
{
    if (schedule->count < 64)
        schedule->items[schedule->count++] =
            (struct stretch){step, from_s, from_s + length_s, factor};
    return from_s + length_s;
}

static void make_schedule(struct dice *dice, const struct module_type *type,
                          const struct unit *unit, const struct spreads *spreads,
                          struct fault *fault, struct schedule *schedule)
{
    double at = 0;
    double end = type->watch_s * 2 + 40;
    int last = type->count - 1;
    schedule->count = 0;
    for (int i = 0; i <= last; i++) {
        double length = type->steps[i].length_s * unit->length[i] *
                        exp(spreads->length_again * dice_normal(dice));
        bool here = fault->step == i;
        if (fault->kind == FAULT_MISSING && here) {
            fault->at_s = at;
            continue;
        }
        if (fault->kind == FAULT_STALL && here) {
            fault->at_s = at;
            put(schedule, i, at, end, 1);
            return;
        }
        if (fault->kind == FAULT_LONG && here) {
            fault->at_s = at;
            length *= fault->size;
        }
        if (fault->kind == FAULT_LEVEL && here)
            fault->at_s = at;
        if (i == last && fault->kind == FAULT_UNSTEADY)
            fault->at_s = at;
        if (i == last && fault->kind == FAULT_DROP) {
            double before = length * dice_even(dice, 0.2, 0.6);
            at = put(schedule, i, at, before, 1);
            fault->at_s = at;
            at = put(schedule, -1, at, fault->length_s, 1);
        }
        double factor = fault->kind == FAULT_LEVEL && here ? fault->size : 1;
        at = put(schedule, i, at, i == last ? end : length, factor);
        if (fault->kind == FAULT_EXTRA && here) {
            fault->at_s = at;
            at = put(schedule, -2, at, fault->length_s, 1);
        }
        if (fault->kind == FAULT_LOOP && here) {
            if (i == last) { /* it runs a while, then restarts */
                schedule->items[schedule->count - 1].to_s = at = at - end + 0.5 * length;
            }
            fault->at_s = at;
            for (int round = 0; round < 6; round++)
                for (int k = 0; k <= i; k++)
                    at = put(schedule, k, at, type->steps[k].length_s * unit->length[k], 1);
            put(schedule, 0, at, end, 1);
            return;
        }
    }
}

static double draw_at(const struct module_type *type, const struct unit *unit,
                      const struct fault *fault, const struct schedule *schedule, double t,
                      double swing, double warm)
{
    if (t < 0)
        return 0;
    if (fault->kind == FAULT_OPEN)
        return 0;
    if (fault->kind == FAULT_ASLEEP)
        return 0.15 * type->steps[0].level_A;
    double inrush = type->inrush_A * exp(-t / 0.002);
    int k = 0;
    while (k + 1 < schedule->count && t >= schedule->items[k].to_s)
        k++;
    const struct stretch *now = &schedule->items[k];
    if (now->step == -1)
        return 0;
    if (now->step == -2)
        return fault->size;
    const struct step *step = &type->steps[now->step];
    double since = t - now->from_s;
    double part = step->length_s > 0 ? fmin(1, since / (now->to_s - now->from_s)) : 0;
    double value = step->level_A;
    if (step->end_level_A != step->level_A)
        value += part * (step->end_level_A - step->level_A);
    if (step->transient_A != 0)
        value += step->transient_A * exp(-since / step->transient_tau_s);
    if (step->pulse_A != 0 &&
        fmod(since, step->pulse_every_s) > step->pulse_every_s - step->pulse_width_s)
        value += step->pulse_A;
    value *= unit->factor[now->step] * now->factor * (1 + swing) * (1 + warm);
    return value + inrush;
}

static const struct stretch *stretch_at(const struct schedule *schedule, double t)
{
    int k = 0;
    while (k + 1 < schedule->count && t >= schedule->items[k].to_s)
        k++;
    return &schedule->items[k];
}

/* One part of a reading's window, as a unit of factors one would have drawn. */
struct known {
    double sum_A;
    int step;
};

static void know(const struct module_type *type, const struct schedule *schedule, double t,
                 int part, struct known *known)
{
    static const double settled_s = 0.015; /* of edges and inrush */
    struct unit unit;
    for (int i = 0; i < MOST_STEPS; i++)
        unit.factor[i] = 1;
    const struct fault none = {.kind = FAULT_NONE};
    const struct stretch *stretch = stretch_at(schedule, t);
    struct schedule plain = {.count = 1, .items = {*stretch}};
    plain.items[0].factor = 1;
    bool inside = t >= stretch->from_s + settled_s && stretch->step >= 0;
    int step = inside ? stretch->step : -1;
    if (t >= 0)
        known->sum_A += draw_at(type, &unit, &none, &plain, t, 0, 0);
    known->step = part == 0 || known->step == step ? step : -1;
}

void make_power_up(struct dice *dice, const struct module_type *type, const struct unit *unit,
                   const struct bench_supply *supply, const struct spreads *spreads,
                   struct fault *fault, struct trace *trace, struct truth *truth)
{
    struct schedule schedule = {0};
    make_schedule(dice, type, unit, spreads, fault, &schedule);
    if (fault->kind == FAULT_SHORT || fault->kind == FAULT_OPEN || fault->kind == FAULT_ASLEEP)
        fault->at_s = 0;
    double again = exp(spreads->again * dice_normal(dice));
    double volts = type->volts * (1 + spreads->volts_share * dice_normal(dice));
    double end = 0.6 + type->watch_s + 0.3;
    double onset = 0.6 + dice_even(dice, 0, 1) / supply->rate_hz;
    double swing = 0;
    double held_A = 0;
    double held_V = 0;
    int polls = 0;
    double filtered = 0; /* of edges: about 3 ms */
    double last_t = 0;
    double next_t = 0;
    while (next_t < end + onset - 0.6) {
        double t = next_t;
        next_t += 1 / supply->rate_hz * (1 + supply->jitter * dice_even(dice, -1, 1));
        double sum = 0;
        enum { PARTS = 10 };
        if (fault->kind == FAULT_UNSTEADY && t - onset > fault->at_s && dice_below(dice, 3) == 0)
            swing = fault->size * (dice_below(dice, 2) ? 1 : -1) * dice_even(dice, 0.6, 1);
        struct known known = {.step = -1};
        double warm = spreads->drift * (1 - exp(-(t - onset) / 6));
        for (int k = 0; k < PARTS; k++) {
            double at = t - supply->window_s * (PARTS - 1 - k) / PARTS;
            double now = draw_at(type, unit, fault, &schedule, at - onset, swing, warm);
            filtered = now + (filtered - now) * exp(-fmax(at - last_t, 0) / 0.003);
            last_t = fmax(at, last_t);
            sum += filtered;
            know(type, &schedule, at - onset, k, &known);
        }
        bool on = t >= onset;
        const struct step *step = &type->steps[0];
        for (int k = 0; k < schedule.count; k++)
            if (schedule.items[k].step >= 0 && t - onset >= schedule.items[k].from_s)
                step = &type->steps[schedule.items[k].step];
        double current = sum / PARTS * again * pow(volts / type->volts, step->exponent);
        double seen_V = on ? volts + 0.004 * dice_normal(dice) : 0.002;
        if (fault->kind == FAULT_SHORT && on) {
            current = 5;
            seen_V = 0.3;
        }
        current =
            current * (1 + supply->gain) + supply->offset_A + supply->noise_A * dice_normal(dice);
        if (on && dice_even(dice, 0, 1) < spreads->stray_rate)
            current *= dice_even(dice, 0, 2.5);
        if (polls++ % supply->repeats == 0) {
            held_A = nearbyint(current / supply->step_A) * supply->step_A;
            held_V = nearbyint(seen_V / 0.01) * 0.01;
        }
        struct reading reading = {.time_s = t,
                                  .voltage_V = held_V,
                                  .current_A = held_A,
                                  .valid = true,
                                  .output_on = FLAG_UNKNOWN,
                                  .limited = FLAG_UNKNOWN};
        reading_quantise(&reading);
        if (trace->count && reading.time_s <= trace->readings[trace->count - 1].time_s)
            continue;
        if (truth && trace->count < MOST_READINGS) {
            truth->drawn_A[trace->count] = known.sum_A / PARTS;
            truth->step[trace->count] = supply->repeats > 1 ? -1 : known.step;
        }
        if (!trace_append(trace, &reading))
            abort();
    }
}
