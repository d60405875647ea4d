/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the finder's parts share: steps with all that was read in them, forms of
 * numbers, what fits.
 */
#ifndef WAKEDRAW_SUPPLY_REGISTER_FINDER_PRIVATE_H
#define WAKEDRAW_SUPPLY_REGISTER_FINDER_PRIVATE_H

#include "supply/register_finder.h"

enum { FINDER_MOST_FITS = 48 };

struct finder_done {
    struct finder_step step;
    struct finder_answer answer; /* set values filled in */
    uint16_t *words;             /* FINDER_LOOKS times the registers */
};

struct finder {
    struct finder_supply supply;
    struct finder_register *registers;
    size_t count;
    struct finder_done steps[FINDER_MOST_STEPS];
    int done;
    struct finder_finding findings[FINDER_QUANTITIES]; /* after the steps done */
};

/* A register (or two) in a form that follows a quantity in every step. */
struct finder_fit {
    struct register_quantity form;
    double cost; /* of its form: plain and narrow is cheap */
    bool shown;  /* its word order was: both words held something */
    /* Of two with one high word: how much less it scatters about what holds it than the
     * other does, as a logarithm. */
    double steadier;
};

/* What fits a quantity (one of the first four), at most FINDER_MOST_FITS; *more: there
 * would be others. How many. */
size_t finder_fits(const struct finder *finder, enum finder_quantity quantity,
                   struct finder_fit *fits);

/* The best of each of two that belong together (voltage and current); an index, or
 * -1 where there is none. */
void finder_pair(const struct finder_fit *a, size_t a_count, const struct finder_fit *b,
                 size_t b_count, bool written, int *best_a, int *best_b);

/* Does another fit of the same low word have its high word elsewhere, with nothing
 * seen in either (which of them is right shows above 65535 counts only), or one of
 * the same high word its low word elsewhere? */
bool finder_order_is_open(const struct finder_fit *fits, size_t count, int best);

/* How many different registers are among the fits. */
int finder_places(const struct finder_fit *fits, size_t count);

/* All fits of the numbers, and the best of each (-1: none). */
struct finder_numbers {
    struct finder_fit fits[4][FINDER_MOST_FITS];
    size_t counts[4];
    int best[4];
};

/* The states. How many registers tell; the best in *flag: near the voltage, and none
 * that holds one of the numbers. */
int finder_state_fits(const struct finder *finder, enum finder_quantity quantity,
                      const struct finder_numbers *numbers, struct register_flag *flag);

/* The register that switches the output, by all appearance: a holding register that
 * is one number when on and another when off. */
bool finder_switch(const struct finder *finder, struct register_flag *flag, int *on_value,
                   int *off_value);

/* How many steps there are in any case. */
int finder_planned(const struct finder *finder);

/* Was there one more step since, of the kind that helps for it? */
bool finder_had_extra(const struct finder *finder, enum finder_quantity quantity);

/* As much of a voltage as the resistor takes and a limit lets through. */
double finder_loaded_V(const struct finder_supply *supply, double volts, double amperes);

/* Of register i in a step's look. */
uint16_t finder_word(const struct finder *finder, int step, int look, size_t i);

#endif
