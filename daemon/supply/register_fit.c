/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/register_finder_private.h"

#include "supply/modbus_map.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Fewer counts than this at their largest tell no scale from its neighbours. */
static const double LEAST_COUNTS = 20;

/* What a number is to be in a step. */
struct aim {
    bool known;
    double low, high;
};

static struct aim around(double value, double share, double slack)
{
    double width = share * fabs(value) + slack;
    return (struct aim){true, value - width, value + width};
}

/* Set points stand as they were typed, to the panel's last digit. */
static struct aim set_aim(const struct finder *finder, const struct finder_done *done, bool volts)
{
    return volts ? around(done->answer.set_voltage_V, 0, 1.001 * finder->supply.step_V)
                 : around(done->answer.set_limit_A, 0, 1.001 * finder->supply.step_A);
}

/* Before the output was ever on nothing stands at its terminals; after it, a supply
 * may hold its voltage for a while. */
static struct aim off_voltage(const struct finder *finder, int step)
{
    for (int i = 0; i < step; i++)
        if (finder->steps[i].step.output_on)
            return (struct aim){.known = false};
    return around(0, 0, 0.02 * finder->supply.rated_voltage_V + 2 * finder->supply.step_V);
}

static struct aim voltage_aim(const struct finder *finder, int step)
{
    const struct finder_supply *supply = &finder->supply;
    const struct finder_done *done = &finder->steps[step];
    double set_V = done->answer.set_voltage_V;
    if (!done->step.output_on)
        return off_voltage(finder, step);
    if (!isnan(done->answer.shown_voltage_V))
        return around(done->answer.shown_voltage_V, 0.005, 3 * supply->step_V);
    if (!done->step.limited)
        return around(set_V, 0.02, 0.05 + 2 * supply->step_V);
    if (done->step.connected == FINDER_RESISTOR)
        return around(done->answer.set_limit_A * supply->load_ohm, 0.1, 0.1 + 2 * supply->step_V);
    return (struct aim){true, -2 * supply->step_V, 0.9 * set_V};
}

static struct aim current_aim(const struct finder *finder, int step)
{
    const struct finder_supply *supply = &finder->supply;
    const struct finder_done *done = &finder->steps[step];
    double slack_A = 3 * supply->step_A;
    if (!done->step.output_on || done->step.connected == FINDER_NOTHING)
        return around(0, 0, 0.01 * supply->rated_current_A + slack_A);
    if (!isnan(done->answer.shown_current_A))
        return around(done->answer.shown_current_A, 0.01, slack_A);
    if (done->step.limited)
        return around(done->answer.set_limit_A, 0.03, slack_A);
    if (done->step.connected == FINDER_RESISTOR)
        return around(done->answer.set_voltage_V / supply->load_ohm, 0.1, slack_A);
    return (struct aim){true, slack_A, done->answer.set_limit_A + slack_A};
}

static struct aim aim_of(const struct finder *finder, enum finder_quantity quantity, int step)
{
    switch (quantity) {
    case FINDER_VOLTAGE:
        return voltage_aim(finder, step);
    case FINDER_CURRENT:
        return current_aim(finder, step);
    default:
        return set_aim(finder, &finder->steps[step], quantity == FINDER_SET_VOLTAGE);
    }
}

uint16_t finder_word(const struct finder *finder, int step, int look, size_t i)
{
    return finder->steps[step].words[(size_t)look * finder->count + i];
}

/* The number in register i (and the next) with a scale of 1. */
static double raw(const struct finder *finder, const struct register_quantity *form, int step,
                  int look, size_t i)
{
    uint16_t words[2] = {finder_word(finder, step, look, i), 0};
    if (register_width(form->type) == 2)
        words[1] = finder_word(finder, step, look, i + 1);
    return register_number(form, words);
}

/* Does every look of every step fall where it should with this scale, and is the
 * largest far enough from zero to tell one scale from another? */
static bool holds(const struct finder *finder, const struct aim *aims,
                  const struct register_quantity *form, size_t i, double scale)
{
    double largest = 0;
    for (int step = 0; step < finder->done; step++) {
        if (!aims[step].known)
            continue;
        for (int look = 0; look < FINDER_LOOKS; look++) {
            double number = raw(finder, form, step, look, i);
            double value = number * scale;
            if (isnan(value) || value < aims[step].low || value > aims[step].high)
                return false;
            if (aims[step].low > 0)
                largest = fmax(largest, fabs(number));
        }
    }
    return form->type == REGISTER_F32 || largest >= LEAST_COUNTS;
}

