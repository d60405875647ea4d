/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which registers of a Modbus unit there are, and reading all of them again: in
 * blocks as large as the unit takes, by functions 3 and 4 alone. What it makes an
 * exception of, or does not answer, is halved until single registers are left, and
 * not asked for again.
 */
#ifndef WAKEDRAW_SUPPLY_REGISTER_SCAN_H
#define WAKEDRAW_SUPPLY_REGISTER_SCAN_H

#include "base/error.h"
#include "link/link.h"
#include "supply/register_finder.h"

struct register_scan;

/* Opens the link (a toggle of its lines). NULL with the error filled. */
struct register_scan *register_scan_open(const struct link_spec *spec, struct error *error);
void register_scan_close(struct register_scan *scan);

/* Told now and then: how much of the range is through. False: give up. */
typedef bool register_scan_progress(void *context, size_t done, size_t of, size_t registers);

/* Looks at addresses from..to, and at what begins at other multiples of 256, by both
 * functions. How many registers there are; -1 with the error filled: nobody answers,
 * none is there, the link is gone, or progress gave up (EXIT_OK in the error). */
int register_scan_find(struct register_scan *scan, int from, int to,
                       register_scan_progress *progress, void *context, struct error *error);

/* What was found, in order of function and address. */
const struct finder_register *register_scan_registers(const struct register_scan *scan);

/* Reads all of them FINDER_LOOKS times, a while apart: FINDER_LOOKS times as many words.
 * -1 with the error filled. */
int register_scan_read(struct register_scan *scan, uint16_t *words, struct error *error);

uint64_t register_scan_requests(const struct register_scan *scan);

#endif
