/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reference/claims.h"

#include "reference/doubts.h"
#include "reference/rates.h"
#include "reference/spread.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char *plural(size_t count)
{
    return count == 1 ? "" : "s";
}

static double percent(double log_share)
{
    return 100 * (1 - exp(-fabs(log_share)));
}

/* 0.0123 as "1 in 81". */
static const char *one_in(double chance, char text[40])
{
    double in = 1 / fmax(chance, 1e-6);
    double figure = pow(10, fmax(0, floor(log10(in)) - 1));
    if (chance < 1e-6)
        snprintf(text, 40, "1 in a million");
    else
        snprintf(text, 40, "1 in %.0f", floor(in / figure) * figure);
    return text;
}

static int claim_basis(struct reference *r)
{
    const char *assumed = r->level_common.prior_assumed ? "the stated default"
                                                        : "borrowed from other types of this shop";
    if (!reference_add_claim(r, "taught by %zu known-good unit%s and %d power-up%s: %zu phase%s",
                             r->unit_count, plural(r->unit_count), r->power_ups,
                             plural((size_t)r->power_ups), r->phase_count, plural(r->phase_count)))
        return -1;
    if (r->unit_count == 1 &&
        !reference_add_claim(r, "one unit says nothing of how units differ: the spread is %s",
                             assumed))
        return -1;
    if (!reference_add_claim(
            r,
            "a new unit is expected within %.2g %% in all levels together, %.2g %% in each and "
            "%.2g %% in durations (one standard deviation)",
            100 * r->level_common.predictive, 100 * r->level_own.predictive,
            100 * r->duration.predictive))
        return -1;
    if (!reference_add_claim(
            r,
            "assumed, %s: units of a type differ by %.2g %%, %.2g %% and %.2g %%; worth %.2g "
            "degrees of freedom beside the %.3g, %.3g and %.3g that were seen",
            assumed, 100 * r->level_common.prior_between, 100 * r->level_own.prior_between,
            100 * r->duration.prior_between, r->level_common.prior_df, r->level_common.between_df,
            r->level_own.between_df, r->duration.between_df))
        return -1;
    return 0;
}

/* "1 in N" by the model, the cap on limits from few units included. */
static int claim_rates(struct reference *r)
{
    struct reference_rates rates = reference_rates(r);
    char bad[40];
    char late[40];
    char missed[40];
    if (!reference_add_claim(
            r,
            "of good units at most %s is called bad by a level and %s by a duration, on average "
            "over types that spread as assumed (%.2g degrees of freedom)",
            one_in(rates.false_bad_levels, bad), one_in(rates.false_bad_times, late),
            r->level_common.predictive_df))
        return -1;
    if (!isnan(rates.missed_level) &&
        !reference_add_claim(r,
                             "of units with one level off by %.3g %% at most %s is called good%s",
                             100 * r->smallest_level_fault, one_in(rates.missed_level, missed),
                             ", in phases this supply can decide"))
        return -1;
    if (isnan(rates.missed_level) &&
        !reference_add_claim(r,
                             "in no phase can a fault of %.3g %% be told from a good unit: no "
                             "unit will be called good",
                             100 * r->smallest_level_fault))
        return -1;
    return 0;
}

static int name_law(const struct reference *r, const struct reference_phase *phase, char *text,
                    size_t size)
{
    if (isnan(r->compared_at_V))
        return snprintf(text, size, "no voltage was read");
    if (phase->exponent == 0)
        return snprintf(text, size, "load law not known: seen at one voltage");
    return snprintf(text, size, "load exponent %+.2f +- %.2f", phase->exponent, phase->exponent_u);
}

/* What would let a phase be decided that cannot be. */
static void name_remedy(const struct reference *r, size_t p, const struct phase_view *view,
                        char *text, size_t size)
{
    double q = r->accuracy.current_resolution_A;
    double needed = resolution_needed_A(r, &view->test, r->phases[p].level_A);
    struct measured_level levels[REFERENCE_MOST_PHASES];
    for (size_t k = 0; k < r->phase_count; k++) {
        double u = r->phases[k].uncertainty * sqrt(fmax(r->power_ups, 1));
        levels[k] = (struct measured_level){.usable = isfinite(u) && u < 1, .u = u};
    }
    int more = more_units_needed(r, levels, r->phase_count, p);
    if (needed < q)
        snprintf(text, size, "a readback in steps of %.3g A or finer would do, more known-goods %s",
                 needed, more ? "as well" : "would not");
    else if (more)
        snprintf(text, size, "%d more known-good unit%s would do", more, plural((size_t)more));
    else
        snprintf(text, size,
                 "neither finer steps nor more known-goods would do; more readings in "
                 "it (a faster link) might");
}

