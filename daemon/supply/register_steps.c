/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_finder_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Steps after the planned ones, for what is not told apart by them. */
enum { MOST_EXTRA = 4 };

/* --- numbers to be asked for --- */

static double leading(double number)
{
    return number / pow(10, floor(log10(number)));
}

/* Away from 1, where a power looks like a current and a tenth like a whole; and
 * from all that was asked for before, whatever the scale. */
static bool tells_apart(const struct finder *finder, double number)
{
    double own = leading(number);
    if (own < 1.15 || own > 8.7)
        return false;
    for (int i = 0; i < finder->done; i++) {
        double others[] = {leading(finder->steps[i].step.set_voltage_V),
                           leading(finder->steps[i].step.set_limit_A)};
        for (int j = 0; j < 2; j++)
            if (fabs(own - others[j]) < 0.03 * own)
                return false;
    }
    return true;
}

/* A number near the wanted one, on the panel's last digit, that tells most; `other`
 * (0: none) is asked for in the same step. */
static double pick(const struct finder *finder, double wanted, double step, double most,
                   double other)
{
    long middle = lround(wanted / step);
    long reach = middle / 4 + 3;
    for (int strict = 1; strict >= 0; strict--) {
        for (long away = 0; away <= reach; away++) {
            for (int side = -1; side <= 1; side += 2) {
                long counts = middle + side * away;
                double number = (double)counts * step;
                if (counts < 1 || number > most + 1e-9 || (strict && counts % 10 == 0) ||
                    (strict && !tells_apart(finder, number)) ||
                    (strict && other > 0 &&
                     fabs(leading(number) - leading(other)) < 0.03 * leading(number)))
                    continue;
                return number;
            }
        }
    }
    return wanted;
}

/* --- the plan --- */

enum kind { KIND_OFF, KIND_OFF_FIRST, KIND_OPEN, KIND_LOADED, KIND_LIMIT };

struct plan {
    enum kind kinds[8];
    int count;
};

static const struct plan *plan_of(enum finder_load load)
{
    static const struct plan plans[] = {
        {{KIND_OFF_FIRST, KIND_OPEN, KIND_OPEN, KIND_OFF}, 4},
        {{KIND_OFF_FIRST, KIND_OPEN, KIND_OPEN, KIND_LOADED, KIND_LIMIT, KIND_LIMIT, KIND_OFF}, 7},
        {{KIND_OFF_FIRST, KIND_OPEN, KIND_OPEN, KIND_LIMIT, KIND_LIMIT, KIND_OFF}, 6},
        {{KIND_OFF_FIRST, KIND_OPEN, KIND_OPEN, KIND_LOADED, KIND_LIMIT, KIND_LIMIT, KIND_OFF}, 7},
    };
    return &plans[load];
}

int finder_planned(const struct finder *finder)
{
    return plan_of(finder->supply.load)->count;
}

static const struct finder_done *last_of(const struct finder *finder)
{
    return finder->done > 0 ? &finder->steps[finder->done - 1] : NULL;
}

/* What the load draws at the voltage of the loaded step; NAN: not known yet. */
static double drawn_A(const struct finder *finder)
{
    for (int i = 0; i < finder->done; i++) {
        const struct finder_done *done = &finder->steps[i];
        if (!done->step.output_on || done->step.limited || done->step.connected == FINDER_NOTHING)
            continue;
        if (!isnan(done->answer.shown_current_A))
            return done->answer.shown_current_A;
        if (finder->supply.load == FINDER_RESISTOR)
            return done->answer.set_voltage_V / finder->supply.load_ohm;
    }
    return NAN;
}

static double most_V(const struct finder *finder)
{
    return fmin(finder->supply.most_voltage_V, finder->supply.rated_voltage_V);
}

static double most_A(const struct finder *finder)
{
    return fmin(finder->supply.most_current_A, finder->supply.rated_current_A);
}

double finder_loaded_V(const struct finder_supply *supply, double volts, double amperes)
{
    if (supply->load != FINDER_RESISTOR)
        return volts;
    return fmin(volts, fmin(0.75 * amperes * supply->load_ohm,
                            sqrt(0.7 * supply->load_W * supply->load_ohm)));
}

static int kinds_done(const struct finder *finder, enum kind kind)
{
    int count = 0;
    for (int i = 0; i < finder->done; i++) {
        const struct finder_step *step = &finder->steps[i].step;
        enum kind was = KIND_OFF;
        if (step->output_on && step->limited)
            was = KIND_LIMIT;
        else if (step->output_on)
            was = step->connected == FINDER_NOTHING ? KIND_OPEN : KIND_LOADED;
        count += was == kind;
    }
    return count;
}

/* As few knobs are turned from one step to the next as tell things apart. */
static void set_numbers(const struct finder *finder, enum kind kind, struct finder_step *step)
{
    static const double volt_shares[] = {0.83, 0.41, 0.67, 0.53, 0.74};
    /* Far apart: what follows the current in coarse counts is to differ, too. */
    static const double limit_shares[] = {0.8, 0.25, 0.5, 0.35};
    const struct finder_supply *supply = &finder->supply;
    const struct finder_done *last = last_of(finder);
    double volts = most_V(finder);
    double amperes = most_A(finder);
    int nth = kinds_done(finder, kind);
    step->set_voltage_V = last ? last->step.set_voltage_V : 0;
    step->set_limit_A = last ? last->step.set_limit_A : 0;
    if (kind == KIND_OFF_FIRST || (kind == KIND_OFF && nth > 1)) {
        double share = kind == KIND_OFF_FIRST ? 0.6 : 0.37;
        step->set_voltage_V = pick(finder, share * volts, supply->step_V, volts, 0);
        step->set_limit_A =
            pick(finder, 0.5 * share * amperes, supply->step_A, amperes, step->set_voltage_V);
    } else if (kind == KIND_OPEN) {
        double wanted = finder_loaded_V(supply, volts, amperes) * volt_shares[nth % 5];
        if (nth % 2 == 0)
            wanted = volts * volt_shares[nth % 5];
        step->set_voltage_V = pick(finder, wanted, supply->step_V, volts, 0);
        if (nth != 1)
            step->set_limit_A = pick(finder, (nth > 1 ? 0.58 : 0.85) * amperes, supply->step_A,
                                     amperes, step->set_voltage_V);
    } else if (kind == KIND_LIMIT) {
        double draws = supply->load == FINDER_JOINED ? 0.8 * amperes : drawn_A(finder);
        double wanted = fmin(isnan(draws) ? amperes : draws, amperes) * limit_shares[nth % 4];
        step->set_limit_A = pick(finder, wanted, supply->step_A, amperes, step->set_voltage_V);
    }
}

