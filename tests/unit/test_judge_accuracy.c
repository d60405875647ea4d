/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A few made-up benches: how often the verdict errs stays within generous
 * bounds (`make accuracy` measures it), and for every trace the verdict of the
 * trace cut at its decision is the same.
 */
/* Not among what every test links. */
#include "accuracy/generator.c" /* NOLINT(bugprone-suspicious-include) */
#include "accuracy/oracle.c"    /* NOLINT(bugprone-suspicious-include) */
#include "accuracy/tally.c"     /* NOLINT(bugprone-suspicious-include) */

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

/* Fixed, so that the same run can be had again; any seed should do. */
static const uint64_t first_seed = 7001;

static void run(const char *variant, double most_false_bad, double most_missed, double most_unsure)
{
    struct campaign campaign = {
        .seeds = 2, .first_seed = first_seed, .good_units = 12, .faulty_units = 16, .units = 4};
    struct tally tally = {0};
    assert_true(campaign_set_variant(&campaign, variant));
    printf("%s, seeds %llu and %llu\n", variant, (unsigned long long)first_seed,
           (unsigned long long)first_seed + 1);
    campaign_run(&campaign, &tally);
    tally_print_head();
    tally_print(&tally, campaign.units);
    assert_int_equal(tally.prefix_broken, 0);
    assert_true(tally.good > 200 && tally.faulty > 300);
    assert_true(accuracy_percent(tally.false_bad, tally.good) <= most_false_bad);
    assert_true(accuracy_percent(tally.missed, tally.faulty) <= most_missed);
    assert_true(accuracy_percent(tally.unsure_good, tally.good) <= most_unsure);
    tally_clear(&tally);
}

static void usual_benches(void **state)
{
    (void)state;
    run("usual", 1, 1, 15);
}

static void benches_with_strays(void **state)
{
    (void)state;
    run("strays", 3, 2, 25);
}

static void benches_that_repeat_conversions(void **state)
{
    (void)state;
    run("repeats", 5, 2, 35);
}

/* Every prefix: before the decision nothing is final, from it on all are the
 * same. */
static void every_prefix_agrees(void **state)
{
    (void)state;
    struct campaign campaign = {.units = 2, .repeats = 1, .spreads = usual_spreads};
    struct dice dice = {.state = first_seed};
    struct module_type type;
    struct bench_supply supply;
    make_type(&dice, 1, &type);
    make_supply(&dice, 1, &supply);
    struct reference *reference = teach_bench(&campaign, &dice, &type, &supply);
    assert_non_null(reference);
    for (int i = 0; i < 12; i++) {
        struct unit unit;
        struct fault fault = {.kind = FAULT_NONE, .step = -1};
        struct trace trace = {0};
        make_unit(&dice, &type, &usual_spreads, &unit);
        if (i > 0)
            make_fault(&dice, &type, &fault);
        make_power_up(&dice, &type, &unit, &supply, &usual_spreads, &fault, &trace, NULL);
        struct verdict whole;
        judge_trace(reference, NULL, trace.readings, trace.count, &whole, NULL);
        for (size_t cut = 1; cut <= trace.count; cut++) {
            struct verdict part;
            judge_trace(reference, NULL, trace.readings, cut, &part, NULL);
            double since = trace.readings[cut - 1].time_s - whole.onset_s;
            bool decided = whole.final && since >= whole.decided_at_s - 1e-9;
            assert_int_equal(part.final, decided);
            assert_int_equal(part.kind, decided ? whole.kind : VERDICT_UNSURE);
            if (decided) {
                assert_true(part.decided_at_s == whole.decided_at_s);
                assert_memory_equal(part.reasons, whole.reasons,
                                    whole.reason_count * sizeof *whole.reasons);
            }
        }
        trace_clear(&trace);
    }
    reference_destroy(reference);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(usual_benches),
        cmocka_unit_test(benches_with_strays),
        cmocka_unit_test(benches_that_repeat_conversions),
        cmocka_unit_test(every_prefix_agrees),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
