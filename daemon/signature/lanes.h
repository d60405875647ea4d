/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Exponentials and turns of whole rows at once, without a branch or a table, so
 * that a processor works out several side by side: a fraction of the price of the
 * library's, one value at a time. The same on every processor. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_LANES_H
#define WAKEDRAW_SIGNATURE_LANES_H

#include <stddef.h>
#include <stdint.h> /* whose library it is */

/* A function that is built twice, for processors that work out four values side by
 * side and for those that do two, and is chosen as the program starts. Both give
 * the same, to the last bit: neither joins a product and a sum. */
#if defined __x86_64__ && defined __GLIBC__ && defined __GNUC__ && !defined __clang__ &&           \
    !defined __SANITIZE_ADDRESS__ && !defined __SANITIZE_THREAD__
#define IN_LANES __attribute__((target_clones("avx2", "default")))
#else
#define IN_LANES
#endif

/* Puts exp(x) in the place of each x from -700 to 700, to two units in the last
 * place. */
void lanes_exp(double *values, size_t count);

/* Cosine and sine of angles in turns, less than 1e9 of them, to 5e-16. */
void lanes_turn(const double *restrict turns, double *restrict cosine, double *restrict sine,
                size_t count);

#endif