static int claim_phases(struct reference *r)
{
    for (size_t p = 0; p < r->phase_count; p++) {
        const struct reference_phase *phase = &r->phases[p];
        struct phase_view view = reference_phase_view(r, p);
        char law[80];
        name_law(r, phase, law, sizeof law);
        if (view.smallest <= r->smallest_level_fault) {
            if (!reference_add_claim(r,
                                     "phase %zu of %zu, %.3g A: this supply resolves a deviation "
                                     "of %.2g %% (%.2g A); %s",
                                     p + 1, r->phase_count, phase->level_A, 100 * view.smallest,
                                     view.smallest * fabs(phase->level_A), law))
                return -1;
            continue;
        }
        char remedy[160];
        name_remedy(r, p, &view, remedy, sizeof remedy);
        if (!reference_add_claim(
                r,
                "phase %zu of %zu, %.3g A, cannot be decided: this supply, in steps of %.3g A, "
                "resolves %.2g %% (%.2g A), not a fault of %.3g %%; %s; %s",
                p + 1, r->phase_count, phase->level_A, r->accuracy.current_resolution_A,
                100 * view.smallest, view.smallest * fabs(phase->level_A),
                100 * r->smallest_level_fault, remedy, law))
            return -1;
    }
    return 0;
}

static int claim_left_out(struct reference *r, const struct course *courses, size_t course_count)
{
    for (size_t u = 0; u < r->unit_count; u++) {
        size_t own = 0;
        size_t left_out = 0;
        for (size_t i = 0; i < course_count; i++) {
            own += courses[i].unit == u;
            left_out += courses[i].unit == u && !courses[i].follows;
        }
        const char *which =
            r->unit_count == 2 ? "two cannot say which of them is good" : "is it good?";
        if (left_out > 0 &&
            !reference_add_claim(r,
                                 "doubt: known-good %s does not follow the phases of the others in "
                                 "%zu of its %zu power-up%s, which teach%s nothing; %s",
                                 r->units[u].unit, left_out, own, plural(own),
                                 left_out == 1 ? "es" : "", which))
            return -1;
    }
    return 0;
}

static void name_departure(const struct doubt *doubt, char *text, size_t size)
{
    const char *more = doubt->duration        ? doubt->deviation > 0 ? "longer" : "shorter"
                       : doubt->deviation > 0 ? "more"
                                              : "less";
    double share = 100 * fabs(expm1(doubt->deviation));
    if (doubt->phase < 0)
        snprintf(text, size, "draws %.2g %% %s in all phases together", share, more);
    else if (doubt->duration)
        snprintf(text, size, "takes %.2g %% %s in phase %d", share, more, doubt->phase + 1);
    else
        snprintf(text, size, "draws %.2g %% %s in phase %d", share, more, doubt->phase + 1);
}

static int claim_change(struct reference *r, const struct lesson_seen *seen)
{
    size_t unit = 0;
    double time_s = 0;
    if (r->unit_count != 2 || !doubt_of_change(seen->courses, seen->count, &unit, &time_s))
        return 0;
    return reference_add_claim(r,
                               "doubt: of two known-goods %s has a step %.2g s after onset that %s "
                               "has not: one of them may not be good, and two cannot say which; a "
                               "third would",
                               r->units[unit].unit, time_s, r->units[!unit].unit)
               ? 0
               : -1;
}

static int claim_doubts(struct reference *r, const struct lesson_seen *seen)
{
    struct doubt *doubts = calloc(r->unit_count, sizeof *doubts);
    int count = doubts ? doubts_find(&seen->template, seen->courses, seen->count, doubts) : -1;
    int status = count < 0 ? -1 : 0;
    for (int i = 0; status == 0 && i < count; i++) {
        char departure[120];
        char chance[40];
        name_departure(&doubts[i], departure, sizeof departure);
        one_in(doubts[i].chance, chance);
        const char *name = r->units[doubts[i].unit].unit;
        bool added =
            r->unit_count == 2
                ? reference_add_claim(
                      r,
                      "doubt: of two known-goods %s %s than %s, by chance %s: one of "
                      "them may not be good, and two cannot say which; a third would",
                      name, departure, r->units[!doubts[i].unit].unit, chance)
                : reference_add_claim(
                      r,
                      "doubt: known-good %s %s than the others foretell, by chance %s; is it good?",
                      name, departure, chance);
        status = added ? 0 : -1;
    }
    free(doubts);
    return status;
}

