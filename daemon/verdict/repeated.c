/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/repeated.h"

#include "trend/proportion.h"
#include "verdict/conformity.h"
#include "verdict/failure_pattern.h"
#include "verdict/repeated_means.h"
#include "verdict/settle.h"
#include "verdict/template_state.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_MORE = 300 };
static const double confidence = 0.95;
static const double low_rate = 0.01, high_rate = 0.10, test_error = 0.05;
/* For the bound: Wald's keep an error to about its size, and this to below 0.05. */
static const double second_error = 0.045;
static const double next_bounds[] = {0.05, 0.01}; /* failure rates worth naming */

static double square(double x)
{
    return x * x;
}

static void describe_durations(const struct judge *judge, struct repeated_power_up *power_up)
{
    const struct path *path = follow_best(judge->template->follow);
    const struct reference *reference = judge->reference;
    for (size_t p = 0; p < REFERENCE_MOST_PHASES; p++)
        power_up->log_duration[p] = power_up->log_duration_u[p] = NAN;
    if (!path)
        return;
    for (size_t p = 0; p < (size_t)path->phase; p++) {
        size_t from = path->starts[p];
        size_t to = path->starts[p + 1];
        double expected_s = reference->phases[p].duration_s;
        double length_s = since_onset(judge, to)->time_s - since_onset(judge, from)->time_s;
        if (!(length_s > 0) || !(expected_s > 0))
            continue;
        double gap = 0;
        if (from > 0)
            gap += square(since_onset(judge, from)->time_s - since_onset(judge, from - 1)->time_s);
        gap += square(since_onset(judge, to)->time_s - since_onset(judge, to - 1)->time_s);
        gap = fmax(gap, 2 * square(reference->refresh_s));
        power_up->log_duration[p] = log(length_s / expected_s);
        power_up->log_duration_u[p] = sqrt(gap / 12) / length_s;
    }
}

void repeated_describe(const struct judge *judge, struct repeated_power_up *power_up)
{
    const struct verdict *verdict = judge_verdict(judge);
    *power_up = (struct repeated_power_up){.kind = verdict->kind,
                                           .has_reason = verdict->reason_count > 0,
                                           .final_draw_A = verdict->final_draw_A};
    if (power_up->has_reason)
        power_up->reason = verdict->reasons[0];
    power_up->settle_count = verdict->settle_count;
    memcpy(power_up->settles, verdict->settles, verdict->settle_count * sizeof *verdict->settles);
    const struct template_judge *template = judge->template;
    if (!template)
        return;
    power_up->phase_count = template->level_count;
    for (size_t p = 0; p < template->level_count; p++)
        power_up->levels[p] = template->levels[p];
    describe_durations(judge, power_up);
}

/* Of a level, that lies too near to a limit or to the smallest fault. */
static bool is_of_a_level(enum reason_code code)
{
    return code == REASON_CANNOT_RESOLVE || code == REASON_LOW_FINAL || code == REASON_HIGH_FINAL;
}

static struct judge *read_all(const struct conditions *on_bench, const struct reference *reference,
                              const struct accuracy *accuracy, const struct reading *readings,
                              size_t count, bool measuring)
{
    struct judge *judge = judge_create(reference, accuracy);
    if (!judge)
        return NULL;
    judge_set_conditions(judge, on_bench);
    judge->measuring = measuring;
    for (size_t i = 0; i < count && !judge->closed; i++)
        judge_read(judge, &readings[i]);
    judge_end(judge);
    return judge;
}

/* What was decided early on a level was measured when it looked its worst; the
 * unit is judged by the whole watch. -1: memory is out. */
static int measure_on(const struct reference *reference, const struct accuracy *accuracy,
                      const struct reading *readings, size_t count,
                      struct repeated_power_up *power_up)
{
    struct judge *judge = read_all(NULL, reference, accuracy, readings, count, true);
    if (!judge)
        return -1;
    const struct template_judge *template = judge->template;
    bool whole = judge_verdict(judge)->kind != VERDICT_BAD && judge_verdict(judge)->final &&
                 template->level_count == reference->phase_count;
    if (whole) {
        struct repeated_power_up measured;
        repeated_describe(judge, &measured);
        measured.kind = power_up->kind;
        measured.has_reason = power_up->has_reason;
        measured.reason = power_up->reason;
        measured.settle_count = 0;
        measured.level_alone = true;
        *power_up = measured;
    }
    judge_destroy(judge);
    return 0;
}

