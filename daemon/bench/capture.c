/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/capture.h"

#include "base/clock.h"
#include "bench/kept.h"
#include "verdict/under_heat.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <stdlib.h>

/* While it is open, what was read goes to the disk this often. */
static const double APPEND_EVERY_S = 1.0;
/* The phases so far are told this often. */
static const double PROGRESS_EVERY_S = 1.0;
/* The on-time log: a reading at least this often, so that with the wait for
 * the next reading it stays at one a second or more. */
static const double LOG_EVERY_S = 0.8;
/* A draw that moved by this much is logged at once, but not oftener than that. */
static const double LOG_CHANGE_SHARE = 0.05;
static const double LOG_CHANGE_A = 0.005;
static const double LOG_AT_MOST_EVERY_S = 0.1;
/* The on-time log goes to the disk this often. */
static const double LOG_APPEND_EVERY_S = 5.0;

struct capture {
    struct kept *kept;
    struct judge *judge;
    struct shared_reference *reference;
    int64_t zero_us;      /* running clock of the trace's zero */
    struct trace trace;   /* the watch, trace's own time */
    size_t queued;        /* of the trace, on their way to the disk */
    double last_queued_s; /* trace's time of the newest queued */
    struct trace log;     /* after the watch, not yet queued */
    struct reading last_logged;
    double baseline_A;
    double watch_s;
    double next_progress_s; /* monotonic */
    bool watching;
    bool decided;
};

void shared_reference_release(struct shared_reference *shared)
{
    if (!shared || --shared->holders > 0)
        return;
    reference_destroy(shared->reference);
    conditions_clear(&shared->on_bench);
    free(shared);
}

/* From the running clock to the trace's own, in whole microseconds, so that the
 * doubles are those a file of it will read back. */
static struct reading rebase(const struct capture *capture, const struct reading *reading)
{
    struct reading own = *reading;
    own.time_s = (double)(llround(reading->time_s * 1e6) - capture->zero_us) / 1e6;
    return own;
}

static json_t *signature_so_far(struct capture *capture)
{
    const struct verdict *verdict = judge_verdict(capture->judge);
    const struct phases *phases = judge_phases(capture->judge);
    double onset_s = isfinite(verdict->onset_s) ? verdict->onset_s : capture->kept->onset_s;
    json_t *signature = json_object();
    json_object_set_new(signature, "onset_s", isfinite(onset_s) ? json_real(onset_s) : json_null());
    json_object_set_new(signature, "baseline_A",
                        isfinite(capture->baseline_A) ? json_real(capture->baseline_A)
                                                      : json_null());
    json_object_set_new(signature, "final_draw_A",
                        isfinite(verdict->final_draw_A) ? json_real(verdict->final_draw_A)
                                                        : json_null());
    json_object_set_new(signature, "phases",
                        phases ? phases_to_json(phases, onset_s) : json_array());
    return signature;
}

static void queue_unwritten(struct capture *capture)
{
    size_t from = capture->queued;
    if (from == capture->trace.count)
        return;
    kept_queue_append(capture->kept, false, capture->trace.readings + from,
                      capture->trace.count - from);
    capture->queued = capture->trace.count;
    capture->last_queued_s = capture->trace.readings[capture->trace.count - 1].time_s;
}

static void count_verdict(const struct capture *capture, enum verdict_kind kind, double judging_s)
{
    struct status_board *board = capture->kept->place.board;
    pthread_mutex_lock(&board->mutex);
    struct chain_status *status = &board->supplies[capture->kept->place.supply].chain;
    status->verdicts[kind]++;
    if (isfinite(judging_s))
        status->judging_s = judging_s;
    pthread_mutex_unlock(&board->mutex);
}

/* The judge's, save that under heat nothing is good. */
static struct verdict verdict_now(struct capture *capture)
{
    struct verdict verdict = *judge_verdict(capture->judge);
    if (kept_under_heat(capture->kept))
        under_heat(&verdict);
    return verdict;
}

/* Feeds one reading of the trace; on the reading that settles it the verdict
 * goes to the disk with every reading up to it. */
static void judge_next(struct capture *capture, const struct reading *own, double received_s)
{
    if (capture->decided || !judge_read(capture->judge, own))
        return;
    capture->decided = true;
    const struct verdict verdict = verdict_now(capture);
    json_t *json = verdict_to_json(&verdict);
    json_t *signature = signature_so_far(capture);
    json_t *phases = json_incref(json_object_get(signature, "phases"));
    json_decref(signature);
    count_verdict(capture, verdict.kind, clock_monotonic_s() - received_s);
    size_t from = capture->queued;
    kept_queue_verdict(capture->kept, json, phases, received_s, capture->trace.readings + from,
                       capture->trace.count - from);
    capture->queued = capture->trace.count;
    capture->last_queued_s = own->time_s;
}

static struct capture *allocate(const struct capture_place *place,
                                struct shared_reference *reference)
{
    struct capture *capture = calloc(1, sizeof *capture);
    if (!capture)
        return NULL;
    capture->kept = kept_create(place);
    capture->judge = judge_create(reference ? reference->reference : NULL, place->accuracy);
    if (!capture->kept || !capture->judge) {
        if (capture->kept)
            kept_release(capture->kept);
        judge_destroy(capture->judge);
        free(capture);
        return NULL;
    }
    judge_set_conditions(capture->judge, reference ? &reference->on_bench : NULL);
    return capture;
}

