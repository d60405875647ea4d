/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Exponentials and turns of whole rows at once, without a branch or a table, so
 * that a processor works out several side by side: a fraction of the price of the
 * library's, one value at a time. The same on every processor. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_LANES_H
#define WAKEDRAW_SIGNATURE_LANES_H

#include <stddef.h>

/* Puts exp(x) in the place of each x from -700 to 700, to two units in the last
 * place. */
void lanes_exp(double *values, size_t count);

/* Cosine and sine of angles in turns, less than 1e9 of them, to 5e-16. */
void lanes_turn(const double *restrict turns, double *restrict cosine, double *restrict sine,
                size_t count);

#endif
