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
    REASON_OTHER_FEEDS,    /* than the reference was taught with */
    REASON_OTHER_REVISION, /* than the reference is of */
    REASON_OTHER_SET_UP,   /* than the reference was taught in */
    REASON_UNDER_HEAT,
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

enum { REASON_SAID = 64 };

struct reason {
    enum reason_code code;
    int phase;                  /* from 0, the one that departs first; -1: none */
    double measured, low, high; /* NAN: does not apply; A, or s or V by the code */
    double beyond;              /* how far outside the limits that decided; NAN: not outside */
    enum limits_basis basis;
    const struct failure_pattern *pattern; /* NULL: none */
    char taught[REASON_SAID];              /* OTHER_...: what the reference has, */
    char on_bench[REASON_SAID];            /* and what is on the bench; else empty */
    char text[360];                        /* one sentence a technician understands */
    char details[400];                     /* pattern, causes, what to measure next; may be empty */
};

/* What would settle an unsure verdict. value in the unit of its name. */
enum settle_code {
    SETTLE_READ_ON,           /* value: readings to so long after onset, s */
    SETTLE_FROM_BEFORE,       /* value: a record from before onset to so long after it, s */
    SETTLE_TEACH,             /* count: known-good units, or a stated range */
    SETTLE_VOLTAGE,           /* low, high: V at the output */
    SETTLE_LIMIT,             /* value: a current limit of so much or more, A */
    SETTLE_RESOLUTION,        /* value: a readback in steps of so much or finer, A */
    SETTLE_RESOLUTION_TAUGHT, /* the same, and the known-goods read so, too */
    SETTLE_INTERVAL,          /* value: readings so far apart or closer, s */
    SETTLE_INTERVAL_TAUGHT,   /* the same, and the known-goods read so, too */
    SETTLE_POWER_UPS,         /* count: more of them, the unit judged by all */
    SETTLE_KNOWN_GOODS,       /* count: more known-good units, alike the others */
    SETTLE_WATCH,             /* value: a watch of so long or longer, s */
    SETTLE_FAULT,             /* value: a type whose smallest fault is so large a share or larger */
    SETTLE_RANGE,             /* low or high: a stated range that begins, ends there or beyond, A */
    SETTLE_WITHOUT_FAILURE,   /* count: more power-ups, all of one kind */
    SETTLE_AS_TAUGHT,         /* feeds, set-up: as the reference was taught */
    SETTLE_REFERENCE_FOR,     /* feeds, revision, set-up: a reference for what is on the bench */
    SETTLE_COLD,              /* a power-up cold */
};

struct settle {
    enum settle_code code;
    double value, low, high; /* NAN: does not apply */
    int count;               /* 0: does not apply */
    char feeds[REASON_SAID]; /* by commas; here and below, empty: does not apply */
    char revision[REASON_SAID], set_up[REASON_SAID];
    char text[200];
};

enum { VERDICT_MOST_REASONS = 6, VERDICT_MOST_SETTLES = 4 };

struct verdict {
    enum verdict_kind kind;
    bool final;          /* decided; false: so far */
    double decided_at_s; /* from onset to the reading that settled it; NAN: not settled */
    double onset_s;      /* on the readings' time axis; NAN: none */
    double final_draw_A; /* mean of the settled draw seen so far; NAN */
    size_t reason_count;
    struct reason reasons[VERDICT_MOST_REASONS]; /* the first says it in one sentence */
    size_t settle_count;                         /* unsure: at least one; else none */
    struct settle settles[VERDICT_MOST_SETTLES]; /* any one of them settles it */
};

struct judge;

/* `reference` may be NULL: unsure, no_reference. `accuracy` NULL: the supply
 * that taught the reference. Both must outlive the judge. NULL: memory is out. */
struct judge *judge_create(const struct reference *reference, const struct accuracy *accuracy);
void judge_destroy(struct judge *judge);

/* Before the first reading: the feeds, revision and set-up on the bench (NULL, or
 * what of it is not said: not compared), which must outlive the judge. Where the
 * reference was taught under others nothing is compared with it: unsure, other_feeds,
 * other_revision or other_set_up; a short, reversed leads and (where the feeds do
 * not differ) no draw at all are bad all the same. */
void judge_set_conditions(struct judge *judge, const struct conditions *on_bench);

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
int judge_trace_under(const struct conditions *on_bench, const struct reference *reference,
                      const struct accuracy *accuracy, const struct reading *readings, size_t count,
                      struct verdict *verdict, struct phases *phases);

const char *verdict_kind_name(enum verdict_kind kind); /* "good", "bad", "unsure" */
const char *reason_code_name(enum reason_code code);   /* "no_draw", ... */

#endif