/* Everything that the supply can give has to fit into the register. */
static bool holds_rated(const struct register_quantity *form, double scale, double rated)
{
    static const double highest[] = {65535, 32767, 4294967295.0, 2147483647, INFINITY};
    return rated <= highest[form->type] * scale;
}

/* Scales in the order in which they are believed: powers of ten, then a few even
 * parts of them, then of two. Returns the nth, 0 when there are no more. */
static double scale_at(int n, double *cost)
{
    static const double parts[] = {2, 5, 2.5, 4, 8};
    enum { POWERS = 9, PARTS = 5, HALVES = 16 };
    if (n < POWERS) {
        *cost = 0;
        return pow(10, n - 6);
    }
    n -= POWERS;
    *cost = 200;
    if (n < POWERS * PARTS)
        return parts[n / POWERS] * pow(10, n % POWERS - 7);
    n -= POWERS * PARTS;
    return n < HALVES ? ldexp(1, -n - 1) : 0;
}

static double form_cost(const struct register_quantity *form)
{
    double cost = form->swapped ? 20 : 0;
    if (form->type == REGISTER_S16 || form->type == REGISTER_S32)
        cost += 4; /* only where something negative was seen, or it would be unsigned */
    if (form->type == REGISTER_U32 || form->type == REGISTER_S32)
        cost += 6;
    return form->little ? cost + 1 : cost;
}

/* A step that has a number far from zero, by which scales are sorted out first. */
static int telling_step(const struct finder *finder, const struct aim *aims)
{
    int best = -1;
    for (int i = 0; i < finder->done; i++)
        if (aims[i].known && aims[i].low > 0 && (best < 0 || aims[i].low > aims[best].low))
            best = i;
    return best;
}

/* Was the high word, too, ever anything but empty? */
static bool order_shown(const struct finder *finder, const struct register_quantity *form, size_t i)
{
    if (register_width(form->type) == 1 || form->type == REGISTER_F32)
        return true;
    for (int step = 0; step < finder->done; step++)
        for (int look = 0; look < FINDER_LOOKS; look++)
            if (finder_word(finder, step, look, form->little ? i + 1 : i) != 0)
                return true;
    return false;
}

/* A number's low word is hardly at rest while its high word changes. */
static bool low_word_rests(const struct finder *finder, const struct register_quantity *form,
                           size_t i)
{
    size_t high = form->little ? i + 1 : i;
    size_t low = form->little ? i : i + 1;
    uint16_t seen[3];
    int highs = 0;
    for (int step = 0; step < finder->done; step++) {
        for (int look = 0; look < FINDER_LOOKS; look++) {
            uint16_t word = finder_word(finder, step, look, high);
            if (finder_word(finder, step, look, low) != finder_word(finder, 0, 0, low))
                return false;
            int known = 0;
            while (known < highs && seen[known] != word)
                known++;
            if (known == highs && highs < 3)
                seen[highs++] = word;
        }
    }
    return highs == 3;
}

struct search {
    const struct finder *finder;
    enum finder_quantity quantity;
    struct aim aims[FINDER_MOST_STEPS];
    int telling;
    double rated;
    struct finder_fit *fits;
    size_t count;
};

static void try_form(struct search *search, struct register_quantity form, size_t i)
{
    const struct finder *finder = search->finder;
    const struct aim *telling = &search->aims[search->telling];
    double number = fabs(raw(finder, &form, search->telling, 0, i));
    if (!(number > 0) || search->count == FINDER_MOST_FITS)
        return;
    bool measured = search->quantity == FINDER_VOLTAGE || search->quantity == FINDER_CURRENT;
    double cost = 0;
    double scale = 0;
    for (int n = 0; (scale = scale_at(n, &cost)) > 0; n++) {
        /* What is measured is not known well enough to tell odd scales apart. */
        if (measured && cost > 0 && telling->high > 1.02 * telling->low)
            break;
        if (number * scale < telling->low || number * scale > telling->high ||
            !holds_rated(&form, scale, search->rated) ||
            !holds(finder, search->aims, &form, i, scale))
            continue;
        form.known = true;
        form.scale = scale;
        search->fits[search->count++] = (struct finder_fit){
            .form = form, .cost = cost + form_cost(&form), .shown = order_shown(finder, &form, i)};
        return; /* the likeliest scale of this form */
    }
}