struct capture *capture_begin(const struct capture_place *place, const struct on_bench *on_bench,
                              struct shared_reference *reference, double watch_s,
                              const struct reading *readings, size_t count, double onset_s,
                              int64_t onset_wall_us, double baseline_A)
{
    struct capture *capture = count > 0 ? allocate(place, reference) : NULL;
    if (!capture)
        return NULL;
    capture->reference = reference;
    if (reference)
        reference->holders++;
    capture->zero_us = llround(readings[0].time_s * 1e6);
    capture->baseline_A = baseline_A;
    capture->watch_s = watch_s;
    capture->watching = true;
    struct kept *kept = capture->kept;
    kept->on_bench = *on_bench;
    kept->reference_version = reference ? reference->version : 0;
    kept->started_wall_us = onset_wall_us;
    kept->watch_s = watch_s;
    kept->onset_running_s = onset_s;
    kept->onset_s = (double)(llround(onset_s * 1e6) - capture->zero_us) / 1e6;
    for (size_t i = 0; i < count; i++) {
        struct reading own = rebase(capture, &readings[i]);
        if (!trace_append(&capture->trace, &own)) {
            capture_release(capture);
            return NULL;
        }
    }
    kept->readings = capture->trace.count;
    kept_queue_begin(kept, capture->trace.readings, capture->trace.count);
    capture->queued = capture->trace.count;
    capture->last_queued_s = rebase(capture, &readings[count - 1]).time_s;
    double now_s = clock_monotonic_s();
    capture->next_progress_s = now_s + PROGRESS_EVERY_S / 2;
    for (size_t i = 0; i < capture->trace.count; i++)
        judge_next(capture, &capture->trace.readings[i], now_s);
    return capture;
}

void capture_read(struct capture *capture, const struct reading *reading, double received_s)
{
    struct reading own = rebase(capture, reading);
    if (!trace_append(&capture->trace, &own))
        return;
    judge_next(capture, &own, received_s);
    if (own.time_s - capture->last_queued_s >= APPEND_EVERY_S)
        queue_unwritten(capture);
}

void capture_finish_watch(struct capture *capture, enum power_up_end end)
{
    if (!capture->watching)
        return;
    capture->watching = false;
    judge_end(capture->judge);
    const struct verdict verdict = verdict_now(capture);
    if (!capture->decided)
        count_verdict(capture, verdict.kind, NAN);
    json_t *json = verdict_to_json(&verdict);
    json_t *signature = signature_so_far(capture);
    pthread_mutex_lock(&capture->kept->mutex);
    capture->kept->readings = capture->trace.count;
    pthread_mutex_unlock(&capture->kept->mutex);
    kept_queue_finish(capture->kept, end == END_LOST ? STATE_INCOMPLETE : STATE_COMPLETE, end, json,
                      signature, capture->trace.readings + capture->queued,
                      capture->trace.count - capture->queued);
    capture->queued = capture->trace.count;
    capture->last_logged = capture->trace.readings[capture->trace.count - 1];
    capture->last_queued_s = capture->last_logged.time_s;
}

static void queue_log(struct capture *capture)
{
    if (!capture->log.count)
        return;
    kept_queue_append(capture->kept, true, capture->log.readings, capture->log.count);
    capture->last_queued_s = capture->log.readings[capture->log.count - 1].time_s;
    capture->log.count = 0;
}

void capture_flush(struct capture *capture)
{
    if (capture->watching)
        queue_unwritten(capture);
    else
        queue_log(capture);
}

void capture_read_after(struct capture *capture, const struct reading *reading)
{
    struct reading own = rebase(capture, reading);
    double since_s = own.time_s - capture->last_logged.time_s;
    double moved_A = fabs(own.current_A - capture->last_logged.current_A);
    bool moved =
        own.valid && capture->last_logged.valid &&
        moved_A > fmax(LOG_CHANGE_A, LOG_CHANGE_SHARE * fabs(capture->last_logged.current_A));
    if (since_s < (moved ? LOG_AT_MOST_EVERY_S : LOG_EVERY_S))
        return;
    if (!trace_append(&capture->log, &own))
        return;
    capture->last_logged = own;
    if (own.time_s - capture->last_queued_s >= LOG_APPEND_EVERY_S)
        queue_log(capture);
}

void capture_end_on_time(struct capture *capture, enum power_up_end end, double ended_s)
{
    queue_log(capture);
    double own_s = (double)(llround(ended_s * 1e6) - capture->zero_us) / 1e6;
    kept_queue_end_on_time(capture->kept, end, own_s);
}

bool capture_tend(struct capture *capture, double now_s)
{
    bool waiting = kept_tell_if_late(capture->kept, now_s);
    if (capture->watching && now_s >= capture->next_progress_s) {
        capture->next_progress_s = now_s + PROGRESS_EVERY_S;
        kept_tell_progress(capture->kept, signature_so_far(capture), capture->trace.count);
    }
    return waiting;
}

void capture_move(struct capture *capture, const struct on_bench *on_bench)
{
    kept_move(capture->kept, on_bench);
}

int64_t capture_id(const struct capture *capture)
{
    return kept_id(capture->kept);
}

bool capture_watching(const struct capture *capture)
{
    return capture->watching;
}

void capture_release(struct capture *capture)
{
    if (!capture)
        return;
    kept_release(capture->kept);
    judge_destroy(capture->judge);
    shared_reference_release(capture->reference);
    trace_clear(&capture->trace);
    trace_clear(&capture->log);
    free(capture);
}
