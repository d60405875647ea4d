/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The inside of a judge, shared by its parts: the course of a power-up
 * (judge.c), the current limit (limit_watch.c), a reference of other conditions
 * (judge_conditions.c), a stated range alone (judge_range.c) and a learned
 * template (judge_template.c).
 */
#ifndef WAKEDRAW_VERDICT_JUDGE_STATE_H
#define WAKEDRAW_VERDICT_JUDGE_STATE_H

#include "reference/reference_model.h"
#include "signature/power_up.h"
#include "verdict/judge.h"
#include "verdict/reasons.h"

struct template_judge;

/* How long the supply has been in current limit. */
struct limit_watch {
    double since_s;              /* of the run going on; NAN: not limited */
    size_t readings;             /* in that run */
    bool ever;                   /* limited beyond what known-goods were */
    double current_A, voltage_V; /* last reading of the run */
    size_t standing;             /* readings since the voltage last moved */
    double standing_V, standing_since_s;
};

struct judge {
    const struct reference *reference; /* NULL: none */
    const struct conditions *on_bench; /* NULL: not said */
    struct conditions_difference differs;
    bool volts_seen;          /* a voltage was read back */
    bool drawn;               /* it differs: more than nothing was drawn since onset */
    struct accuracy accuracy; /* of the supply that reads now */
    struct power_up_machine *machine;
    struct trace kept; /* from before onset to the verdict or the watch's end */
    size_t first;      /* index of the first reading at or after onset */
    size_t taken;      /* readings since onset that were judged, the newest included */
    bool begun;        /* onset is known */
    bool closed;       /* the power-up is over, or the readings are */
    bool measuring;    /* levels are measured to the watch's end and not judged before */
    double first_s;    /* time of the very first reading */
    double last_s;     /* time of the newest reading */
    double gap_s;      /* between the two newest readings */
    double ended_s;    /* when the power-up ended before the watch did; NAN */
    enum power_up_end ended_why;
    struct limit_watch limit;
    struct template_judge *template; /* NULL: range alone, or no reference */
    struct verdict *verdict;
    struct phases phases;
    size_t phases_of; /* count of kept readings the phases were cut from */
};

/* Makes the verdict final at the newest reading. Reasons are added after. */
void judge_settle(struct judge *judge, enum verdict_kind kind);

/* Seconds from onset to the newest reading. */
double judge_elapsed_s(const struct judge *judge);

/* Takes a reading after onset; settles a verdict where the supply stays in
 * limit with its voltage gone. Returns true when settled. */
bool limit_watch_read(struct judge *judge, const struct reading *reading);

/* Draws no more than this: nothing. */
double judge_nothing_A(const struct judge *judge);

/* What differs, if anything does, as reasons; what would settle it, where nothing
 * would so far. */
void judge_add_differing(const struct judge *judge, struct verdict *verdict);

/* It differs: unsure. read: takes a reading after onset, true when settled, once
 * it draws and is not in current limit. */
void judge_settle_differing(struct judge *judge);
bool judge_differing_read(struct judge *judge, const struct reading *reading);

/* The watch is over, the reference is a range alone: settles the verdict. */
void judge_range_end(struct judge *judge);

/* A learned template. create: NULL when memory is out. read: one reading since
 * onset. end: the watch is over, settles the verdict. */
struct template_judge *template_judge_create(const struct judge *judge);
void template_judge_destroy(struct template_judge *template);
bool template_judge_read(struct judge *judge, const struct reading *reading);
void template_judge_end(struct judge *judge);

#endif
