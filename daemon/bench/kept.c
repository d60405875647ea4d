/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/kept.h"

#include "base/clock.h"
#include "base/log.h"
#include "store/checks.h"
#include "store/runs.h"
#include "verdict/under_heat.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { EVENT_DIGITS = 12 };

enum job_kind { JOB_BEGIN, JOB_APPEND, JOB_VERDICT, JOB_FINISH, JOB_END_ON_TIME };

struct kept_job {
    struct writer_job base;
    enum job_kind kind;
    struct kept *kept;
    struct reading *readings;
    size_t count;
    bool after_watch;
    enum power_up_state state;
    enum power_up_end end;
    double ended_s;
    double queued_s; /* monotonic */
    json_t *verdict, *signature;
    struct error error;
};

struct kept *kept_create(const struct capture_place *place)
{
    struct kept *kept = calloc(1, sizeof *kept);
    if (!kept)
        return NULL;
    pthread_mutex_init(&kept->mutex, NULL);
    kept->holders = 1;
    kept->place = *place;
    kept->on_time_s = NAN;
    return kept;
}

void kept_hold(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    kept->holders++;
    pthread_mutex_unlock(&kept->mutex);
}

void kept_release(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    bool last = --kept->holders == 0;
    pthread_mutex_unlock(&kept->mutex);
    if (!last)
        return;
    json_decref(kept->verdict);
    json_decref(kept->bench);
    json_decref(kept->signature);
    json_decref(kept->verdict_phases);
    pthread_mutex_destroy(&kept->mutex);
    free(kept);
}

int64_t kept_id(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    int64_t id = kept->id;
    pthread_mutex_unlock(&kept->mutex);
    return id;
}

/* --- events; called with the mutex held, so that they leave in order --- */

static void tell(const struct kept *kept, const char *name, json_t *event)
{
    char *text = json_dumps(event, JSON_COMPACT | JSON_REAL_PRECISION(EVENT_DIGITS));
    json_decref(event);
    if (text)
        kept->place.listener->happened(kept->place.listener->context, name, text);
    free(text);
}

static json_t *text_or_null(const char *text)
{
    return text[0] ? json_string(text) : json_null();
}

static json_t *number_or_null(double number)
{
    return isfinite(number) ? json_real(number) : json_null();
}

static json_t *id_or_null(int64_t id)
{
    return id ? json_sprintf("%lld", (long long)id) : json_null();
}

static json_t *shared_or_null(json_t *value)
{
    return value ? json_incref(value) : json_null();
}

static const char *end_text(enum power_up_end end)
{
    switch (end) {
    case END_OUTPUT_OFF:
        return "output off";
    case END_DRAW_OFF:
        return "draw off";
    case END_NO_DRAW:
        return "no draw";
    case END_LOST:
        return "supply gone";
    case END_NONE:
        break;
    }
    return "";
}

static json_t *power_up_item(const struct kept *kept)
{
    static const char *const states[] = {"open", "complete", "incomplete"};
    json_t *item = json_object();
    char at[25];
    json_object_set_new(item, "id", id_or_null(kept->id));
    json_object_set_new(item, "supply", json_string(kept->place.supply_name));
    json_object_set_new(item, "started_at", json_string(clock_rfc3339(kept->started_wall_us, at)));
    json_object_set_new(item, "state", json_string(states[kept->state]));
    json_object_set_new(item, "module_type", text_or_null(kept->on_bench.module_type));
    json_object_set_new(item, "unit", text_or_null(kept->on_bench.unit));
    json_object_set_new(item, "work_order", text_or_null(kept->on_bench.work_order));
    json_object_set_new(item, "revision", text_or_null(kept->on_bench.revision));
    json_object_set_new(item, "set_up", text_or_null(kept->on_bench.set_up));
    json_object_set_new(item, "stage", text_or_null(kept->on_bench.stage));
    json_object_set_new(item, "tag", text_or_null(kept->on_bench.tag));
    json_object_set_new(item, "run", id_or_null(kept->run));
    json_object_set_new(item, "known_good", json_null());
    json_object_set_new(item, "bench", shared_or_null(kept->bench));
    json_object_set_new(item, "verdict", shared_or_null(kept->verdict));
    json_object_set_new(item, "reference_version",
                        kept->reference_version ? json_integer(kept->reference_version)
                                                : json_null());
    json_object_set_new(item, "onset_s", number_or_null(kept->onset_s));
    json_object_set_new(item, "ended_why", text_or_null(end_text(kept->end)));
    json_object_set_new(item, "on_time_s", number_or_null(kept->on_time_s));
    json_object_set_new(item, "readings", json_integer((json_int_t)kept->readings));
    return item;
}