static void try_register(struct search *search, size_t i)
{
    static const enum register_type narrow[] = {REGISTER_U16, REGISTER_S16};
    static const enum register_type wide[] = {REGISTER_F32, REGISTER_U32, REGISTER_S32};
    const struct finder *finder = search->finder;
    const struct finder_register *at = &finder->registers[i];
    struct register_quantity form = {.function = at->function, .address = at->address, .scale = 1};
    bool next =
        i + 1 < finder->count && at[1].function == at->function && at[1].address == at->address + 1;
    for (int swapped = 0; swapped < 2; swapped++) {
        form.swapped = swapped;
        form.little = false;
        size_t before = search->count;
        for (int type = 0; type < 2 && search->count == before; type++) {
            form.type = narrow[type];
            try_form(search, form, i);
        }
        for (int little = 0; next && little < 2; little++) {
            form.little = little;
            size_t narrow_count = search->count;
            /* Signed is worth a look only where unsigned does not fit. */
            for (int type = 0; type < 3 && search->count == narrow_count; type++) {
                form.type = wide[type];
                try_form(search, form, i);
            }
        }
    }
}

/* Two values at least, well apart: one alone fits too much. */
static bool told_apart(const struct search *search)
{
    double low = INFINITY;
    double high = 0;
    for (int i = 0; i < search->finder->done; i++) {
        if (!search->aims[i].known || search->aims[i].low <= 0)
            continue;
        low = fmin(low, search->aims[i].low);
        high = fmax(high, search->aims[i].low);
    }
    return high > 1.1 * low;
}

static int high_word(const struct register_quantity *form)
{
    return form->little ? form->address + 1 : form->address;
}

/* Two forms with one high word: a low word that is another number's leaves it near
 * enough to pass, but scattered about what it is to be. */
static bool are_rivals(const struct register_quantity *a, const struct register_quantity *b)
{
    return register_width(a->type) == 2 && a->type == b->type && a->function == b->function &&
           a->swapped == b->swapped && a->little != b->little && high_word(a) == high_word(b);
}

/* What the number is in proportion to in a step, whatever its gain: the set point that
 * holds; 0: none does. */
static double held_by(const struct search *search, int step)
{
    const struct finder_done *done = &search->finder->steps[step];
    bool on = done->step.output_on;
    switch (search->quantity) {
    case FINDER_VOLTAGE:
        return on && !done->step.limited ? done->answer.set_voltage_V : 0;
    case FINDER_CURRENT:
        return on && done->step.limited ? done->answer.set_limit_A : 0;
    case FINDER_SET_VOLTAGE:
        return done->answer.set_voltage_V;
    default:
        return done->answer.set_limit_A;
    }
}

static size_t index_of(const struct finder *finder, const struct register_quantity *form)
{
    size_t i = 0;
    while (finder->registers[i].function != form->function ||
           finder->registers[i].address != form->address)
        i++;
    return i;
}

/* How far the number is from being in one proportion to the set point that holds it,
 * relative to it; NAN: too few steps to say. */
static double scatter(const struct search *search, const struct register_quantity *form)
{
    const struct finder *finder = search->finder;
    size_t i = index_of(finder, form);
    struct register_quantity plain = *form;
    plain.scale = 1;
    double sum = 0;
    double squares = 0;
    int count = 0;
    for (int step = 0; step < finder->done; step++) {
        double held = held_by(search, step);
        for (int look = 0; held > 0 && look < FINDER_LOOKS; look++, count++) {
            double ratio = raw(finder, &plain, step, look, i) / held;
            sum += ratio;
            squares += ratio * ratio;
        }
    }
    if (count <= FINDER_LOOKS)
        return NAN;
    double mean = sum / count;
    return sqrt(fmax(squares / count - mean * mean, 0)) / fabs(mean);
}

