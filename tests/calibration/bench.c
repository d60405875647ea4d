/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calibration/parts.h"

#include <math.h>
#include <stdlib.h>

void bench_make(uint64_t seed, int kind, int which, const struct spreads *spreads,
                struct bench *bench)
{
    *bench = (struct bench){.spreads = *spreads};
    bench->dice.state = seed * 9000011u + (uint64_t)(kind * 37 + which * 5);
    for (int i = 0; i < 5; i++)
        (void)dice_even(&bench->dice, 0, 1);
    make_type(&bench->dice, kind, &bench->type);
    make_supply(&bench->dice, which, &bench->supply);
}

bool bench_resolves(const struct bench *bench)
{
    for (int i = 0; i < bench->type.count; i++)
        if (0.1 * bench->type.steps[i].level_A < 1.5 * bench->supply.step_A)
            return false;
    return true;
}

void bench_known_goods(struct bench *bench, const struct lesson_plan *plan, struct taught_by *by)
{
    *by = (struct taught_by){0};
    for (int u = 0; u < plan->units; u++) {
        struct unit unit;
        make_unit(&bench->dice, &bench->type, &bench->spreads, &unit);
        for (int j = 0; j < BENCH_POWER_UPS; j++) {
            struct fault fault = {.kind = FAULT_NONE};
            if (u == 0 && plan->odd)
                fault = *plan->odd;
            make_power_up(&bench->dice, &bench->type, &unit, &bench->supply, &bench->spreads,
                          &fault, &by->traces[u][j], NULL);
        }
    }
}

struct reference *bench_teach(const struct lesson_plan *plan, const struct taught_by *by)
{
    static const char *const names[BENCH_MOST_UNITS] = {"a", "b", "c", "d", "e", "f", "g", "h"};
    struct known_good goods[BENCH_MOST_UNITS];
    for (int u = 0; u < plan->units; u++)
        goods[u] = (struct known_good){
            .unit = names[u], .traces = by->traces[u], .count = BENCH_POWER_UPS};
    struct reference_request request = {.module_type = "bench",
                                        .nominal_voltage_V = NAN,
                                        .watch_s = NAN,
                                        .has_range = plan->range_high_A > 0,
                                        .range_low_A = plan->range_low_A,
                                        .range_high_A = plan->range_high_A};
    struct error error = {0};
    struct reference *reference = reference_build(&request, goods, (size_t)plan->units, &error);
    if (!reference) {
        error_print(&error);
        exit(EXIT_FAILURE);
    }
    return reference;
}

void taught_by_clear(struct taught_by *by)
{
    for (int u = 0; u < BENCH_MOST_UNITS; u++)
        for (int j = 0; j < BENCH_POWER_UPS; j++)
            trace_clear(&by->traces[u][j]);
}

void bench_power_up(struct bench *bench, struct fault *fault, struct trace *trace)
{
    struct unit unit;
    make_unit(&bench->dice, &bench->type, &bench->spreads, &unit);
    make_power_up(&bench->dice, &bench->type, &unit, &bench->supply, &bench->spreads, fault, trace,
                  NULL);
}