static void tell_power_up(const struct kept *kept)
{
    json_t *event = json_object();
    json_object_set_new(event, "supply", json_string(kept->place.supply_name));
    json_object_set_new(event, "onset_time_s", number_or_null(kept->onset_running_s));
    json_object_set_new(event, "watch_s", number_or_null(kept->watch_s));
    json_object_set_new(event, "power_up", power_up_item(kept));
    json_object_set_new(event, "signature", shared_or_null(kept->signature));
    tell(kept, "power-up", event);
}

static void tell_verdict(const struct kept *kept, bool is_kept, double commit_s)
{
    json_t *event = json_object();
    json_object_set_new(event, "supply", json_string(kept->place.supply_name));
    json_object_set_new(event, "power_up", id_or_null(kept->id));
    json_object_set_new(event, "verdict", shared_or_null(kept->verdict));
    json_object_set_new(event, "phases", shared_or_null(kept->verdict_phases));
    json_object_set_new(event, "reference_version",
                        kept->reference_version ? json_integer(kept->reference_version)
                                                : json_null());
    json_object_set_new(event, "kept", json_boolean(is_kept));
    json_object_set_new(event, "judging_s", number_or_null(kept->judging_s));
    json_object_set_new(event, "commit_s", number_or_null(commit_s));
    json_object_set_new(event, "told_after_s",
                        number_or_null(clock_monotonic_s() - kept->received_s));
    tell(kept, "verdict", event);
}

/* It is told by its number, or that there is none: its beginning was not kept. */
static bool may_be_told(const struct kept *kept)
{
    return kept->id || kept->damaged;
}

bool kept_tell_if_late(struct kept *kept, double now_s)
{
    pthread_mutex_lock(&kept->mutex);
    if (kept->telling == TELL_PENDING && may_be_told(kept) &&
        now_s - kept->pending_since_s > KEPT_PATIENCE_S) {
        kept->telling = TELL_UNKEPT;
        tell_verdict(kept, false, NAN);
    }
    bool waiting = kept->telling == TELL_PENDING;
    pthread_mutex_unlock(&kept->mutex);
    return waiting;
}

void kept_tell_progress(struct kept *kept, json_t *signature, size_t readings)
{
    pthread_mutex_lock(&kept->mutex);
    json_decref(kept->signature);
    kept->signature = signature;
    kept->readings = readings;
    if (kept->state == STATE_OPEN && may_be_told(kept))
        tell_power_up(kept);
    pthread_mutex_unlock(&kept->mutex);
}

bool kept_under_heat(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    bool is = is_under_heat(kept->on_bench.tag, kept->on_bench.stage);
    pthread_mutex_unlock(&kept->mutex);
    return is;
}

void kept_move(struct kept *kept, const struct on_bench *on_bench)
{
    pthread_mutex_lock(&kept->mutex);
    struct on_bench *own = &kept->on_bench;
    memcpy(own->unit, on_bench->unit, sizeof own->unit);
    memcpy(own->work_order, on_bench->work_order, sizeof own->work_order);
    memcpy(own->stage, on_bench->stage, sizeof own->stage);
    memcpy(own->tag, on_bench->tag, sizeof own->tag);
    if (kept->verdict && is_under_heat(own->tag, own->stage)) {
        json_t *verdict = under_heat_json(kept->verdict);
        if (verdict) {
            json_decref(kept->verdict);
            kept->verdict = verdict;
        }
    }
    tell_power_up(kept);
    pthread_mutex_unlock(&kept->mutex);
}

