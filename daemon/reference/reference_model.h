/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of a reference, for the rooms that learn it, print it and judge by
 * it. Times in seconds, currents in amperes, spreads as shares (0.015 is 1.5 %)
 * of a level or, for durations, on the natural logarithm.
 */
#ifndef WAKEDRAW_REFERENCE_REFERENCE_MODEL_H
#define WAKEDRAW_REFERENCE_REFERENCE_MODEL_H

#include "reference/reference.h"
#include "signature/phase.h"

#include <stdint.h>

#define REFERENCE_SLEEP_SHARE 0.3
enum { REFERENCE_MOST_PHASES = 16, REFERENCE_MOST_CELLS = 48 };

/* A spread as learned: what was seen, with its degrees of freedom, and what is
 * used after shrinking it to the prior (a default, or a pool's). */
struct spread {
    double between;    /* unit to unit, seen; NAN where one unit or none taught */
    double between_df; /* 0: not seen */
    double within;     /* power-up to power-up of one unit, seen; NAN */
    double within_df;
    double prior_between, prior_within; /* what it was shrunk to */
    double prior_df;                    /* weight of the prior, as degrees of freedom */
    bool prior_assumed;                 /* the prior is the stated default, not a pool */
    double predictive;                  /* standard deviation of one power-up of a new unit */
    double predictive_df;
};

/* One phase of the template. The shape is the mean draw in cells of cell_s from
 * the phase's beginning; behind the last cell it goes on as the last cell. low
 * and high enclose what known-goods, scaled to the mean level, drew there. */
struct reference_phase {
    enum phase_kind kind;
    bool paced;           /* the shape runs over the phase's own length, whatever it is: cells are
                             counted at the pace of duration_s; false: in seconds */
    double level_A;       /* mean over the units */
    double low_A, high_A; /* limits of a new unit's own level, taken by itself */
    double noise_A;       /* standard deviation of one reading about its unit's shape */
    double spread_A;      /* the same with pulses and all; noise_A at least */
    double uncertainty;   /* of level_A, measurement alone, share */
    double repeat_u;      /* of the level over one power-up, share, as it repeats in known-goods; 0:
                             LEVEL */
    double pulse_low_A;   /* PHASE_PERIODIC: where its readings stand between and in the pulses; */
    double pulse_high_A;  /* 0: nowhere distinct */
    double longest_above_s; /* PHASE_PERIODIC: longest stay above its middle, and below; else 0 */
    double longest_below_s;
    double exponent;       /* d ln I / d ln V */
    double exponent_u;     /* its standard uncertainty */
    double duration_s;     /* median of the type; NAN: the last phase */
    double duration_low_s; /* NAN as above */
    double duration_high_s;
    double period_s;   /* PHASE_PERIODIC; else NAN */
    double cell_s;     /* width of a cell; 0 where there is one */
    size_t cell_count; /* from 1 */
    double shape_A[REFERENCE_MOST_CELLS];
    double shape_low_A[REFERENCE_MOST_CELLS];
    double shape_high_A[REFERENCE_MOST_CELLS];
};

struct reference_unit {
    char *unit;
    char *trusted_because; /* may be NULL */
    int power_ups;
};

struct reference {
    char *module_type;
    struct conditions conditions; /* it was taught under */
    int version;
    double watch_s;
    double nominal_voltage_V;             /* NAN: not known */
    double compared_at_V;                 /* where the levels hold; NAN: not known */
    double voltage_low_V, voltage_high_V; /* window of comparison; NAN: none */
    struct reference_unit *units;         /* the known-goods */
    size_t unit_count;
    int power_ups;
    bool has_range; /* a range was stated */
    bool sleeps;    /* it goes by itself to a draw that passes for rest: that is part of the
                       power-up, mostly a sleep as its last phase */
    double range_low_A, range_high_A;
    double range_weight; /* beside known-goods: units of the mean it counted as; 0: contradicted */
    struct accuracy accuracy;
    double reading_interval_s;          /* median of the known-goods; NAN at n = 0 */
    double refresh_s;                   /* the supply's conversion; 0: no slower than read */
    double smallest_level_fault;        /* share of a level that matters, 0.1 */
    double smallest_duration_fault;     /* factor on a duration that matters, 2 */
    struct spread level_common;         /* moves all levels of a unit together */
    struct spread level_own;            /* a phase's own deviation from that */
    struct spread duration;             /* natural logarithm */
    double baseline_A, baseline_high_A; /* resting draw before onset; NAN: not seen */
    double limited_s;                   /* longest current limit of a known-good */
    double final_expected_A, final_low_A, final_high_A;
    struct reference_phase *phases; /* none at n = 0 */
    size_t phase_count;
    size_t envelope_count;
    double *envelope_time_s, *envelope_low_A, *envelope_high_A;
    char **claims;
    size_t claim_count;
};

/* Phase p is a sleep: the last, and it draws little beside the one before. */
static inline bool reference_is_sleep(const struct reference *reference, size_t p)
{
    return reference->sleeps && p > 0 && p + 1 == reference->phase_count &&
           reference->phases[p].level_A < REFERENCE_SLEEP_SHARE * reference->phases[p - 1].level_A;
}

/* The phase it works in at the end: the last one, or the one before its sleep. */
static inline size_t reference_working_phase(const struct reference *reference)
{
    size_t last = reference->phase_count ? reference->phase_count - 1 : 0;
    return reference_is_sleep(reference, last) ? last - 1 : last;
}

/* What it draws there; without phases what is expected at the end. */
static inline double reference_working_A(const struct reference *reference)
{
    size_t p = reference_working_phase(reference);
    return p + 1 < reference->phase_count ? reference->phases[p].level_A
                                          : reference->final_expected_A;
}

static inline void reference_working_limits(const struct reference *reference, double *low_A,
                                            double *high_A)
{
    size_t p = reference_working_phase(reference);
    bool sleep = p + 1 < reference->phase_count;
    *low_A = sleep ? reference->phases[p].low_A : reference->final_low_A;
    *high_A = sleep ? reference->phases[p].high_A : reference->final_high_A;
}

/* An empty reference with defaults; NULL when memory is out. */
struct reference *reference_create(const char *module_type);

/* Appends a claim (printf); false when memory is out. */
bool reference_add_claim(struct reference *reference, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
