/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/judge.h"

#include "signature/segment.h"
#include "verdict/judge_state.h"
#include "verdict/settle.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double watch_without_type_s = 30;
/* Readings kept while nothing has begun: onset may be found a little late. */
static const double kept_before_s = 5;
enum { FEWEST_RESTING = 3 };
static const double resting_least_V = 5; /* the voltage is up before onset */

/* Says why there is no verdict so far; made only when asked for. */
static void set_undecided(const struct judge *judge)
{
    struct verdict *verdict = judge->verdict;
    verdict->kind = VERDICT_UNSURE;
    verdict->final = false;
    verdict->decided_at_s = NAN;
    verdict->reason_count = 0;
    verdict->settle_count = 0;
    double watch = judge->reference ? judge->reference->watch_s : watch_without_type_s;
    if (!judge->reference) {
        settle_add_count(verdict, SETTLE_TEACH, 1);
        struct finding finding = finding_of(REASON_NO_REFERENCE);
        reasons_add(verdict, &finding);
    }
    if (!judge->begun) {
        if (judge->reference)
            settle_add_value(verdict, SETTLE_FROM_BEFORE, watch);
        struct finding finding = finding_of(REASON_NO_ONSET);
        if (!judge->volts_seen)
            finding.note = "no voltage was read back";
        reasons_add(verdict, &finding);
        judge_add_differing(judge, verdict);
        return;
    }
    judge_add_differing(judge, verdict);
    double until = isnan(judge->ended_s) ? judge->last_s : judge->ended_s;
    struct finding finding = finding_of(REASON_INCOMPLETE);
    finding.measured = until - verdict->onset_s;
    finding.watch_s = watch;
    if (judge->ended_why == END_OUTPUT_OFF)
        finding.note = "the output was switched off";
    else if (judge->ended_why == END_DRAW_OFF)
        finding.note = "the draw went off with the output still on";
    else if (judge->ended_why == END_LOST)
        finding.note = "the supply was lost";
    if (judge->reference && !judge->differs.any)
        settle_add_value(verdict, SETTLE_READ_ON, watch);
    if (judge->reference || isnan(judge->ended_s) || finding.measured < watch)
        reasons_add(verdict, &finding);
}

struct judge *judge_create(const struct reference *reference, const struct accuracy *accuracy)
{
    struct judge *judge = calloc(1, sizeof *judge);
    if (!judge)
        return NULL;
    judge->verdict = calloc(1, sizeof *judge->verdict);
    if (!judge->verdict) {
        free(judge);
        return NULL;
    }
    judge->reference = reference;
    if (accuracy)
        judge->accuracy = *accuracy;
    else if (reference)
        judge->accuracy = reference->accuracy;
    judge->verdict->onset_s = judge->verdict->final_draw_A = NAN;
    judge->first_s = NAN;
    judge->ended_s = judge->last_s = judge->limit.since_s = NAN;
    struct power_up_rules rules = {.watch_s = reference ? reference->watch_s : watch_without_type_s,
                                   .resolution_A = judge->accuracy.current_resolution_A,
                                   .resolution_V = judge->accuracy.voltage_resolution_V,
                                   .sleeps = reference && reference->sleeps};
    judge->machine = power_up_create(&rules);
    bool templated = reference && reference->phase_count > 0;
    if (templated)
        judge->template = template_judge_create(judge);
    if (!judge->machine || (templated && !judge->template)) {
        judge_destroy(judge);
        return NULL;
    }
    return judge;
}

void judge_destroy(struct judge *judge)
{
    if (!judge)
        return;
    power_up_destroy(judge->machine);
    template_judge_destroy(judge->template);
    trace_clear(&judge->kept);
    phases_clear(&judge->phases);
    free(judge->verdict);
    free(judge);
}

double judge_elapsed_s(const struct judge *judge)
{
    return judge->last_s - judge->verdict->onset_s;
}

void judge_settle(struct judge *judge, enum verdict_kind kind)
{
    judge->verdict->kind = kind;
    judge->verdict->final = true;
    judge->verdict->reason_count = 0;
    judge->verdict->settle_count = 0;
    judge->verdict->decided_at_s = judge_elapsed_s(judge);
}

/* The watch is over at this reading: a record may end a hair before the watch
 * time, so the newest gap between readings is allowed for. */
