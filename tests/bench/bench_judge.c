/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * How long it takes to judge stored power-ups anew, against another version of
 * their reference: 10,000 of them, 7.5 s at 50 readings/s, packed as the store
 * keeps them, are unpacked and judged on one core (processor time). A third of
 * the units have a fault. Status 1 where the limit is passed.
 */
#include "reference/reference.h"
#include "store/trace_pack.h"
#include "support/phase_trace.h"
#include "support/power_up_scene.h"
#include "verdict/judge.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { STORED = 10000, UNITS = 4, AGAIN = 4, PHASES = 6 };

static const struct accuracy accuracy = {.current_resolution_A = 1e-3,
                                         .voltage_resolution_V = 1e-2};

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

struct module_unit {
    struct made_phase phases[PHASES];
};

/* Rest, four steps, the final draw; levels 1.2 % and durations 2 %
 * from unit to unit. */
static struct module_unit make_unit(uint64_t *random)
{
    static const struct made_phase usual[PHASES] = {
        {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0.002},
        {.kind = PHASE_LEVEL, .lasts_s = 0.5, .from_A = 0.06},
        {.kind = PHASE_LEVEL, .lasts_s = 0.8, .from_A = 0.13},
        {.kind = PHASE_LEVEL, .lasts_s = 1.3, .from_A = 0.21},
        {.kind = PHASE_LEVEL, .lasts_s = 0.9, .from_A = 0.34},
        {.kind = PHASE_LEVEL, .lasts_s = 3.5, .from_A = 0.27}};
    struct module_unit unit;
    double common = exp(0.012 * scene_normal(random));
    for (int k = 0; k < PHASES; k++) {
        struct made_phase *p = &unit.phases[k];
        *p = usual[k];
        double factor = common * exp(0.004 * scene_normal(random));
        p->from_A *= factor;
        p->to_A *= factor;
        if (k > 0 && k + 1 < PHASES)
            p->lasts_s *= exp(0.02 * scene_normal(random));
    }
    return unit;
}

static void break_unit(struct module_unit *unit, uint64_t *random)
{
    int which = 1 + (int)(4 * scene_uniform(random)) % 4;
    switch ((int)(4 * scene_uniform(random)) % 4) {
    case 0: /* a level that is off */
        unit->phases[which].from_A *= scene_uniform(random) < 0.5 ? 0.8 : 1.25;
        break;
    case 1: /* stays there */
        unit->phases[which].lasts_s = 30;
        break;
    case 2: /* takes long */
        unit->phases[which].lasts_s *= 2.2;
        break;
    default: /* settles low */
        unit->phases[PHASES - 1].from_A *= 0.8;
        break;
    }
}

static void read_unit(const struct module_unit *unit, uint64_t seed, struct trace *trace)
{
    struct made_record record = {.phases = unit->phases,
                                 .count = PHASES,
                                 .rate_hz = 50,
                                 .jitter = 0.1,
                                 .resolution_A = accuracy.current_resolution_A,
                                 .noise_A = 6e-4};
    made_record_read(&record, seed, trace);
    enum { READINGS = 375 };
    if (trace->count > READINGS)
        trace->count = READINGS;
}

static struct reference *teach(uint64_t *random)
{
    static const char *const names[UNITS] = {"a", "b", "c", "d"};
    struct trace traces[UNITS][AGAIN] = {0};
    struct known_good units[UNITS];
    for (int u = 0; u < UNITS; u++) {
        struct module_unit unit = make_unit(random);
        for (int again = 0; again < AGAIN; again++)
            read_unit(&unit, 1000 + (uint64_t)(u * AGAIN + again), &traces[u][again]);
        units[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = AGAIN};
    }
    struct reference_request request = {.module_type = "windlass controller",
                                        .nominal_voltage_V = 12,
                                        .watch_s = 6.5,
                                        .accuracy = &accuracy,
                                        .version = 2};
    struct error error = {0};
    struct reference *reference = reference_build(&request, units, UNITS, &error);
    if (!reference) {
        error_print(&error);
        exit(1);
    }
    for (int u = 0; u < UNITS; u++)
        for (int again = 0; again < AGAIN; again++)
            trace_clear(&traces[u][again]);
    return reference;
}

struct stored {
    uint8_t *bytes;
    size_t count;
};

static struct stored *store_all(uint64_t *random)
{
    struct stored *all = calloc(STORED, sizeof *all);
    if (!all)
        exit(1);
    for (size_t i = 0; i < STORED; i++) {
        struct module_unit unit = make_unit(random);
        if (i % 3 == 2)
            break_unit(&unit, random);
        struct trace trace = {0};
        read_unit(&unit, 100000 + i, &trace);
        all[i].bytes = trace_pack(trace.readings, trace.count, &all[i].count);
        if (!all[i].bytes)
            exit(1);
        trace_clear(&trace);
    }
    return all;
}

int main(void)
{
    uint64_t random = 31;
    struct reference *reference = teach(&random);
    struct stored *all = store_all(&random);
    static const char *const names[] = {"good", "bad", "unsure"};
    size_t counts[3] = {0};
    double unpacked_s = 0;
    double judged_s = 0;
    struct trace trace = {0};
    struct trace_unpacker *unpacker = trace_unpacker_create(); /* as a reader of the store has */
    if (!unpacker)
        exit(1);
    for (size_t i = 0; i < STORED; i++) {
        struct verdict verdict;
        double from_s = now_s();
        trace.count = 0;
        if (trace_unpack_with(unpacker, all[i].bytes, all[i].count, &trace) != 0)
            exit(1);
        double between_s = now_s();
        if (judge_trace(reference, &accuracy, trace.readings, trace.count, &verdict, NULL) != 0)
            exit(1);
        unpacked_s += between_s - from_s;
        judged_s += now_s() - between_s;
        for (size_t k = 0; k < 3; k++)
            counts[k] += names[k][0] == verdict_kind_name(verdict.kind)[0];
        free(all[i].bytes);
    }
    trace_clear(&trace);
    trace_unpacker_destroy(unpacker);
    free(all);
    reference_destroy(reference);
    double took_s = unpacked_s + judged_s;
    printf("%d stored power-ups judged anew: %.2f s, limit 1 s, ratio %.2f (unpacking %.2f s; %zu "
           "good, %zu bad, %zu unsure)\n",
           STORED, took_s, took_s, unpacked_s, counts[0], counts[1], counts[2]);
    return took_s <= 1 ? 0 : 1;
}