static int decimals_of(double step)
{
    int decimals = 0;
    while (decimals < 5 && step < 0.999 && fabs(step - round(step)) > 1e-9) {
        step *= 10;
        decimals++;
    }
    return decimals;
}

static void say_step(const struct finder_supply *supply, struct finder_step *step)
{
    static const char *const ends[] = {
        "Leads off: nothing connected at their ends. ",
        "The resistor at the ends of the leads, nothing else. ",
        "The ends of the leads joined, nothing else. ",
        "The load at the ends of the leads, nothing else. ",
    };
    char volts[32];
    char amperes[32];
    snprintf(volts, sizeof volts, "%.*f", decimals_of(supply->step_V), step->set_voltage_V);
    snprintf(amperes, sizeof amperes, "%.*f", decimals_of(supply->step_A), step->set_limit_A);
    snprintf(step->words, sizeof step->words,
             "%s%sAt the front panel set %s V and a limit of %s A. %s",
             step->output_on ? "" : "Output off. ", ends[step->connected], volts, amperes,
             step->limited     ? "Output on: the limit has to hold, the voltage falls below."
             : step->output_on ? "Output on: the limit must not hold."
                               : "The output stays off.");
}

/* A number above which a word order shows: what the current does is up to the load. */
static bool can_reach(const struct finder *finder, enum finder_quantity quantity, double needs)
{
    if (quantity == FINDER_VOLTAGE || quantity == FINDER_SET_VOLTAGE)
        return needs <= most_V(finder);
    return needs <= most_A(finder) &&
           (quantity == FINDER_SET_LIMIT || finder->supply.load == FINDER_JOINED);
}

static void reach(const struct finder *finder, struct finder_step *step)
{
    for (int quantity = 0; quantity <= FINDER_SET_LIMIT; quantity++) {
        struct finder_finding finding;
        finder_finding(finder, quantity, &finding);
        if (!(finding.needs > 0) || !can_reach(finder, quantity, finding.needs))
            continue;
        bool volts = quantity == FINDER_VOLTAGE || quantity == FINDER_SET_VOLTAGE;
        double *number = volts ? &step->set_voltage_V : &step->set_limit_A;
        double count = volts ? finder->supply.step_V : finder->supply.step_A;
        *number = fmax(*number, ceil(finding.needs / count) * count);
    }
}

static void fill_step(const struct finder *finder, enum kind kind, struct finder_step *step)
{
    memset(step, 0, sizeof *step);
    step->number = finder->done + 1;
    step->output_on = kind >= KIND_OPEN;
    step->limited = kind == KIND_LIMIT;
    step->connected =
        kind == KIND_LOADED || kind == KIND_LIMIT ? finder->supply.load : FINDER_NOTHING;
    set_numbers(finder, kind, step);
    int planned = plan_of(finder->supply.load)->count;
    if (finder->done >= planned)
        reach(finder, step);
    step->of = finder->done < planned ? planned : finder->done + 1;
    say_step(&finder->supply, step);
}

static enum kind helps(enum finder_quantity quantity)
{
    return quantity == FINDER_CURRENT || quantity == FINDER_LIMITED ? KIND_LIMIT : KIND_OPEN;
}

bool finder_had_extra(const struct finder *finder, enum finder_quantity quantity)
{
    for (int i = finder_planned(finder); i < finder->done; i++) {
        const struct finder_step *step = &finder->steps[i].step;
        if (step->output_on && step->limited == (helps(quantity) == KIND_LIMIT))
            return true;
    }
    return false;
}

/* One more step for what several registers still fit, or none does. */
static bool extra_kind(const struct finder *finder, enum kind *kind)
{
    int extra = finder->done - finder_planned(finder);
    if (extra >= MOST_EXTRA || finder->done == FINDER_MOST_STEPS)
        return false;
    for (int quantity = 0; quantity < FINDER_QUANTITIES; quantity++) {
        struct finder_finding finding;
        finder_finding(finder, quantity, &finding);
        *kind = helps(quantity);
        /* What nothing that may be asked for would tell is left. */
        bool hopeless = (*kind == KIND_LIMIT && finder->supply.load == FINDER_NOTHING) ||
                        (finding.needs > 0 && !can_reach(finder, quantity, finding.needs));
        if (finding.state == FINDER_NOT_YET && !hopeless)
            return true;
    }
    return false;
}

bool finder_next(const struct finder *finder, struct finder_step *step)
{
    const struct plan *plan = plan_of(finder->supply.load);
    enum kind kind = KIND_OFF;
    if (finder->done < plan->count)
        kind = plan->kinds[finder->done];
    else if (!extra_kind(finder, &kind))
        return false;
    fill_step(finder, kind, step);
    return true;
}
