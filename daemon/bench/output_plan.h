/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One output and what is asked of it: what to do next, what has happened, and when it
 * goes off by itself. Pure: it is told what was read and how each step went; it does no
 * I/O and reads no clock.
 *
 * On goes in steps: with a look, voltage and limit for it are set and read back, the
 * output goes on, is read, goes off, and its voltage has fallen; then the full voltage and
 * limit are set and read back, and the output goes on. Nothing is switched on whose set
 * points were not read back just before. Off goes before everything. A hand at the supply
 * wins: what it switched is left as it is.
 */
#ifndef WAKEDRAW_BENCH_OUTPUT_PLAN_H
#define WAKEDRAW_BENCH_OUTPUT_PLAN_H

#include "base/error.h"
#include "base/reading.h"
#include "bench/output_wish.h"

#include <stdbool.h>
#include <stddef.h>

/* What is so now. */
struct output_view {
    double now_s;      /* monotonic */
    bool held;         /* nothing is switched or set by itself */
    bool tells_output; /* the supply says whether its output is on; else its voltage shows it */
};

enum output_action {
    OUTPUT_DO_NOTHING,
    OUTPUT_DO_READ_SET, /* read back what is set */
    OUTPUT_DO_SET,      /* set_limit_A, then set_voltage_V, and read both back */
    OUTPUT_DO_ON,       /* and read it back, where the supply tells */
    OUTPUT_DO_OFF,      /* the same */
};

enum output_result {
    OUTPUT_DONE,
    OUTPUT_NOT_DONE,   /* refused by the supply, or it reads back something else */
    OUTPUT_BROKEN_OFF, /* for something more urgent: it will be asked for again */
    OUTPUT_NO_LINK,    /* there is none, or it closed meanwhile */
};

enum output_stage {
    OUTPUT_RESTS,
    OUTPUT_CLEARS, /* after a look that led to nothing: the voltage falls */
    OUTPUT_WAITS,  /* until it is known whether it is off */
    OUTPUT_READS_SET,
    OUTPUT_LOOK_WAITS, /* what stood on the leads before falls */
    OUTPUT_LOOK_SETS,
    OUTPUT_LOOK_GOES_ON,
    OUTPUT_LOOKS,
    OUTPUT_LOOK_GOES_OFF,
    OUTPUT_FALLS,
    OUTPUT_SETS,
    OUTPUT_GOES_ON,
    OUTPUT_RISES, /* sent; the voltage is to show it */
};

/* How an order ended, for who gave it. */
struct output_answer {
    bool is_there;
    enum exit_status status; /* EXIT_OK, EXIT_USAGE, EXIT_BAD_DATA, EXIT_UNAVAILABLE */
    char problem[200];
};

/* An off that is to come, or was not confirmed. */
struct output_off {
    bool wanted;
    bool asked; /* by somebody: under hold, too */
    bool owed;  /* it may be on by us: however late */
    bool told;  /* as failed */
    bool sent;  /* where the supply does not tell: the voltage is to show it */
    struct output_asker asker;
    double since_s, again_s, sent_s;
};

enum { OUTPUT_EVENTS = 8 };

struct output_plan {
    double rated_voltage_V, rated_current_A; /* NAN: not stated */
    double stage_s;                          /* since when */
    struct output_wish wish;                 /* of the on under way */
    double set_voltage_V, set_limit_A;       /* of OUTPUT_DO_SET */
    double left_voltage_V, left_limit_A;     /* set by it so far, and read back; NAN: nothing was */
    double limit_longest_s, limited_since_s; /* of what is on by us; NAN: not limited */
    double lost_s;                           /* since when there is no link */
    double switched_s;                       /* by us, last */
    double read_s;
    double voltage_set_V, limit_set_A; /* as read; NAN: not known */
    struct output_off off;
    struct output_asker adopted_by;
    struct output_answer on_answer, off_answer;
    struct output_event events[OUTPUT_EVENTS];
    size_t first_event, event_count;
    enum output_stage stage;
    int looks, fine, poor;     /* readings of the look; of them in a row */
    enum known_flag output_on; /* as read, agreed */
    enum known_flag shown;     /* by the last reading that told */
    int contrary;              /* readings in a row that say otherwise */
    bool control;
    bool as_found; /* at what was set already */
    bool is_short; /* so says the look */
    bool ours;     /* on by us */
    bool adopted;  /* was on by us before a restart, and not seen since */
    bool is_lost;  /* there is no link */
    bool was_lost; /* while on by us, under hold */
    bool is_known; /* read since the link is open */
    bool settings_by_hand;
    char saw[WHY_BYTES]; /* what the look saw */
};

/* Before a link is there. `rated_*`: NAN where the profile states none. */
void output_plan_begin(struct output_plan *plan, bool control, double rated_voltage_V,
                       double rated_current_A);

/* On is asked for; on_answer comes at once where it is refused. */
void output_plan_ask_on(struct output_plan *plan, const struct output_wish *wish,
                        const struct output_view *view);

/* Off is asked for by somebody; an on under way ends refused. */
void output_plan_ask_off(struct output_plan *plan, const struct output_asker *asker,
                         const struct output_view *view);

/* Was switched on by us before the last end. */
void output_plan_adopt(struct output_plan *plan, const struct output_asker *asker);

/* The last chance: what is on by us, or may be, wants off (not under hold). */
void output_plan_stop(struct output_plan *plan, const struct output_view *view);

/* The link closed; it is open again. */
void output_plan_lost(struct output_plan *plan, const struct output_view *view);
void output_plan_back(struct output_plan *plan, const struct output_view *view);

/* What to do now, and how it went. `problem`: why not (OUTPUT_NOT_DONE, OUTPUT_NO_LINK);
 * voltage_V, limit_A: what was read back (OUTPUT_DO_READ_SET), else NAN. */
enum output_action output_plan_next(struct output_plan *plan, const struct output_view *view);
void output_plan_did(struct output_plan *plan, const struct output_view *view,
                     enum output_action action, enum output_result result, const char *problem,
                     double voltage_V, double limit_A);

/* A reading of the output, with the set points last read back (NAN: not known). */
void output_plan_read(struct output_plan *plan, const struct output_view *view,
                      const struct reading *reading, double voltage_set_V, double limit_set_A);

/* Readings are of the look: no power-up. */
bool output_plan_hides(const struct output_plan *plan);

/* Steps follow one another: read without pause. */
bool output_plan_is_busy(const struct output_plan *plan);

/* "", "setting", "looking", "waiting for the voltage to fall", "switching on", "switching off" */
const char *output_plan_doing(const struct output_plan *plan);

/* An off was asked for, or was due, and is not confirmed. */
bool output_plan_off_failed(const struct output_plan *plan);

/* What happened, in order, with `supply` still to be filled in; false: nothing more. */
bool output_plan_take_event(struct output_plan *plan, struct output_event *event);

#endif
