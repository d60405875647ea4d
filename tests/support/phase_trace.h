/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Made-up records for the tests of the segmentation: phases of known kind,
 * read back at any rate, resolution and noise.
 */
#ifndef WAKEDRAW_TESTS_PHASE_TRACE_H
#define WAKEDRAW_TESTS_PHASE_TRACE_H

#include "base/reading.h"
#include "signature/phase.h"

#include <stdint.h>

struct made_phase {
    enum phase_kind kind;
    double lasts_s;
    double from_A, to_A; /* a level: from_A; periodic: low and high; decay: towards to_A */
    double time_s;       /* decay: time constant; periodic: period */
    double share;        /* periodic: of the period that is high */
    double noise_A;      /* of the module itself, beside the supply's */
};

struct made_record {
    const struct made_phase *phases;
    size_t count;
    double rate_hz, jitter, resolution_A, noise_A;
    double conversion_hz; /* the supply renews its readback so often; 0: every reading */
    double correlation;   /* of the supply's noise from one reading to the next */
    double averages_s;    /* a conversion is the mean over so long; 0: an instant */
};

/* Appends the record's readings, from 0 s on. */
void made_record_read(const struct made_record *record, uint64_t seed, struct trace *trace);

#endif
