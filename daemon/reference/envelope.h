/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The band over time for the eye: what a good unit may draw at each instant,
 * its phases early or late. The verdict does not rest on it.
 */
#ifndef WAKEDRAW_REFERENCE_ENVELOPE_H
#define WAKEDRAW_REFERENCE_ENVELOPE_H

#include "reference/reference_model.h"

/* -1: memory is out. */
int envelope_make(struct reference *reference);

#endif