static bool watch_is_over(const struct judge *judge)
{
    double watch = judge->reference->watch_s;
    double hair = fmin(judge->gap_s, 0.05 * watch);
    return judge_elapsed_s(judge) >= watch - hair - 1e-9;
}

static void settle_asleep(struct judge *judge, const struct reading *reading);

/* Nothing is compared: the reference is of other conditions. */
static void take_differing(struct judge *judge, const struct reading *reading)
{
    if (judge_differing_read(judge, reading) || !watch_is_over(judge))
        return;
    if (judge->drawn || !isnan(judge->limit.since_s))
        judge_settle_differing(judge);
    else
        settle_asleep(judge, reading);
}

/* Takes the reading at `index` of those kept. */
static void take(struct judge *judge, size_t index)
{
    const struct reading *reading = &judge->kept.readings[index];
    judge->taken = index - judge->first + 1;
    judge->gap_s = isnan(judge->last_s) ? 0 : reading->time_s - judge->last_s;
    judge->last_s = reading->time_s;
    if (!judge->reference || judge->verdict->final)
        return;
    if (limit_watch_read(judge, reading))
        return;
    if (judge->differs.any) {
        take_differing(judge, reading);
        return;
    }
    if (judge->template && template_judge_read(judge, reading))
        return;
    if (!watch_is_over(judge))
        return;
    if (judge->template)
        template_judge_end(judge);
    else
        judge_range_end(judge);
}

/* A resting draw above what known-goods had, with the voltage up before onset:
 * something draws that should be asleep. */
static bool resting_draw_is_high(const struct judge *judge, double *baseline_A)
{
    const struct reference *reference = judge->reference;
    if (!reference || judge->differs.any || isnan(reference->baseline_high_A) ||
        judge->first < FEWEST_RESTING)
        return false;
    size_t seen = 0;
    *baseline_A = power_up_baseline_A(judge->machine, &seen);
    const struct reading *before = &judge->kept.readings[judge->first - 1];
    return seen >= FEWEST_RESTING && before->voltage_V > resting_least_V &&
           *baseline_A > reference->baseline_high_A;
}

static void settle_resting(struct judge *judge, double baseline_A)
{
    struct finding finding = finding_of(REASON_LEAKAGE);
    finding.measured = baseline_A;
    finding.high = judge->reference->baseline_high_A;
    judge->last_s = judge->kept.readings[judge->kept.count - 1].time_s;
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}

/* Onset is found: what was kept since then is taken in order, as if onset had
 * been known. Stops at the reading that settles the verdict. */
static void begin(struct judge *judge)
{
    judge->begun = true;
    judge->verdict->onset_s = power_up_onset_s(judge->machine);
    judge->last_s = NAN;
    judge->first = 0;
    while (judge->first < judge->kept.count &&
           judge->kept.readings[judge->first].time_s < judge->verdict->onset_s)
        judge->first++;
    double baseline_A = 0;
    if (resting_draw_is_high(judge, &baseline_A)) {
        settle_resting(judge, baseline_A);
        return;
    }
    size_t count = judge->kept.count;
    for (size_t i = judge->first; i < count && !judge->verdict->final; i++)
        take(judge, i);
}

static void forget_old(struct judge *judge)
{
    struct trace *kept = &judge->kept;
    if (kept->count < 64 || kept->count < kept->capacity)
        return;
    double since = kept->readings[kept->count - 1].time_s - kept_before_s;
    size_t old = 0;
    while (old < kept->count && kept->readings[old].time_s < since)
        old++;
    memmove(kept->readings, kept->readings + old, (kept->count - old) * sizeof *kept->readings);
    kept->count -= old;
}

/* The verdict is final: readings are still kept to the watch's end, so that the
 * phases show the whole power-up. */
static void keep_on(struct judge *judge, const struct reading *reading)
{
    double watch = judge->reference ? judge->reference->watch_s : watch_without_type_s;
    if (judge->closed || reading->time_s - judge->verdict->onset_s > watch ||
        power_up_step(judge->machine, reading) == POWER_UP_ENDED ||
        !trace_append(&judge->kept, reading))
        judge->closed = true;
}

/* It has drawn nothing, or what a sleeping module draws, for so long that the
 * power-up is over. */
