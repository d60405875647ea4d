/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A reference: what a module type's signature should be, learned from
 * known-good units or stated as a range. Opaque here; reference_model.h holds
 * the inside for the rooms that judge by it. Pure.
 */
#ifndef WAKEDRAW_REFERENCE_REFERENCE_H
#define WAKEDRAW_REFERENCE_REFERENCE_H

#include "base/accuracy.h"
#include "base/error.h"
#include "base/reading.h"
#include "reference/conditions.h"

#include <stdbool.h>
#include <stddef.h>

struct reference;

/* One known-good unit: its power-ups, each a trace with readings from before
 * onset welcome. */
struct known_good {
    const char *unit;            /* serial number or directory name */
    const char *trusted_because; /* may be NULL */
    const struct trace *traces;
    size_t count;
};

struct reference_request {
    const char *module_type;
    const struct conditions *conditions; /* they were taught under; NULL: not said */
    double nominal_voltage_V;            /* NAN: from the known-goods */
    double watch_s; /* NAN: the shortest known-good record less its longest gap; 30 at n = 0 */
    bool has_range; /* a stated range of the final draw */
    double range_low_A, range_high_A;
    const struct accuracy *accuracy;     /* of the supply that taught it; NULL: not known */
    const struct reference *const *pool; /* others to borrow spreads from */
    size_t pool_count;
    int version; /* the number the result carries; 0 means 1 */
};

/* Learns a reference. NULL with the error filled (which unit, which trace, why)
 * where nothing can be learned. */
struct reference *reference_build(const struct reference_request *request,
                                  const struct known_good *units, size_t count,
                                  struct error *error);
void reference_destroy(struct reference *reference);

const char *reference_module_type(const struct reference *reference);
int reference_version(const struct reference *reference);
double reference_watch_s(const struct reference *reference);
/* Known-goods went to sleep by themselves: a draw at rest is part of the power-up. */
bool reference_sleeps(const struct reference *reference);
double reference_nominal_voltage_V(const struct reference *reference); /* NAN: not known */
const struct accuracy *reference_accuracy(const struct reference *reference);

/* Feeds, revision and set-up it was taught under. */
const struct conditions *reference_conditions(const struct reference *reference);

/* What it claims, what it cannot, what one more unit would buy, doubts about a
 * known-good: lines of text, in order. */
size_t reference_claim_count(const struct reference *reference);
const char *reference_claim(const struct reference *reference, size_t index);

#endif
