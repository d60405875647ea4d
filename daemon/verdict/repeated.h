/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One unit judged on several power-ups. Uses all of them: what differs between
 * power-ups of one unit averages out (predictive variance s_u^2 (1 + 1/n) +
 * s_e^2 (1/m + 1/(n m'))), levels are tested again by their means, and two kinds
 * across power-ups name an intermittent: some good and some bad, or levels or
 * durations in two clusters further apart than power-ups of a unit spread. The
 * failure rate's limits are exact (Clopper and Pearson). Pure.
 */
#ifndef WAKEDRAW_VERDICT_REPEATED_H
#define WAKEDRAW_VERDICT_REPEATED_H

#include "reference/compare.h"
#include "trend/sequential.h"
#include "verdict/judge.h"

#include <stdbool.h>
#include <stddef.h>

/* What one power-up leaves behind. */
struct repeated_power_up {
    enum verdict_kind kind;
    bool has_reason;
    bool level_alone;     /* bad by a level alone, measured to the watch's end all the same */
    struct reason reason; /* the first */
    double final_draw_A;  /* NAN: not seen */
    size_t phase_count;   /* phases followed; 0: no template */
    size_t settle_count;
    struct settle settles[VERDICT_MOST_SETTLES];
    struct measured_level levels[REFERENCE_MOST_PHASES];
    double log_duration[REFERENCE_MOST_PHASES]; /* to the template's; NAN: not ended */
    double log_duration_u[REFERENCE_MOST_PHASES];
};

/* Of a judge whose readings have ended. A bad one's levels are those at its
 * decision; repeated_judge_trace measures on. */
void repeated_describe(const struct judge *judge, struct repeated_power_up *power_up);

/* judge_trace, and what is left behind. -1: memory is out. */
int repeated_judge_trace(const struct reference *reference, const struct accuracy *accuracy,
                         const struct reading *readings, size_t count, struct verdict *verdict,
                         struct phases *phases, struct repeated_power_up *power_up);

/* With what is on the bench, as for judge_set_conditions. */
int repeated_judge_trace_under(const struct conditions *on_bench, const struct reference *reference,
                               const struct accuracy *accuracy, const struct reading *readings,
                               size_t count, struct verdict *verdict, struct phases *phases,
                               struct repeated_power_up *power_up);

struct failure_rate {
    double low, high;  /* NAN where no power-up was decided */
    double confidence; /* 0.95 */
    int sides;         /* 1: high alone is claimed, no failure was seen; 2 */
    char text[360];    /* what it supports, and under which conditions; may be empty */
};

/* Does it fail in 10 % of power-ups or more, or in 1 % or less? Wald's sequential
 * test over the power-ups in their order, cut off at FAILURE_TEST_MOST, where the
 * likelier is taken. With the cut both errors stay below `error` (a test computes
 * them exactly). */
enum { FAILURE_TEST_MOST = 120 };

struct failure_test {
    double low_rate, high_rate, error;
    enum sequential_state state; /* FIRST: the low rate, SECOND: the high one */
    size_t failures, power_ups;  /* taken until it decided */
    int more_without_failure;    /* that would decide for the low rate; 0: decided */
};

/* Taken in order, true is a failure. */
struct failure_test failure_test_take(const bool *failed, size_t count);

enum { UNIT_VERDICT_MOST_REASONS = 3 };

struct unit_verdict {
    enum verdict_kind kind;
    size_t power_ups, good, bad, unsure;
    struct failure_rate failure_rate; /* bad among good and bad */
    struct failure_test failure_test; /* likewise; of two kinds: the rarer is the failure */
    bool intermittent;
    bool settled_by_mean; /* good, where single power-ups could not resolve it */
    size_t reason_count;
    struct reason reasons[UNIT_VERDICT_MOST_REASONS];
    size_t settle_count; /* unsure: at least one */
    struct settle settles[VERDICT_MOST_SETTLES];
};

/* `accuracy` as for judge_create. Bad: a power-up was bad (intermittent, if
 * another was good), or the means are off. Power-ups of one kind that are bad by
 * a level alone beside good ones lie at a limit: by the means. Good: none was bad, the means are
 * within the limits, and the power-ups left undecided say nothing of the unit
 * (the record's fault) or are settled by the means. Two kinds, none of them bad:
 * by the failure test, the rarer kind taken for the failure. -1: memory is out. */
int repeated_judge(const struct reference *reference, const struct accuracy *accuracy,
                   const struct repeated_power_up *power_ups, size_t count,
                   struct unit_verdict *verdict);

#endif