/* --- jobs, in the writer's thread --- */

static void note_commit(const struct kept *kept, bool done, double commit_s)
{
    pthread_mutex_lock(&kept->place.board->mutex);
    struct chain_status *status = &kept->place.board->supplies[kept->place.supply].chain;
    if (done) {
        status->commit_s = commit_s;
        status->commits++;
    } else {
        status->not_kept++;
    }
    pthread_mutex_unlock(&kept->place.board->mutex);
}

static int begin(struct kept_job *job, struct store *store, struct error *error)
{
    struct kept *kept = job->kept;
    int64_t id = 0;
    kept->written_id = 0;
    if (store_begin_power_up(store, kept->place.supply_name, kept->started_wall_us, &kept->on_bench,
                             kept->place.profile_name, job->readings, job->count, &id,
                             error) != 0 ||
        store_note_onset(store, id, kept->onset_s, error) != 0 ||
        store_run_of_power_up(store, id, &kept->written_run, error) != 0)
        return -1;
    kept->written_id = id;
    struct error unknown = {0};
    json_t *bench = store_power_up_bench(store, id, &unknown);
    pthread_mutex_lock(&kept->mutex);
    json_decref(kept->bench);
    kept->bench = bench;
    pthread_mutex_unlock(&kept->mutex);
    return 0;
}

/* Its beginning is on the disk: from now on it goes by its number. */
static void publish_id(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    kept->id = kept->written_id;
    kept->run = kept->written_run;
    pthread_mutex_unlock(&kept->mutex);
    pthread_mutex_lock(&kept->place.board->mutex);
    kept->place.board->supplies[kept->place.supply].chain.open_id = kept->written_id;
    pthread_mutex_unlock(&kept->place.board->mutex);
}

static bool is_late(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    bool late = kept->unfinished && kept->id;
    pthread_mutex_unlock(&kept->mutex);
    return late;
}

/* Its watch was over while the disk took nothing: what is known is written now. */
static int finish_late(struct kept_job *job, struct store *store, struct error *error)
{
    struct kept *kept = job->kept;
    if (!is_late(kept))
        return 0;
    pthread_mutex_lock(&kept->mutex);
    json_t *verdict = shared_or_null(kept->verdict);
    json_t *signature = shared_or_null(kept->signature);
    pthread_mutex_unlock(&kept->mutex);
    int status = store_finish_power_up(store, kept->written_id, STATE_INCOMPLETE, verdict,
                                       kept->reference_version, signature, NULL, 0, error);
    json_decref(verdict);
    json_decref(signature);
    if (status == 0) {
        pthread_mutex_lock(&kept->mutex);
        kept->unfinished = false;
        kept->telling = TELL_KEPT;
        tell_verdict(kept, true, clock_monotonic_s() - job->queued_s);
        pthread_mutex_unlock(&kept->mutex);
    }
    return status;
}

static bool is_damaged(struct kept *kept)
{
    pthread_mutex_lock(&kept->mutex);
    bool damaged = kept->damaged;
    pthread_mutex_unlock(&kept->mutex);
    return damaged;
}

/* What could not be kept is missing from the record: it is incomplete, however
 * it ended. */
static void note_damage(struct kept *kept, enum job_kind kind)
{
    pthread_mutex_lock(&kept->mutex);
    kept->damaged = true;
    kept->unfinished = kept->unfinished || kind == JOB_FINISH;
    pthread_mutex_unlock(&kept->mutex);
}