static void mark_rivals(struct search *search)
{
    static const double decisive = 10;
    for (size_t i = 0; i < search->count; i++) {
        for (size_t j = 0; j < search->count; j++) {
            struct finder_fit *fit = &search->fits[i];
            if (!are_rivals(&fit->form, &search->fits[j].form))
                continue;
            double own = scatter(search, &fit->form);
            double other = scatter(search, &search->fits[j].form);
            fit->shown = false;
            fit->steadier = own > 0 && other > 0 ? log(other / own) : 0;
            const struct register_quantity *rival = &search->fits[j].form;
            bool rests =
                low_word_rests(search->finder, &fit->form, index_of(search->finder, &fit->form));
            if (rests != low_word_rests(search->finder, rival, index_of(search->finder, rival)))
                fit->steadier += rests ? -decisive : decisive;
        }
    }
}

size_t finder_fits(const struct finder *finder, enum finder_quantity quantity,
                   struct finder_fit *fits)
{
    struct search search = {.finder = finder, .quantity = quantity, .fits = fits};
    for (int i = 0; i < finder->done; i++)
        search.aims[i] = aim_of(finder, quantity, i);
    search.telling = telling_step(finder, search.aims);
    if (search.telling < 0 || !told_apart(&search))
        return 0;
    bool volts = quantity == FINDER_VOLTAGE || quantity == FINDER_SET_VOLTAGE;
    search.rated = volts ? finder->supply.rated_voltage_V : finder->supply.rated_current_A;
    for (size_t i = 0; i < finder->count; i++)
        try_register(&search, i);
    mark_rivals(&search);
    return search.count;
}

static bool same_place(const struct register_quantity *a, const struct register_quantity *b)
{
    return a->function == b->function && a->address < b->address + register_width(b->type) &&
           b->address < a->address + register_width(a->type);
}

int finder_places(const struct finder_fit *fits, size_t count)
{
    int places = 0;
    for (size_t i = 0; i < count; i++) {
        size_t j = 0;
        while (j < i && !same_place(&fits[i].form, &fits[j].form))
            j++;
        places += j == i;
    }
    return places;
}

static int low_word(const struct register_quantity *form)
{
    return form->little ? form->address : form->address + 1;
}

bool finder_order_is_open(const struct finder_fit *fits, size_t count, int best)
{
    if (best < 0 || fits[best].shown)
        return false;
    const struct register_quantity *form = &fits[best].form;
    for (size_t i = 0; i < count; i++) {
        const struct register_quantity *other = &fits[i].form;
        if (!fits[i].shown && other->function == form->function &&
            ((low_word(other) == low_word(form) && other->little != form->little) ||
             are_rivals(other, form)))
            return true;
    }
    return false;
}

/* Two that belong together stand near each other and have the same form. */
static double pair_cost(const struct register_quantity *a, const struct register_quantity *b)
{
    double cost = a->function == b->function ? 0 : 500;
    if (a->type != b->type)
        cost += register_width(a->type) == register_width(b->type) ? 10 : 30;
    if (a->little != b->little || a->swapped != b->swapped)
        cost += 30;
    return cost + fmin(abs(a->address - b->address), 200);
}

static double place_cost(const struct finder_fit *fit, bool written)
{
    double cost = fit->cost + fit->form.address / 65536.0;
    if (fit->form.function == 4)
        cost += written ? 1000 : 0.5; /* nothing is written to input registers */
    return cost;
}

void finder_pair(const struct finder_fit *a, size_t a_count, const struct finder_fit *b,
                 size_t b_count, bool written, int *best_a, int *best_b)
{
    double best = INFINITY;
    *best_a = *best_b = -1;
    for (size_t i = 0; i < (a_count ? a_count : 1); i++) {
        for (size_t j = 0; j < (b_count ? b_count : 1); j++) {
            double cost = a_count ? place_cost(&a[i], written) : 0;
            cost += b_count ? place_cost(&b[j], written) : 0;
            if (a_count && b_count)
                cost +=
                    same_place(&a[i].form, &b[j].form) ? 1e6 : pair_cost(&a[i].form, &b[j].form);
            if (cost >= best)
                continue;
            best = cost;
            *best_a = a_count ? (int)i : -1;
            *best_b = b_count ? (int)j : -1;
        }
    }
}