int repeated_judge_trace(const struct reference *reference, const struct accuracy *accuracy,
                         const struct reading *readings, size_t count, struct verdict *verdict,
                         struct phases *phases, struct repeated_power_up *power_up)
{
    return repeated_judge_trace_under(NULL, reference, accuracy, readings, count, verdict, phases,
                                      power_up);
}

int repeated_judge_trace_under(const struct conditions *on_bench, const struct reference *reference,
                               const struct accuracy *accuracy, const struct reading *readings,
                               size_t count, struct verdict *verdict, struct phases *phases,
                               struct repeated_power_up *power_up)
{
    struct judge *judge = read_all(on_bench, reference, accuracy, readings, count, false);
    if (!judge)
        return -1;
    *verdict = *judge_verdict(judge);
    (void)judge_phases(judge);
    *phases = judge->phases;
    judge->phases = (struct phases){0};
    repeated_describe(judge, power_up);
    bool of_level = judge->template && power_up->kind == VERDICT_BAD && power_up->has_reason &&
                    is_of_a_level(power_up->reason.code);
    judge_destroy(judge);
    return of_level ? measure_on(reference, accuracy, readings, count, power_up) : 0;
}

static struct reason *new_reason(struct unit_verdict *verdict, enum reason_code code)
{
    struct reason *reason = &verdict->reasons[verdict->reason_count < UNIT_VERDICT_MOST_REASONS
                                                  ? verdict->reason_count++
                                                  : UNIT_VERDICT_MOST_REASONS - 1];
    *reason = (struct reason){
        .code = code, .phase = -1, .measured = NAN, .low = NAN, .high = NAN, .beyond = NAN};
    return reason;
}

static void add_reason(struct unit_verdict *verdict, const struct reason *reason)
{
    *new_reason(verdict, reason->code) = *reason;
}

static void say_two_kinds(struct reason *reason)
{
    reason->pattern = failure_pattern_two_kinds();
    failure_pattern_say(reason->pattern, reason->details, sizeof reason->details);
}

static void rate_failures(struct unit_verdict *verdict)
{
    struct failure_rate *rate = &verdict->failure_rate;
    unsigned tries = (unsigned)(verdict->good + verdict->bad);
    unsigned failures = (unsigned)verdict->bad;
    *rate = (struct failure_rate){.low = NAN, .high = NAN, .confidence = confidence, .sides = 2};
    if (tries == 0)
        return;
    if (failures > 0) {
        struct proportion_limits limits = proportion_between(failures, tries, confidence);
        rate->low = limits.low;
        rate->high = limits.high;
        snprintf(rate->text, sizeof rate->text,
                 "%u of %u power-ups failed: a failure rate of %.3g to %.3g %% (exact, two-sided "
                 "%.0f %%), for independent cycles under the tested conditions",
                 failures, tries, 100 * rate->low, 100 * rate->high, 100 * confidence);
        return;
    }
    rate->sides = 1;
    rate->low = 0;
    rate->high = proportion_without_failure(tries, confidence);
    int used = snprintf(rate->text, sizeof rate->text,
                        "zero failures in %u bound the failure rate below %.2g %% (exact, "
                        "one-sided %.0f %%), for independent cycles under the tested conditions",
                        tries, 100 * rate->high, 100 * confidence);
    for (size_t i = 0; i < sizeof next_bounds / sizeof *next_bounds; i++) {
        unsigned needed = proportion_tries_for(next_bounds[i], confidence);
        if (needed <= tries)
            continue;
        snprintf(rate->text + used, sizeof rate->text - (size_t)used,
                 "; %u in all without one would bound it below %.0f %%", needed,
                 100 * next_bounds[i]);
        break;
    }
}

