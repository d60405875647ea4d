/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The rates a reference states of its levels, against many made-up types whose
 * known-goods' levels are drawn straight from the model: log ratio = common
 * factor + the phase's own deviation + measurement. Types' spreads follow the
 * prior, chi squared of 4 degrees of freedom, drawn as of 2 and weighted by the
 * densities' ratio, for it is the wide types that err.
 */
#include "calibration/parts.h"
#include "calibration/table.h"
#include "reference/course.h"
#include "reference/rates.h"
#include "reference/spread.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define COUNT(array) (sizeof(array) / sizeof *(array))

enum { TYPES = 1500, NEW_UNITS = 100, POWER_UPS = 4, MOST_KNOWN_GOODS = 8 };
static const double measurement = 0.002;

struct made_up_type {
    double common, own, common_again, own_again, weight;
};

static double draw_spread(gsl_rng *random, double *weight)
{
    double drawn = gsl_ran_chisq(random, 2);
    *weight *= drawn / 2;
    return sqrt(SPREAD_PRIOR_DF / drawn);
}

static struct made_up_type draw_type(gsl_rng *random)
{
    struct made_up_type type = {
        .common_again = SPREAD_COMMON_WITHIN, .own_again = SPREAD_OWN_WITHIN, .weight = 1};
    type.common = SPREAD_COMMON * draw_spread(random, &type.weight);
    type.own = SPREAD_OWN * draw_spread(random, &type.weight);
    return type;
}

static void draw_unit(gsl_rng *random, const struct made_up_type *type, size_t phases,
                      double *levels)
{
    double common = gsl_ran_gaussian(random, type->common);
    for (size_t p = 0; p < phases; p++)
        levels[p] = common + gsl_ran_gaussian(random, type->own);
}

static void draw_power_up(gsl_rng *random, const struct made_up_type *type, size_t phases,
                          const double *unit, double *levels)
{
    double common = gsl_ran_gaussian(random, type->common_again);
    for (size_t p = 0; p < phases; p++)
        levels[p] = unit[p] + common + gsl_ran_gaussian(random, type->own_again) +
                    gsl_ran_gaussian(random, measurement);
}

struct taught_type {
    struct reference reference;
    struct reference_phase phases[REFERENCE_MOST_PHASES];
};

static void teach_levels(gsl_rng *random, const struct made_up_type *type, size_t phases,
                         size_t units, struct taught_type *taught)
{
    static struct course courses[MOST_KNOWN_GOODS * POWER_UPS];
    size_t count = 0;
    for (size_t u = 0; u < units; u++) {
        double unit[REFERENCE_MOST_PHASES];
        draw_unit(random, type, phases, unit);
        for (int j = 0; j < POWER_UPS; j++) {
            struct course *course = &courses[count++];
            *course = (struct course){.unit = u, .follows = true};
            draw_power_up(random, type, phases, unit, course->log_ratio);
            for (size_t p = 0; p < phases; p++) {
                course->log_ratio_u[p] = measurement;
                course->log_duration[p] = course->log_duration_u[p] = NAN;
            }
        }
    }
    static char name[] = "made up";
    *taught = (struct taught_type){.reference = {.module_type = name,
                                                 .unit_count = units,
                                                 .power_ups = (int)count,
                                                 .smallest_level_fault = 0.1,
                                                 .smallest_duration_fault = 2,
                                                 .phase_count = phases}};
    taught->reference.phases = taught->phases;
    for (size_t p = 0; p < phases; p++)
        taught->phases[p] = (struct reference_phase){
            .kind = PHASE_LEVEL, .level_A = 1, .duration_s = 1, .duration_high_s = 1.3};
    spread_priors(&taught->reference, NULL, 0);
    if (spread_learn(&taught->reference, courses, count) != 0)
        exit(EXIT_FAILURE);
}

