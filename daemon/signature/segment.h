/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Cutting a row of readings into phases: exact penalised segmentation (optimal
 * partitioning with pruning; Killick, Fearnhead and Eckley 2012) on readings
 * whose noise is estimated with ties and quantisation in mind. Pure.
 */
#ifndef WAKEDRAW_SIGNATURE_SEGMENT_H
#define WAKEDRAW_SIGNATURE_SEGMENT_H

#include "base/reading.h"
#include "signature/phase.h"

struct segment_options {
    double resolution_A;   /* one count of the readback; 0: learn it from the readings */
    double penalty_factor; /* multiplies the default penalty; 0 means 1 */
};

/* Cuts count readings (invalid ones are passed over) into phases, in order,
 * covering from the first valid reading to the last. Returns 0, or -1 when
 * memory is out. Fewer than 1 valid reading: no phases. */
int segment_readings(const struct reading *readings, size_t count,
                     const struct segment_options *options, struct phases *phases);

#endif