struct failure_test failure_test_take(const bool *failed, size_t count)
{
    struct failure_test test = {.low_rate = low_rate, .high_rate = high_rate, .error = test_error};
    struct sequential sequential;
    sequential_begin(&sequential, test_error, second_error);
    for (size_t i = 0; i < count && sequential.state == SEQUENTIAL_GO_ON; i++) {
        sequential_add_outcome(&sequential, failed[i], low_rate, high_rate);
        test.failures += failed[i];
        test.power_ups++;
        if (test.power_ups == FAILURE_TEST_MOST && sequential.state == SEQUENTIAL_GO_ON)
            sequential.state = sequential.ratio > 0 ? SEQUENTIAL_SECOND : SEQUENTIAL_FIRST;
    }
    test.state = sequential.state;
    while (sequential.state == SEQUENTIAL_GO_ON) {
        sequential_add_outcome(&sequential, false, low_rate, high_rate);
        test.more_without_failure++;
        if (sequential.count == FAILURE_TEST_MOST)
            break;
    }
    return test;
}

/* Bad among good and bad, in their order. -1: memory is out. */
static int test_failures(const struct repeated_power_up *power_ups, size_t count,
                         struct unit_verdict *verdict)
{
    bool *failed = calloc(count ? count : 1, sizeof *failed);
    if (!failed)
        return -1;
    size_t decided = 0;
    for (size_t i = 0; i < count; i++)
        if (power_ups[i].kind != VERDICT_UNSURE)
            failed[decided++] = power_ups[i].kind == VERDICT_BAD;
    verdict->failure_test = failure_test_take(failed, decided);
    free(failed);
    return 0;
}

/* Power-ups that may be of another kind, among those that were measured. Returns
 * how many; -1: memory is out. */
static int test_open_kinds(const struct reference *reference,
                           const struct repeated_power_up *power_ups, size_t count,
                           struct unit_verdict *verdict)
{
    bool *failed = calloc(count, sizeof *failed);
    if (!failed)
        return -1;
    size_t measured = 0;
    int others = 0;
    for (size_t i = 0; i < count; i++) {
        if (power_up_is_void(&power_ups[i]))
            continue;
        failed[measured] = may_be_of_another_kind(reference, power_ups, count, i);
        others += failed[measured++];
    }
    if (others > 0)
        verdict->failure_test = failure_test_take(failed, measured);
    free(failed);
    return others;
}

/* The rarer of two kinds is the failure. -1: memory is out. */
static int test_kinds(const struct reference *reference, const struct repeated_power_up *power_ups,
                      size_t count, const struct two_kinds *kinds, struct unit_verdict *verdict)
{
    bool *failed = calloc(count, sizeof *failed);
    if (!failed)
        return -1;
    bool low_is_rare = kinds->low_count <= kinds->high_count;
    for (size_t i = 0; i < count; i++)
        failed[i] = two_kinds_is_low(kinds, reference, &power_ups[i]) == low_is_rare;
    verdict->failure_test = failure_test_take(failed, count);
    free(failed);
    return 0;
}

/* The reason that most power-ups of a kind give. */
static const struct repeated_power_up *commonest(const struct repeated_power_up *power_ups,
                                                 size_t count, enum verdict_kind kind)
{
    const struct repeated_power_up *best = NULL;
    size_t most = 0;
    for (size_t i = 0; i < count; i++) {
        if (power_ups[i].kind != kind || !power_ups[i].has_reason)
            continue;
        size_t same = 0;
        for (size_t k = 0; k < count; k++)
            same += power_ups[k].kind == kind && power_ups[k].has_reason &&
                    power_ups[k].reason.code == power_ups[i].reason.code;
        if (same > most) {
            most = same;
            best = &power_ups[i];
        }
    }
    return best;
}

static void judge_bad(const struct repeated_power_up *power_ups, size_t count,
                      struct unit_verdict *verdict)
{
    verdict->kind = VERDICT_BAD;
    if (verdict->good > 0) {
        verdict->intermittent = true;
        struct reason *reason = new_reason(verdict, REASON_INTERMITTENT);
        snprintf(reason->text, sizeof reason->text,
                 "intermittent: bad in %zu of %zu power-ups, good in %zu; the failure rate lies "
                 "between %.3g and %.3g %% (exact, two-sided %.0f %%)",
                 verdict->bad, verdict->power_ups, verdict->good, 100 * verdict->failure_rate.low,
                 100 * verdict->failure_rate.high, 100 * confidence);
        say_two_kinds(reason);
    }
    const struct repeated_power_up *example = commonest(power_ups, count, VERDICT_BAD);
    if (example)
        add_reason(verdict, &example->reason);
}

