/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The part of a power-up that the chain and the store's writer share: its
 * identity, what was said of it, and the jobs that put it on the disk and tell
 * the listener once it is there.
 */
#ifndef WAKEDRAW_BENCH_KEPT_H
#define WAKEDRAW_BENCH_KEPT_H

#include "bench/capture.h"

#include <pthread.h>

enum verdict_telling { TELL_NOTHING, TELL_PENDING, TELL_UNKEPT, TELL_KEPT };

struct kept {
    pthread_mutex_t mutex; /* all below that changes, and the order of events */
    int holders;
    struct capture_place place;
    struct on_bench on_bench;
    int64_t id;         /* 0: its beginning is not on the disk */
    int64_t run;        /* it belongs to; 0: none */
    int64_t written_id; /* the writer's thread alone: before it is committed, too */
    int64_t written_run;
    int64_t started_wall_us;
    int reference_version;
    double watch_s;
    double onset_running_s; /* running clock */
    double onset_s;         /* trace's own time */
    /* what the events say */
    enum power_up_state state;
    enum power_up_end end;
    double on_time_s; /* NAN while it goes on */
    size_t readings;
    bool damaged;    /* something of it could not be kept */
    bool unfinished; /* nor could how it finished: still to be written */
    json_t *bench;   /* whether it was verified as this began; NULL: not known */
    json_t *verdict;
    json_t *signature;
    json_t *verdict_phases;
    double received_s; /* monotonic: the reading that settled the verdict; NAN */
    double judging_s;  /* from then until the verdict was queued for the disk */
    enum verdict_telling telling;
    double pending_since_s; /* monotonic */
};

struct kept *kept_create(const struct capture_place *place);
void kept_hold(struct kept *kept);
void kept_release(struct kept *kept);

/* Each copies the readings, queues the job and takes over the JSON values. */
void kept_queue_begin(struct kept *kept, const struct reading *readings, size_t count);
void kept_queue_append(struct kept *kept, bool after_watch, const struct reading *readings,
                       size_t count);
void kept_queue_verdict(struct kept *kept, json_t *verdict, json_t *phases, double received_s,
                        const struct reading *readings, size_t count);
void kept_queue_finish(struct kept *kept, enum power_up_state state, enum power_up_end end,
                       json_t *verdict, json_t *signature, const struct reading *readings,
                       size_t count);
void kept_queue_end_on_time(struct kept *kept, enum power_up_end end, double ended_s);

/* Tells the verdict as not yet kept if it has waited longer than this. True
 * while it waits. */
#define KEPT_PATIENCE_S 0.04
bool kept_tell_if_late(struct kept *kept, double now_s);

/* A power-up event with the signature so far (which it takes over). */
void kept_tell_progress(struct kept *kept, json_t *signature, size_t readings);

/* It was moved or tagged in the store; told as what it is now. */
void kept_move(struct kept *kept, const struct on_bench *on_bench);

/* Whether it is under heat (verdict/under_heat.h). */
bool kept_under_heat(struct kept *kept);

int64_t kept_id(struct kept *kept);

#endif