static int carry_out(struct kept_job *job, struct store *store, struct error *error)
{
    int64_t id = job->kept->written_id;
    if (job->kind == JOB_BEGIN)
        return begin(job, store, error);
    if (!id)
        return error_set(error, EXIT_IO, "", 0, NULL, "its beginning was not kept");
    switch (job->kind) {
    case JOB_APPEND:
        return store_append_readings(store, id, job->after_watch, job->readings, job->count, error);
    case JOB_VERDICT:
        return store_set_verdict(store, id, job->verdict, job->kept->reference_version,
                                 job->readings, job->count, error);
    case JOB_FINISH:
        if (is_damaged(job->kept))
            job->state = STATE_INCOMPLETE;
        return store_finish_power_up(store, id, job->state, job->verdict,
                                     job->kept->reference_version, job->signature, job->readings,
                                     job->count, error);
    case JOB_END_ON_TIME:
        return store_end_on_time(store, id, job->ended_s, end_text(job->end), error);
    case JOB_BEGIN:
        break;
    }
    return -1;
}

/* Its beginning may have come to the disk after its end was seen. */
static void forget_open(const struct kept *kept)
{
    pthread_mutex_lock(&kept->place.board->mutex);
    struct chain_status *status = &kept->place.board->supplies[kept->place.supply].chain;
    if (status->open_id == kept->id)
        status->open_id = 0;
    pthread_mutex_unlock(&kept->place.board->mutex);
}

/* What the page is told once a job is on the disk, or has failed. */
static void tell_outcome(struct kept_job *job, bool done, double commit_s)
{
    struct kept *kept = job->kept;
    pthread_mutex_lock(&kept->mutex);
    bool verdict_settled =
        (job->kind == JOB_VERDICT || job->kind == JOB_FINISH) &&
        (kept->telling == TELL_PENDING || (done && kept->telling == TELL_UNKEPT));
    if (verdict_settled) {
        tell_verdict(kept, done, commit_s);
        kept->telling = done ? TELL_KEPT : TELL_UNKEPT;
    }
    if (job->kind == JOB_FINISH) {
        kept->state = done ? job->state : STATE_INCOMPLETE;
        kept->end = job->end;
    }
    if (job->kind == JOB_END_ON_TIME) {
        kept->end = job->end;
        kept->on_time_s = job->ended_s - kept->onset_s;
        forget_open(kept);
    }
    if (job->kind == JOB_BEGIN || job->kind == JOB_FINISH || job->kind == JOB_END_ON_TIME)
        tell_power_up(kept);
    pthread_mutex_unlock(&kept->mutex);
}

static void free_job(struct kept_job *job)
{
    json_decref(job->verdict);
    json_decref(job->signature);
    kept_release(job->kept);
    free(job->readings);
    free(job);
}

/* Nothing is told yet: in a group it is not on the disk when this returns. */
static bool run_job(struct writer_job *base, struct store *store, bool grouped)
{
    struct kept_job *job = (struct kept_job *)base;
    if (grouped && is_late(job->kept))
        return false;
    job->error = (struct error){0};
    return finish_late(job, store, &job->error) == 0 && carry_out(job, store, &job->error) == 0;
}

static void settle_job(struct writer_job *base, bool done)
{
    struct kept_job *job = (struct kept_job *)base;
    /* From being queued: waiting for an earlier commit is the disk's time too. */
    double commit_s = clock_monotonic_s() - job->queued_s;
    char text[1200] = "";
    if (!done)
        log_failure("a power-up on %s is not kept: %s", job->kept->place.supply_name,
                    error_text(&job->error, text, sizeof text));
    if (done && job->kind == JOB_BEGIN)
        publish_id(job->kept);
    /* What follows a beginning that failed says nothing new. */
    if (done || job->kind == JOB_BEGIN || kept_id(job->kept))
        status_note_write(job->kept->place.board, done ? NULL : text);
    if (!done)
        note_damage(job->kept, job->kind);
    note_commit(job->kept, done, commit_s);
    tell_outcome(job, done, commit_s);
    free_job(job);
}

