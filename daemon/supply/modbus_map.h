/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Registers and what they mean: numbers out of words, which blocks to read at
 * once. Pure.
 */
#ifndef WAKEDRAW_SUPPLY_MODBUS_MAP_H
#define WAKEDRAW_SUPPLY_MODBUS_MAP_H

#include "base/reading.h"
#include "supply/profile_content.h"

#include <stdint.h>

enum { MOST_REGISTERS = 125 }; /* of one read (Modbus application protocol V1.1b3, 6.3) */

/* Neighbouring registers (or coils, a word each), read in one request. */
struct register_block {
    int function, address, count;
    uint16_t words[MOST_REGISTERS];
};

/* A quantity's words as a number in SI units; NAN where a float is none. */
double register_number(const struct register_quantity *quantity, const uint16_t *words);

/* The other way; how many words. -1: the number does not fit the type. */
int register_words(const struct register_quantity *quantity, double number, uint16_t words[2]);

/* The state that a register (or a coil: 0 or 1) tells. */
enum known_flag register_flag(const struct register_flag *flag, uint16_t word);

/* The register with the flag's bits holding `value`, its others as they are. */
uint16_t register_with_bits(const struct register_flag *flag, uint16_t word, int value);

/* All of the register is the flag's: it can be written without being read. */
bool register_is_whole(const struct register_flag *flag);

/* The block that holds both stretches, if it is no longer than a read may be
 * and holds at most `most_idle` registers that nobody asked for. */
bool register_blocks_join(int first, int first_count, int second, int second_count, int most_idle,
                          int *address, int *count);

#endif