/* What one more known-good unit would buy, where the same is seen of it. */
static int claim_next_unit(struct reference *r)
{
    struct reference_phase now_phases[REFERENCE_MOST_PHASES];
    struct reference_phase next_phases[REFERENCE_MOST_PHASES];
    struct reference now = reference_with_more(r, 0, now_phases);
    struct reference next = reference_with_more(r, 1, next_phases);
    double tests = level_tests(r);
    double limit_now =
        level_limit_factor(now.level_common.predictive_df, tests) * now.level_common.predictive;
    double limit_next =
        level_limit_factor(next.level_common.predictive_df, tests) * next.level_common.predictive;
    struct reference_rates rates_now = reference_rates(&now);
    struct reference_rates rates_next = reference_rates(&next);
    double worst_now = 0;
    double worst_next = 0;
    for (size_t p = 0; p < r->phase_count; p++) {
        double smallest = reference_phase_view(&now, p).smallest;
        if (smallest > r->smallest_level_fault || smallest <= worst_now)
            continue;
        worst_now = smallest;
        worst_next = reference_phase_view(&next, p).smallest;
    }
    char bad_now[40];
    char bad_next[40];
    char finer[100] = "";
    if (worst_now > 0)
        snprintf(finer, sizeof finer, ", the smallest deviation it resolves from %.2g to %.2g %%",
                 100 * worst_now, 100 * worst_next);
    if (!reference_add_claim(
            r,
            "one more known-good unit would take the limits of all levels together "
            "from %.2g to %.2g %%%s, and good units called bad by a level from %s "
            "to %s",
            percent(limit_now), percent(limit_next), finer,
            one_in(rates_now.false_bad_levels, bad_now),
            one_in(rates_next.false_bad_levels, bad_next)))
        return -1;
    return 0;
}

static int claim_range(struct reference *r, const struct lesson_seen *seen)
{
    if (!r->has_range)
        return 0;
    if (r->range_weight > 0 &&
        !reference_add_claim(
            r,
            "the known-good units settle at %.3g A, as the stated range of %.3g to "
            "%.3g A says: it counts as %.2g units of the mean, none of the spread",
            seen->final_A, r->range_low_A, r->range_high_A, r->range_weight))
        return -1;
    if (!(r->range_weight > 0) &&
        !reference_add_claim(
            r,
            "doubt: the known-good units settle at %.3g A, against the stated "
            "range of %.3g to %.3g A, which is left out of account; which is right?",
            seen->final_A, r->range_low_A, r->range_high_A))
        return -1;
    return 0;
}

static int claim_window(struct reference *r)
{
    if (isnan(r->voltage_low_V))
        return 0;
    bool learned = false;
    for (size_t p = 0; p < r->phase_count; p++)
        learned |= r->phases[p].exponent != 0;
    if (!reference_add_claim(r, "it compares at %.4g to %.4g V%s", r->voltage_low_V,
                             r->voltage_high_V,
                             learned ? ""
                                     : "; a known-good seen at a second voltage would teach the "
                                       "load laws and widen that"))
        return -1;
    return 0;
}

int claim_conditions(struct reference *r)
{
    const struct conditions *c = &r->conditions;
    char listed[80];
    char feeds[90];
    char revision[80];
    char set_up[80];
    feeds_say(&c->feeds, listed, sizeof listed);
    feeds_say_and(listed, feeds, sizeof feeds);
    text_cut(c->revision ? c->revision : "", revision, sizeof revision);
    text_cut(c->set_up ? c->set_up : "", set_up, sizeof set_up);
    if (!feeds[0] && !c->revision && !c->set_up)
        return 0;
    return reference_add_claim(r,
                               "it compares%s%s%s%s%s%s%s%s alone: under others a power-up is "
                               "unsure, and says so",
                               feeds[0] ? " with feeds " : "", feeds, feeds[0] ? " live" : "",
                               revision[0] ? " revision " : "", revision,
                               set_up[0] ? " in set-up \"" : "", set_up, set_up[0] ? "\"" : "")
               ? 0
               : -1;
}

int claims_make(struct reference *r, const struct course *courses, size_t course_count,
                const struct lesson_seen *seen)
{
    if (claim_basis(r) != 0 || claim_left_out(r, courses, course_count) != 0 ||
        claim_change(r, seen) != 0 || claim_doubts(r, seen) != 0 || claim_range(r, seen) != 0 ||
        claim_rates(r) != 0 || claim_phases(r) != 0 || claim_window(r) != 0 ||
        claim_conditions(r) != 0 || claim_next_unit(r) != 0)
        return -1;
    if (!reference_add_claim(r, "a normal draw does not exclude an open joint"))
        return -1;
    return 0;
}