/* --- queueing, in the chain's thread --- */

static struct kept_job *new_job(struct kept *kept, enum job_kind kind,
                                const struct reading *readings, size_t count)
{
    struct kept_job *job = calloc(1, sizeof *job);
    if (!job)
        return NULL;
    job->base.run = run_job;
    job->base.settle = settle_job;
    job->kind = kind;
    if (count) {
        job->readings = malloc(count * sizeof *readings);
        if (!job->readings) {
            free(job);
            return NULL;
        }
        memcpy(job->readings, readings, count * sizeof *readings);
        job->count = count;
    }
    kept_hold(kept);
    job->kept = kept;
    job->queued_s = clock_monotonic_s();
    return job;
}

static void queue_job(struct kept *kept, enum job_kind kind, struct kept_job *job)
{
    if (job && writer_push(kept->place.writer, &job->base))
        return;
    log_failure("a power-up on %s is not kept: %s", kept->place.supply_name,
                job ? "the disk does not keep up" : "memory is out");
    note_commit(kept, false, NAN);
    note_damage(kept, kind);
    if (job)
        free_job(job);
}

void kept_queue_begin(struct kept *kept, const struct reading *readings, size_t count)
{
    queue_job(kept, JOB_BEGIN, new_job(kept, JOB_BEGIN, readings, count));
}

void kept_queue_append(struct kept *kept, bool after_watch, const struct reading *readings,
                       size_t count)
{
    struct kept_job *job = new_job(kept, JOB_APPEND, readings, count);
    if (job)
        job->after_watch = after_watch;
    queue_job(kept, JOB_APPEND, job);
}

static void put_verdict(struct kept *kept, json_t *verdict, json_t *phases, double received_s)
{
    json_decref(kept->verdict);
    kept->verdict = json_incref(verdict);
    json_decref(kept->verdict_phases);
    kept->verdict_phases = phases;
    kept->received_s = received_s;
    kept->pending_since_s = clock_monotonic_s();
    kept->judging_s = kept->pending_since_s - received_s;
    kept->telling = TELL_PENDING;
}

void kept_queue_verdict(struct kept *kept, json_t *verdict, json_t *phases, double received_s,
                        const struct reading *readings, size_t count)
{
    pthread_mutex_lock(&kept->mutex);
    put_verdict(kept, verdict, phases, received_s);
    pthread_mutex_unlock(&kept->mutex);
    struct kept_job *job = new_job(kept, JOB_VERDICT, readings, count);
    if (job)
        job->verdict = verdict;
    else
        json_decref(verdict);
    queue_job(kept, JOB_VERDICT, job);
}

void kept_queue_finish(struct kept *kept, enum power_up_state state, enum power_up_end end,
                       json_t *verdict, json_t *signature, const struct reading *readings,
                       size_t count)
{
    pthread_mutex_lock(&kept->mutex);
    if (kept->telling == TELL_NOTHING)
        put_verdict(kept, verdict, json_deep_copy(json_object_get(signature, "phases")), NAN);
    json_decref(kept->signature);
    kept->signature = json_incref(signature);
    pthread_mutex_unlock(&kept->mutex);
    struct kept_job *job = new_job(kept, JOB_FINISH, readings, count);
    if (job) {
        job->state = state;
        job->end = end;
        job->verdict = verdict;
        job->signature = signature;
    } else {
        json_decref(verdict);
        json_decref(signature);
    }
    queue_job(kept, JOB_FINISH, job);
}

void kept_queue_end_on_time(struct kept *kept, enum power_up_end end, double ended_s)
{
    struct kept_job *job = new_job(kept, JOB_END_ON_TIME, NULL, 0);
    if (job) {
        job->end = end;
        job->ended_s = ended_s;
    }
    queue_job(kept, JOB_END_ON_TIME, job);
}
