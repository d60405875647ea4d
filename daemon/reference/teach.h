/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Learning a template and its spreads from known-good units.
 */
#ifndef WAKEDRAW_REFERENCE_TEACH_H
#define WAKEDRAW_REFERENCE_TEACH_H

#include "reference/reference_model.h"

/* Fills phases, spreads, limits, envelope and claims of a reference whose
 * provenance is stated. -1 with the error filled (unit, trace, why). */
int teach(const struct reference_request *request, const struct known_good *units, size_t count,
          struct reference *reference, struct error *error);

#endif
