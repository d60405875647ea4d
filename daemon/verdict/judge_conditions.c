/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A reference taught under other feeds, of another revision or in another
 * set-up: nothing is compared. What needs no reference is still told: a short or
 * reversed leads, and no draw at all where the feeds are as taught.
 */
#include "reference/conditions.h"
#include "verdict/judge_state.h"
#include "verdict/settle.h"

#include <math.h>

/* In current limit for less than this it may still be charging. */
static const double patience_s = 0.25;

void judge_set_conditions(struct judge *judge, const struct conditions *on_bench)
{
    judge->on_bench = on_bench;
    if (judge->reference && on_bench)
        judge->differs = conditions_compare(&judge->reference->conditions, on_bench);
}

double judge_nothing_A(const struct judge *judge)
{
    return fmax(0.001, judge->accuracy.current_resolution_A);
}

/* Feeds and set-up can be made as they were taught, a revision cannot; and what
 * is on the bench can be taught. */
static void add_settles(const struct judge *judge, struct verdict *verdict)
{
    const struct conditions_difference *differs = &judge->differs;
    const struct conditions *taught = &judge->reference->conditions;
    if (!differs->revision)
        settle_add_conditions(verdict, SETTLE_AS_TAUGHT, taught, differs);
    settle_add_conditions(verdict, SETTLE_REFERENCE_FOR, judge->on_bench, differs);
}

static struct finding difference(enum reason_code code, const char *taught, const char *on_bench)
{
    struct finding finding = finding_of(code);
    finding.taught = taught;
    finding.on_bench = on_bench;
    return finding;
}

static void add_reasons(const struct judge *judge, struct verdict *verdict)
{
    const struct conditions *taught = &judge->reference->conditions;
    const struct conditions *on_bench = judge->on_bench;
    struct finding finding;
    if (judge->differs.feeds) {
        char taught_feeds[REASON_SAID];
        char bench_feeds[REASON_SAID];
        feeds_say(&taught->feeds, taught_feeds, sizeof taught_feeds);
        feeds_say(&on_bench->feeds, bench_feeds, sizeof bench_feeds);
        finding = difference(REASON_OTHER_FEEDS, taught_feeds, bench_feeds);
        reasons_add(verdict, &finding);
    }
    if (judge->differs.revision) {
        finding = difference(REASON_OTHER_REVISION, taught->revision, on_bench->revision);
        reasons_add(verdict, &finding);
    }
    if (judge->differs.set_up) {
        finding = difference(REASON_OTHER_SET_UP, taught->set_up, on_bench->set_up);
        reasons_add(verdict, &finding);
    }
}

void judge_add_differing(const struct judge *judge, struct verdict *verdict)
{
    if (!judge->differs.any)
        return;
    if (verdict->settle_count == 0)
        add_settles(judge, verdict);
    add_reasons(judge, verdict);
}

void judge_settle_differing(struct judge *judge)
{
    judge_settle(judge, VERDICT_UNSURE);
    judge_add_differing(judge, judge->verdict);
}

bool judge_differing_read(struct judge *judge, const struct reading *reading)
{
    bool draws = reading->valid && reading->current_A > judge_nothing_A(judge);
    judge->drawn |= draws;
    if (!judge->drawn || !isnan(judge->limit.since_s) ||
        judge_elapsed_s(judge) < patience_s + 1.5 * judge->reference->limited_s)
        return false;
    judge_settle_differing(judge);
    return true;
}
