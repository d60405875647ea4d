/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One unit powered up again and again: when the output goes on and off, and when
 * the run is over. Switched by us, or by hand, when it only counts. Pure: it is told
 * what the bench looks like and says what to do next.
 */
#ifndef WAKEDRAW_BENCH_RUN_PLAN_H
#define WAKEDRAW_BENCH_RUN_PLAN_H

#include <stdbool.h>

/* What was asked for. */
struct run_wish {
    int wanted;          /* power-ups, 1 or more */
    double off_s;        /* off between them at least: long enough for a reset; 0.5 to 600 */
    double on_s;         /* on after onset; NAN: until the watch is over */
    bool stop_on_bad;    /* the first bad verdict ends it */
    bool switched_by_us; /* else by hand */
};

/* What the bench looks like now. */
struct run_view {
    double now_s;        /* monotonic */
    bool is_reachable;   /* the supply answers */
    bool output_on;      /* as read back */
    bool is_held;        /* nobody may switch it now */
    int begun;           /* power-ups of this run that began */
    int done;            /* of them, those whose watch is over */
    bool newest_watched; /* the newest one's watch is over */
    double newest_on_s;  /* since its onset; NAN: none is on */
    bool any_bad;
};

enum run_action {
    RUN_WAIT,
    RUN_SWITCH_ON,
    RUN_SWITCH_OFF,
    RUN_END, /* over: run_end_text says why */
};

enum run_end {
    RUN_GOES_ON,
    RUN_COMPLETE,
    RUN_BAD,         /* stopped on the first bad one */
    RUN_NO_POWER_UP, /* switched on, and nothing woke or was caught */
    RUN_LOST,        /* the supply did not answer for RUN_PATIENCE_S */
    RUN_BY_HAND,     /* a hand switched where we were to switch, or the supply itself did */
};

#define RUN_PATIENCE_S 30.0

struct run_plan {
    struct run_wish wish;
    bool wants_on; /* what we last asked of the output */
    bool asked;    /* anything was asked yet */
    double asked_s;
    double again_s;       /* not asked before this; NAN */
    double off_since_s;   /* output seen off without a break since; NAN: on */
    double lost_since_s;  /* NAN: it answers */
    int begun_when_asked; /* view.begun when we switched on */
    enum run_end end;
};

void run_plan_begin(struct run_plan *plan, const struct run_wish *wish);

/* What to do now. After RUN_END it stays so. A run that ends, or loses its supply,
 * with the output on by us asks for RUN_SWITCH_OFF before RUN_END. */
enum run_action run_plan_step(struct run_plan *plan, const struct run_view *view);

/* What was asked last could not be carried out, the supply not being reached: it is
 * asked again, a second later at the earliest. */
void run_plan_refused(struct run_plan *plan, const struct run_view *view);

/* What is left, s, by the pace so far (`elapsed_s` since the start); NAN: not known
 * yet. */
double run_left_s(const struct run_plan *plan, const struct run_view *view, double elapsed_s);

const char *run_end_text(enum run_end end); /* "complete", ...; "" while it goes on */

#endif