/* Words and settles are added as to a power-up's verdict. */
static void take_settles(struct unit_verdict *verdict, const struct verdict *room)
{
    verdict->settle_count = room->settle_count;
    memcpy(verdict->settles, room->settles, room->settle_count * sizeof *room->settles);
}

static void name_two_kinds(const struct two_kinds *kinds, struct unit_verdict *verdict)
{
    static const enum verdict_kind by_state[] = {[SEQUENTIAL_GO_ON] = VERDICT_UNSURE,
                                                 [SEQUENTIAL_FIRST] = VERDICT_GOOD,
                                                 [SEQUENTIAL_SECOND] = VERDICT_BAD};
    const struct failure_test *test = &verdict->failure_test;
    verdict->kind = by_state[test->state];
    verdict->intermittent = true;
    struct verdict room = {.reason_count = 0};
    if (verdict->kind == VERDICT_UNSURE)
        settle_add_count(&room, SETTLE_WITHOUT_FAILURE, test->more_without_failure);
    take_settles(verdict, &room);
    struct reason *reason = new_reason(verdict, REASON_INTERMITTENT);
    reason->phase = (int)kinds->phase;
    int used = snprintf(reason->text, sizeof reason->text,
                        "two kinds across power-ups: in phase %zu, %zu of %zu %s %.3g %% below the "
                        "others, where power-ups of one unit lie within %.2g %%; ",
                        kinds->phase + 1, kinds->low_count, kinds->low_count + kinds->high_count,
                        kinds->of_time ? "last" : "draw", -100 * expm1(-kinds->gap),
                        100 * expm1(kinds->allowed));
    char *rest = reason->text + used;
    size_t size = sizeof reason->text - (size_t)used;
    if (verdict->kind == VERDICT_UNSURE)
        snprintf(rest, size, "%s", room.settles[0].text);
    else
        snprintf(rest, size,
                 "the rarer comes in %s of power-ups rather than in %s (errors %.0f %%)",
                 verdict->kind == VERDICT_BAD ? "10 % or more" : "1 % or less",
                 verdict->kind == VERDICT_BAD ? "1 % or less" : "10 % or more", 100 * test->error);
    say_two_kinds(reason);
}

/* So many more would settle it in nearly all that is probable; 0: no reasonable
 * number. */
static int more_of_mean(const struct reference *reference, const struct accuracy *accuracy,
                        const struct repeated_power_up *power_ups, size_t count)
{
    if (!unit_means_settle(reference, accuracy, power_ups, count, MOST_MORE))
        return 0;
    int enough = MOST_MORE;
    int little = 0;
    while (enough - little > 1) {
        int middle = (enough + little) / 2;
        if (unit_means_settle(reference, accuracy, power_ups, count, (size_t)middle))
            enough = middle;
        else
            little = middle;
    }
    return enough;
}

static void name_mean(const struct reference *reference, const struct unit_means *means,
                      int more_power_ups, struct unit_verdict *verdict)
{
    const struct level_test *test = &means->test;
    struct finding finding = finding_of(test->deviation < 0 ? REASON_LOW_FINAL : REASON_HIGH_FINAL);
    finding.phase = (int)means->phase;
    finding.phase_count = (int)reference->phase_count;
    finding.measured = means->levels[means->phase].current_A;
    double expected = finding.measured * exp(-test->deviation);
    finding.low = expected * exp(-test->limit);
    finding.high = expected * exp(test->limit);
    finding.basis = LIMITS_OF_UNIT;
    finding.note = "by the mean of all its power-ups";
    struct verdict room = {.reason_count = 0};
    verdict->kind = means->kind;
    if (means->kind == VERDICT_UNSURE) {
        settle_add_count(&room, SETTLE_POWER_UPS, more_power_ups);
        settle_add_value(&room, SETTLE_FAULT, means->fault_told);
    }
    take_settles(verdict, &room);
    reasons_add(&room, &finding);
    add_reason(verdict, &room.reasons[0]);
}

