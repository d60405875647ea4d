/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The two halves of finding out what answers: Modbus units, and what speaks in
 * lines of text.
 */
#ifndef WAKEDRAW_SUPPLY_PROBE_PRIVATE_H
#define WAKEDRAW_SUPPLY_PROBE_PRIVATE_H

#include "supply/supply_private.h"
#include "supply/supply_probe.h"

/* How many answered; -1 with the error filled. */
int probe_modbus(const struct supply_probing *probing, struct error *error);
int probe_text(const struct supply_probing *probing, struct error *error);

/* Tries the dialects on a line that answered text, or a link that has no line; `end`
 * is what ends a message there; nameless: it does not say who it is. -1 with the
 * error filled: none answers. */
int probe_dialects(const struct link_spec *spec, enum line_end end, bool nameless,
                   struct supply_finding *finding, struct error *error);

/* One reading of an output by a profile; `identity` may be NULL. */
bool probe_reads(const struct profile *profile, const struct link_spec *spec, int output,
                 struct reading *reading, char identity[160], struct error *error);

/* "9600 baud, parity none, 1 stop bit", "" where the link has no line. */
char *probe_line_words(const struct link_spec *spec, char text[80]);

#endif
