/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Judging one power-up, a reading at a time. The verdict after reading k rests
 * on readings 0..k and the reference alone; once final it never changes. The
 * same code judges live and from files, so the same readings give the same
 * verdict. Pure: no clock, no I/O.
 */
#ifndef WAKEDRAW_VERDICT_JUDGE_H
#define WAKEDRAW_VERDICT_JUDGE_H

#include "base/accuracy.h"
#include "base/reading.h"
#include "reference/reference.h"
#include "signature/phase.h"

#include <stdbool.h>

enum verdict_kind { VERDICT_GOOD, VERDICT_BAD, VERDICT_UNSURE };

enum reason_code {
    REASON_NO_DRAW,
    REASON_AT_LIMIT,
    REASON_REVERSED,
    REASON_NO_WAKE,
    REASON_LOW_FINAL,
    REASON_HIGH_FINAL,
    REASON_LATE,
    REASON_EARLY,
    REASON_STALLED,
    REASON_MISSING_PHASE,
    REASON_EXTRA_PHASE,
    REASON_RESTARTS,
    REASON_UNSTEADY,
    REASON_LEAKAGE,
    REASON_INTERMITTENT,
    REASON_OUTSIDE_VOLTAGE,
    REASON_CANNOT_RESOLVE,
    REASON_INCOMPLETE,
    REASON_NO_ONSET,
    REASON_NO_REFERENCE,
};

/* What a pattern commonly means and what to measure next: common practice of the
 * trade, no source. */
struct failure_pattern {
    const char *name, *causes, *measure_next;
};

/* Where the limits beside a figure come from. */
enum limits_basis {
    LIMITS_OF_TYPE, /* of any unit of this type */
    LIMITS_OF_UNIT, /* what this unit's other phases foretell */
    LIMITS_OF_ALL,  /* all phases together against the type's */
};

struct reason {
    enum reason_code code;
    int phase;                  /* from 0, the one that departs first; -1: none */
    double measured, low, high; /* NAN: does not apply; A, or s or V by the code */
    double beyond;              /* how far outside the limits that decided; NAN: not outside */
    enum limits_basis basis;
    const struct failure_pattern *pattern; /* NULL: none */
    char text[360];                        /* one sentence a technician understands */
    char details[400];                     /* pattern, causes, what to measure next; may be empty */
};

enum { VERDICT_MOST_REASONS = 6 };

struct verdict {
    enum verdict_kind kind;
    bool final;          /* decided; false: so far */
    double decided_at_s; /* from onset to the reading that settled it; NAN: not settled */
    double onset_s;      /* on the readings' time axis; NAN: none */
    double final_draw_A; /* mean of the settled draw seen so far; NAN */
    size_t reason_count;
    struct reason reasons[VERDICT_MOST_REASONS]; /* the first says it in one sentence */
};

struct judge;

/* `reference` may be NULL: unsure, no_reference. `accuracy` NULL: the supply
 * that taught the reference. Both must outlive the judge. NULL: memory is out. */
struct judge *judge_create(const struct reference *reference, const struct accuracy *accuracy);
void judge_destroy(struct judge *judge);

/* Takes the next reading (also those from before onset). Returns true when the
 * verdict is final (now or before). */
bool judge_read(struct judge *judge, const struct reading *reading);

/* No more readings will come: what is undecided becomes unsure, incomplete
 * (final stays false, decided_at_s NAN). */
void judge_end(struct judge *judge);

/* Never NULL; valid until the next call on this judge. */
const struct verdict *judge_verdict(const struct judge *judge);

/* The signature so far: phases with times on the readings' own axis. */
const struct phases *judge_phases(struct judge *judge);

/* Whole-record convenience: the first power-up in a row of readings. */
int judge_trace(const struct reference *reference, const struct accuracy *accuracy,
                const struct reading *readings, size_t count, struct verdict *verdict,
                struct phases *phases);

const char *verdict_kind_name(enum verdict_kind kind); /* "good", "bad", "unsure" */
const char *reason_code_name(enum reason_code code);   /* "no_draw", ... */

#endif