/* The mean is not clear of the smallest fault, or bad ones lie beside it at a limit. */
static void name_unclear_mean(const struct reference *reference, const struct accuracy *accuracy,
                              const struct repeated_power_up *power_ups, size_t count,
                              const struct unit_means *means, struct unit_verdict *verdict)
{
    bool unclear = !means->resolves && isfinite(means->unclear_test.u);
    const struct level_test *test = unclear ? &means->unclear_test : &means->test;
    size_t p = unclear ? means->unclear : means->phase;
    struct finding finding = finding_of(REASON_CANNOT_RESOLVE);
    finding.phase = (int)p;
    finding.phase_count = (int)reference->phase_count;
    finding.measured =
        means->levels[p].usable ? means->levels[p].current_A : reference->phases[p].level_A;
    finding.share = test->deviation;
    finding.allowed = test->limit;
    finding.basis = LIMITS_OF_UNIT;
    finding.smallest = reference->smallest_level_fault;
    finding.resolution_A = (accuracy ? accuracy : &reference->accuracy)->current_resolution_A;
    finding.spread = test->spread;
    finding.u = test->u;
    finding.note = "by the mean of all its power-ups";
    struct verdict room = {.reason_count = 0};
    verdict->kind = VERDICT_UNSURE;
    if (unclear)
        settle_add_count(&room, SETTLE_POWER_UPS,
                         more_of_mean(reference, accuracy, power_ups, count));
    settle_add_value(&room, SETTLE_FAULT, means->fault_told);
    take_settles(verdict, &room);
    reasons_add(&room, &finding);
    add_reason(verdict, &room.reasons[0]);
}

/* What would settle a power-up settles the unit; of power-ups that were asked for
 * some are there already. */
static void settle_as(struct unit_verdict *verdict, const struct repeated_power_up *power_up,
                      bool apart)
{
    struct verdict room = {.reason_count = 0};
    for (size_t i = 0; i < power_up->settle_count; i++) {
        struct settle settle = power_up->settles[i];
        if (settle.code == SETTLE_POWER_UPS && apart)
            continue;
        if (settle.code == SETTLE_POWER_UPS) {
            int there = (int)verdict->power_ups - 1;
            settle.count = settle.count > there ? settle.count - there : 1;
        }
        settle_add(&room, settle);
    }
    take_settles(verdict, &room);
}

/* None was bad, none shows two kinds, the means are not off: what of those left
 * undecided? */
static void judge_undecided(const struct reference *reference, const struct accuracy *accuracy,
                            const struct repeated_power_up *power_ups, size_t count,
                            const struct unit_means *means, struct unit_verdict *verdict)
{
    size_t of_the_record = 0;
    const struct repeated_power_up *open = NULL;
    bool by_mean = false;
    for (size_t i = 0; i < count; i++) {
        const struct repeated_power_up *one = &power_ups[i];
        if (one->kind == VERDICT_GOOD || !one->has_reason)
            continue;
        if (power_up_is_void(one))
            of_the_record++;
        else if (is_of_a_level(one->reason.code) && means->resolves &&
                 (one->kind == VERDICT_BAD || !lies_apart(reference, power_ups, count, i)))
            by_mean = true;
        else if (!open || open->settle_count == 0)
            open = one;
    }
    if (open || (verdict->good == 0 && !by_mean)) {
        verdict->kind = VERDICT_UNSURE;
        const struct repeated_power_up *why =
            open ? open : commonest(power_ups, count, VERDICT_UNSURE);
        if (why && means->any && !means->resolves && is_of_a_level(why->reason.code) &&
            isfinite(means->unclear_test.u)) {
            name_unclear_mean(reference, accuracy, power_ups, count, means, verdict);
        } else if (why) {
            add_reason(verdict, &why->reason);
            settle_as(verdict, why, means->any && means->resolves);
        }
        return;
    }
    verdict->kind = VERDICT_GOOD;
    verdict->settled_by_mean = by_mean;
    if (of_the_record > 0) {
        add_reason(verdict, &commonest(power_ups, count, VERDICT_UNSURE)->reason);
        struct reason *reason = &verdict->reasons[verdict->reason_count - 1];
        snprintf(reason->text, sizeof reason->text,
                 "%zu of %zu power-ups could not be judged and are left out", of_the_record, count);
    }
}

