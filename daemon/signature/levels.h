/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The exact cut of a row of values into levels: the one that minimises
 *
 *   sum over values of min(weight (value - level)^2, bound)
 *     + penalty * (levels - 1)
 *
 * over all cuts and all levels within the values' range. Without a bound this
 * is penalised least squares (the Potts functional). Solved by optimal
 * partitioning with functional pruning: the least cost so far is kept as a
 * function of the last level, piece by piece (Maidstone, Hocking, Rigaill and
 * Fearnhead 2017; with a bounded loss, Fearnhead and Rigaill 2019). Time grows
 * in proportion to the count where changes keep coming or the values are noisy.
 * Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_LEVELS_H
#define WAKEDRAW_SIGNATURE_LEVELS_H

#include <stddef.h>

struct level_problem {
    const double *values;
    const double *weights; /* above 0; NULL: 1 each */
    size_t count;          /* below 2^31 */
    double penalty;        /* what one more level costs; above 0 */
    double bound;          /* what one value costs at most, above 0; INFINITY: no bound */
};

struct level_cut {
    size_t *starts; /* index of each level's first value; starts[0] is 0 */
    double *levels; /* the minimising levels */
    size_t count;
    double cost; /* the minimum itself */
};

/* Returns 0, or -1 when memory is out. No values: no levels. */
int levels_cut(const struct level_problem *problem, struct level_cut *cut);

void level_cut_clear(struct level_cut *cut);

#endif
