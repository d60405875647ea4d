/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One power-up being caught on one output: its readings from 0.5 s before
 * onset, its judge, what of it is on the disk, and the on-time log after the
 * watch. Used by the chain's thread; its jobs run in the writer's.
 */
#ifndef WAKEDRAW_BENCH_CAPTURE_H
#define WAKEDRAW_BENCH_CAPTURE_H

#include "bench/bench.h"
#include "bench/status.h"
#include "bench/writer.h"
#include "signature/power_up.h"
#include "verdict/judge.h"

/* A reference shared between an output and its open power-up, with what it is
 * compared under; the chain's thread alone counts it. */
struct shared_reference {
    struct reference *reference;
    struct conditions on_bench;
    int version;
    int holders;
};

void shared_reference_release(struct shared_reference *shared);

/* What a capture needs to know of its surroundings. */
struct capture_place {
    struct writer *writer;
    const struct bench_listener *listener;
    struct status_board *board;
    int supply;
    const char *supply_name;
    const char *profile_name;
    const struct accuracy *accuracy;
};

struct capture;

/* Begins with the readings kept (running clock, from 0.5 s before onset, the
 * newest last). NULL when memory is out. */
struct capture *capture_begin(const struct capture_place *place, const struct on_bench *on_bench,
                              struct shared_reference *reference, double watch_s,
                              const struct reading *readings, size_t count, double onset_s,
                              int64_t onset_wall_us, double baseline_A);

/* Takes the next reading of the watch, received at the monotonic instant. */
void capture_read(struct capture *capture, const struct reading *reading, double received_s);

/* The watch is over: judged, kept, told. `end` END_NONE: the watch time was
 * reached, and the on-time goes on. */
void capture_finish_watch(struct capture *capture, enum power_up_end end);

/* Takes a reading after the watch; logged about once a second, and when the
 * draw changes. */
void capture_read_after(struct capture *capture, const struct reading *reading);

/* The on-time is over (after capture_finish_watch). */
void capture_end_on_time(struct capture *capture, enum power_up_end end, double ended_s);

/* Sends what is read and not yet on its way to the disk there. */
void capture_flush(struct capture *capture);

/* To be called every few milliseconds while it says true: tells a verdict whose
 * commit is slow as not yet kept, and the phases so far once a second. */
bool capture_tend(struct capture *capture, double now_s);

/* It was moved or tagged in the store. */
void capture_move(struct capture *capture, const struct on_bench *on_bench);

int64_t capture_id(const struct capture *capture); /* 0: not kept yet */
bool capture_watching(const struct capture *capture);

/* Lets go; jobs still waiting keep what they need. */
void capture_release(struct capture *capture);

#endif