/* Levels were bad in some power-ups, the means are not, and yet those may be of a
 * kind of their own. */
static void name_open_kinds(const struct repeated_power_up *power_ups, size_t count, int others,
                            struct unit_verdict *verdict)
{
    if (verdict->failure_test.state == SEQUENTIAL_SECOND) {
        judge_bad(power_ups, count, verdict);
        return;
    }
    struct verdict room = {.reason_count = 0};
    settle_add_count(&room, SETTLE_WITHOUT_FAILURE, verdict->failure_test.more_without_failure);
    take_settles(verdict, &room);
    const struct repeated_power_up *example = commonest(power_ups, count, VERDICT_BAD);
    struct reason *reason = new_reason(verdict, REASON_INTERMITTENT);
    reason->phase = example ? example->reason.phase : -1;
    snprintf(reason->text, sizeof reason->text,
             "%d of %zu power-ups off in a level, and not the mean of all: an intermittent fault "
             "and chance cannot be told apart; %s",
             others, verdict->power_ups, room.settles[0].text);
    say_two_kinds(reason);
    if (example)
        add_reason(verdict, &example->reason);
}

/* Every bad one is so by a level alone. */
static bool lies_at_a_limit(const struct repeated_power_up *power_ups, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (power_ups[i].kind == VERDICT_BAD && !power_ups[i].level_alone)
            return false;
    return true;
}

int repeated_judge(const struct reference *reference, const struct accuracy *accuracy,
                   const struct repeated_power_up *power_ups, size_t count,
                   struct unit_verdict *verdict)
{
    *verdict = (struct unit_verdict){.kind = VERDICT_UNSURE, .power_ups = count};
    for (size_t i = 0; i < count; i++) {
        verdict->good += power_ups[i].kind == VERDICT_GOOD;
        verdict->bad += power_ups[i].kind == VERDICT_BAD;
        verdict->unsure += power_ups[i].kind == VERDICT_UNSURE;
    }
    rate_failures(verdict);
    if (test_failures(power_ups, count, verdict) != 0)
        return -1;
    if (count == 0) {
        struct verdict room = {.reason_count = 0};
        settle_add_count(&room, SETTLE_POWER_UPS, 1);
        take_settles(verdict, &room);
        struct reason *reason = new_reason(verdict, REASON_INCOMPLETE);
        snprintf(reason->text, sizeof reason->text, "no power-up of this unit could be read");
        return 0;
    }
    struct unit_means means;
    unit_means_take(reference, accuracy, power_ups, count, &means);
    struct two_kinds kinds;
    if (two_kinds_find(reference, accuracy, power_ups, count, &kinds) != 0)
        return -1;
    bool at_a_limit = !kinds.found && means.any && lies_at_a_limit(power_ups, count);
    if (verdict->bad > 0 && !(at_a_limit && verdict->bad < count)) {
        judge_bad(power_ups, count, verdict);
        return 0;
    }
    if (means.kind == VERDICT_BAD) {
        name_mean(reference, &means, 0, verdict);
        return 0;
    }
    if (kinds.found) {
        if (test_kinds(reference, power_ups, count, &kinds, verdict) != 0)
            return -1;
        name_two_kinds(&kinds, verdict);
        return 0;
    }
    int others = test_open_kinds(reference, power_ups, count, verdict);
    if (others < 0)
        return -1;
    if (others > 0 && verdict->failure_test.state != SEQUENTIAL_FIRST)
        name_open_kinds(power_ups, count, others, verdict);
    else if (means.kind == VERDICT_UNSURE)
        name_mean(reference, &means, more_of_mean(reference, accuracy, power_ups, count), verdict);
    else if (verdict->bad > 0 && (means.resolves ? !means.inside : isfinite(means.unclear_test.u)))
        name_unclear_mean(reference, accuracy, power_ups, count, &means, verdict);
    else
        judge_undecided(reference, accuracy, power_ups, count, &means, verdict);
    return 0;
}
