/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Program headers against patterns in the notation of the SCPI command tables:
 * "[SOURce#:]VOLTage[:LEVel]": the capitals are the short form, brackets are
 * optional, # is an optional numeric suffix.
 */
#ifndef WAKEDRAW_SIMULATE_SCPI_HEADER_H
#define WAKEDRAW_SIMULATE_SCPI_HEADER_H

#include <stdbool.h>

/* `header` is without a leading colon and without "?", in any case. *suffix is
 * the number given at the pattern's #, -1 where there was none. */
bool scpi_header_matches(const char *pattern, const char *header, int *suffix);

#endif
