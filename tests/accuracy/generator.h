/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Benches made up for measuring how often the verdict errs: module types,
 * units of them, supplies that read them, and faults. Shares nothing with the
 * simulated bench of the daemon.
 */
#ifndef TESTS_ACCURACY_GENERATOR_H
#define TESTS_ACCURACY_GENERATOR_H

#include "base/reading.h"

#include <stdint.h>

struct dice {
    uint64_t state;
};
double dice_even(struct dice *dice, double low, double high);
double dice_normal(struct dice *dice);
int dice_below(struct dice *dice, int count);

enum { MOST_STEPS = 8, KIND_COUNT = 6, SUPPLY_COUNT = 3 };

/* A boot step: draws `level` (first value of a slope that ends at end_level),
 * a transient that dies away, pulses; all multiplied by the unit's factors. */
struct step {
    double level_A, end_level_A, length_s;
    double transient_A, transient_tau_s;
    double pulse_A, pulse_every_s, pulse_width_s;
    double exponent; /* d ln I / d ln V */
};

struct module_type {
    struct step steps[MOST_STEPS];
    int count;
    double watch_s; /* length of a record after onset */
    double inrush_A, volts;
};

struct bench_supply {
    double rate_hz, step_A, noise_A, offset_A, gain;
    double jitter;   /* of the reading interval, share */
    double window_s; /* over which a reading averages */
    int repeats;     /* polls that return one conversion */
};

/* How units and power-ups spread; shares, on the logarithm. */
struct spreads {
    double common, own, length, again, length_again;
    double stray_rate, drift, volts_share;
};
extern const struct spreads usual_spreads;

struct unit {
    double factor[MOST_STEPS], length[MOST_STEPS];
};

enum fault_kind {
    FAULT_NONE,
    FAULT_STALL,
    FAULT_LEVEL,
    FAULT_LONG,
    FAULT_MISSING,
    FAULT_EXTRA,
    FAULT_LOOP,
    FAULT_SHORT,
    FAULT_OPEN,
    FAULT_DROP,
    FAULT_UNSTEADY,
    FAULT_ASLEEP,
    FAULT_COUNT
};
extern const char *const fault_names[FAULT_COUNT];

struct fault {
    enum fault_kind kind;
    int step;
    double size;     /* LEVEL: factor; LONG: factor; EXTRA: level in A; UNSTEADY: share */
    double length_s; /* EXTRA, DROP */
    double at_s;     /* out: first instant at which it shows, from onset; for a
                        stall or a long step the step's own beginning */
};

void make_type(struct dice *dice, int kind, struct module_type *type);
void make_supply(struct dice *dice, int which, struct bench_supply *supply);
void make_unit(struct dice *dice, const struct module_type *type, const struct spreads *spreads,
               struct unit *unit);
void make_fault(struct dice *dice, const struct module_type *type, struct fault *fault);

/* What only the generator knows of each reading: what a unit whose factors are
 * one would have drawn then, without noise, and in which step; -1: in none, or
 * on its way. */
enum { MOST_READINGS = 4096 };
struct truth {
    double drawn_A[MOST_READINGS];
    int step[MOST_READINGS];
};

/* One power-up, 0.6 s of readings from before onset included. */
void make_power_up(struct dice *dice, const struct module_type *type, const struct unit *unit,
                   const struct bench_supply *supply, const struct spreads *spreads,
                   struct fault *fault, struct trace *trace, struct truth *truth);

#endif
