/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the steps of an output (output_plan.c) and what is read of it
 * (output_plan_read.c) share.
 */
#ifndef WAKEDRAW_BENCH_OUTPUT_PLAN_PRIVATE_H
#define WAKEDRAW_BENCH_OUTPUT_PLAN_PRIVATE_H

#include "bench/output_plan.h"

/* How long the voltage of an output that is off may take to fall. */
#define OUTPUT_FALL_S 3.0

struct output_asker plan_asker(const char *who, const char *why);

void plan_tell(struct output_plan *plan, enum output_what what, const struct output_asker *asker,
               double voltage_V, double limit_A, const char *problem);
void plan_tell_plain(struct output_plan *plan, enum output_what what,
                     const struct output_asker *asker);

void plan_enter(struct output_plan *plan, enum output_stage stage, double now_s);

/* An on has begun and has not come about yet. */
bool plan_is_under_way(const struct output_plan *plan);

/* It is known to be off: the first step. */
void plan_begin_on(struct output_plan *plan, double now_s);

/* It will not come about; what may be on already goes off. */
void plan_give_up(struct output_plan *plan, enum exit_status status, const char *problem,
                  double now_s);

/* It has. */
void plan_did_on(struct output_plan *plan, const struct output_view *view);

/* By ourselves; an off that was asked for goes before. */
void plan_want_off(struct output_plan *plan, const char *why, double now_s);

/* The off that was wanted is confirmed. */
void plan_off_succeeded(struct output_plan *plan, double now_s);

/* It is off, whoever did it. */
void plan_is_off(struct output_plan *plan, double now_s);

#endif