static void settle_asleep(struct judge *judge, const struct reading *reading)
{
    judge->last_s = reading->time_s;
    double most_A = 0;
    for (size_t i = judge->first; i < judge->kept.count; i++)
        if (judge->kept.readings[i].valid)
            most_A = fmax(most_A, judge->kept.readings[i].current_A);
    bool nothing = most_A <= judge_nothing_A(judge);
    /* Without a feed it had it may well draw nothing; what it draws asleep is the
     * reference's to say. */
    if (judge->differs.feeds || (judge->differs.any && !nothing)) {
        judge_settle_differing(judge);
        return;
    }
    struct finding finding = finding_of(nothing ? REASON_NO_DRAW : REASON_NO_WAKE);
    finding.measured = most_A;
    finding.at_s = judge_elapsed_s(judge);
    if (!judge->differs.any)
        reference_working_limits(judge->reference, &finding.low, &finding.high);
    judge_settle(judge, VERDICT_BAD);
    reasons_add(judge->verdict, &finding);
}

/* A row whose first reading already shows the voltage up has no rise to begin
 * at: when nothing is drawn for a whole watch, that is the power-up. */
static void check_silent_from_start(struct judge *judge, const struct reading *reading)
{
    if (isnan(judge->first_s))
        judge->first_s = reading->time_s;
    if (!judge->reference || !power_up_voltage_from_start(judge->machine) ||
        reading->time_s - judge->first_s < judge->reference->watch_s)
        return;
    judge->begun = true;
    judge->first = 0;
    judge->verdict->onset_s = judge->first_s;
    settle_asleep(judge, reading);
}

bool judge_read(struct judge *judge, const struct reading *reading)
{
    if (judge->verdict->final) {
        keep_on(judge, reading);
        return true;
    }
    if (judge->closed)
        return false;
    judge->volts_seen |= isfinite(reading->voltage_V);
    if (!judge->begun)
        forget_old(judge);
    enum power_up_event event = power_up_step(judge->machine, reading);
    if (event == POWER_UP_ENDED && judge->begun) {
        judge->closed = true;
        judge->ended_s = power_up_ended_s(judge->machine);
        judge->ended_why = power_up_end(judge->machine);
        if (judge->ended_why == END_NO_DRAW && judge->reference)
            settle_asleep(judge, reading);
        return judge->verdict->final;
    }
    if (!trace_append(&judge->kept, reading)) {
        judge->closed = true;
        return false;
    }
    if (event == POWER_UP_BEGAN)
        begin(judge);
    else if (judge->begun)
        take(judge, judge->kept.count - 1);
    else
        check_silent_from_start(judge, reading);
    return judge->verdict->final;
}

void judge_end(struct judge *judge)
{
    judge->closed = true;
}

const struct verdict *judge_verdict(const struct judge *judge)
{
    if (!judge->verdict->final)
        set_undecided(judge);
    return judge->verdict;
}

const struct phases *judge_phases(struct judge *judge)
{
    if (judge->phases_of == judge->kept.count)
        return &judge->phases;
    judge->phases_of = judge->kept.count;
    phases_clear(&judge->phases);
    struct segment_options options = {.resolution_A = judge->accuracy.current_resolution_A};
    size_t count = judge->begun ? judge->kept.count - judge->first : 0;
    if (count > 0)
        (void)segment_readings(judge->kept.readings + judge->first, count, &options,
                               &judge->phases);
    return &judge->phases;
}

int judge_trace(const struct reference *reference, const struct accuracy *accuracy,
                const struct reading *readings, size_t count, struct verdict *verdict,
                struct phases *phases)
{
    return judge_trace_under(NULL, reference, accuracy, readings, count, verdict, phases);
}

int judge_trace_under(const struct conditions *on_bench, const struct reference *reference,
                      const struct accuracy *accuracy, const struct reading *readings, size_t count,
                      struct verdict *verdict, struct phases *phases)
{
    struct judge *judge = judge_create(reference, accuracy);
    if (!judge)
        return -1;
    judge_set_conditions(judge, on_bench);
    for (size_t i = 0; i < count && !judge->closed; i++) {
        if (judge_read(judge, &readings[i]) && !phases)
            break;
    }
    judge_end(judge);
    *verdict = *judge_verdict(judge);
    if (phases) {
        (void)judge_phases(judge);
        *phases = judge->phases;
        judge->phases = (struct phases){0};
    }
    judge_destroy(judge);
    return 0;
}