/* As a verdict goes by levels at the end of the watch. */
static enum finding_of {
    GOOD,
    BAD,
    UNSURE
} judge_levels(const struct taught_type *taught, const double *log_levels)
{
    const struct reference *r = &taught->reference;
    struct measured_level levels[REFERENCE_MOST_PHASES];
    for (size_t p = 0; p < r->phase_count; p++)
        levels[p] =
            (struct measured_level){.usable = true,
                                    .log_ratio = log_levels[p] - log(taught->phases[p].level_A),
                                    .u = measurement};
    double fault = -log(1 - r->smallest_level_fault);
    enum finding_of found = GOOD;
    double excess = 0;
    struct level_test common = level_test_common(r, levels, r->phase_count);
    if (level_test_exceeds(r, &common, LEVEL_GUARD, &excess))
        return BAD;
    for (size_t p = 0; p < r->phase_count; p++) {
        struct level_test test = level_test_one(r, levels, r->phase_count, p);
        if (level_test_exceeds(r, &test, LEVEL_GUARD, &excess))
            return BAD;
        double whole = sqrt(test.spread * test.spread + test.u * test.u);
        if (fault / whole < LEVEL_RESOLVABLE ||
            (fault - fabs(test.deviation)) / whole < LEVEL_FAULT_DISTANCE ||
            fabs(test.deviation) > test.limit)
            found = UNSURE;
    }
    return found;
}

struct tallies {
    struct set_seen false_bad[TYPES], missed[TYPES], stated_bad[TYPES], stated_missed[TYPES];
};

static void run_types(gsl_rng *random, size_t phases, size_t units, struct tallies *tallies)
{
    for (int t = 0; t < TYPES; t++) {
        struct made_up_type type = draw_type(random);
        struct taught_type taught;
        teach_levels(random, &type, phases, units, &taught);
        struct reference_rates rates = reference_rates(&taught.reference);
        double false_bad = 0;
        double missed = 0;
        for (int i = 0; i < NEW_UNITS; i++) {
            double unit[REFERENCE_MOST_PHASES];
            double levels[REFERENCE_MOST_PHASES] = {0};
            draw_unit(random, &type, phases, unit);
            draw_power_up(random, &type, phases, unit, levels);
            false_bad += judge_levels(&taught, levels) == BAD;
            levels[gsl_rng_uniform_int(random, phases)] += log1p(0.1);
            missed += judge_levels(&taught, levels) == GOOD;
        }
        double w = type.weight;
        tallies->false_bad[t] = (struct set_seen){false_bad, NEW_UNITS, w};
        tallies->missed[t] = (struct set_seen){missed, NEW_UNITS, w};
        tallies->stated_bad[t] =
            (struct set_seen){NEW_UNITS * rates.false_bad_levels, NEW_UNITS, w};
        double stated = isnan(rates.missed_level) ? 0 : rates.missed_level;
        tallies->stated_missed[t] = (struct set_seen){NEW_UNITS * stated, NEW_UNITS, w};
    }
}

void level_rates(gsl_rng *random)
{
    struct tallies *tallies = malloc(sizeof *tallies);
    struct tallies *few = malloc(sizeof *few);
    if (!tallies || !few)
        exit(EXIT_FAILURE);
    static const size_t units[] = {1, 2, 4, 8};
    static const size_t phases[] = {2, 4, 8};
    for (int missed = 0; missed < 2; missed++) {
        head(missed
                 ? "Units with one level 10 % high (nearer to a good one than 10 % low) that are\n"
                   "called good: what references state (at most), and what they do, on average "
                   "over\n"
                   "types that spread as assumed"
                 : "Good units called bad by a level: what references state (at most), and what\n"
                   "they do, on average over types that spread as assumed; and whether more\n"
                   "phases mean more of them");
        for (size_t u = 0; u < COUNT(units); u++) {
            for (size_t p = 0; p < COUNT(phases); p++) {
                run_types(random, phases[p], units[u], tallies);
                const struct set_seen *stated =
                    missed ? tallies->stated_missed : tallies->stated_bad;
                const struct set_seen *seen = missed ? tallies->missed : tallies->false_bad;
                char what[64];
                snprintf(what, sizeof what, "%zu unit%s, %zu phases", units[u],
                         units[u] == 1 ? "" : "s", phases[p]);
                at_most_row(what, share_over_sets(stated, TYPES).mean, seen, TYPES);
                if (p == 0)
                    *few = *tallies;
            }
            if (missed)
                continue;
            struct interval more = difference_over_sets(tallies->false_bad, few->false_bad, TYPES);
            char what[64];
            snprintf(what, sizeof what, "%zu unit%s, 8 phases less 2 phases (at most 0.05)",
                     units[u], units[u] == 1 ? "" : "s");
            print_row(what, 0.0005, more.mean, more.low, more.high,
                      more.low <= 0.0005 ? HOLDS : REFUTED);
        }
    }
    free(tallies);
    free(few);
}
