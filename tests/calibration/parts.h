/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The parts of the calibration, each printing its tables.
 */
#ifndef TESTS_CALIBRATION_PARTS_H
#define TESTS_CALIBRATION_PARTS_H

#include "accuracy/generator.h"
#include "reference/reference.h"

#include <gsl/gsl_rng.h>

void normal_limits(gsl_rng *random);
void random_effects_limits(gsl_rng *random);
void shrunk_limits(gsl_rng *random);
void borrowed_limits(gsl_rng *random);
void level_rates(gsl_rng *random);
void verdict_rates(uint64_t seed);
void known_goods_that_are_not(uint64_t seed);
void stated_ranges(uint64_t seed);
void repeated_errors(uint64_t seed);

/* A made-up bench. */
struct bench {
    struct dice dice;
    struct module_type type;
    struct bench_supply supply;
    struct spreads spreads;
};
void bench_make(uint64_t seed, int kind, int which, const struct spreads *spreads,
                struct bench *bench);

/* The smallest fault is one and a half counts of the readback in every step. */
bool bench_resolves(const struct bench *bench);

/* How the known-goods teach. */
struct lesson_plan {
    int units;
    double range_low_A, range_high_A; /* 0: no range is stated */
    const struct fault *odd;          /* NULL, or the fault of unit "a" in all its power-ups */
};
enum { BENCH_POWER_UPS = 4, BENCH_MOST_UNITS = 8 };

/* The known-goods' traces stay the same for plans of as many units. */
struct taught_by {
    struct trace traces[BENCH_MOST_UNITS][BENCH_POWER_UPS];
};
void bench_known_goods(struct bench *bench, const struct lesson_plan *plan, struct taught_by *by);
struct reference *bench_teach(const struct lesson_plan *plan, const struct taught_by *by);
void taught_by_clear(struct taught_by *by);

/* One power-up of a new unit. */
void bench_power_up(struct bench *bench, struct fault *fault, struct trace *trace);

#endif
