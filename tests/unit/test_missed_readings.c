/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a busy machine or a slow link leaves out: a pulse that fell between two
 * readings is no stuck pulse, and a limit told late does not hide a short.
 * WAKEDRAW_TEST_SEED=N repeats a run.
 */
#include "reference/reference.h"
#include "verdict/judge.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { UNITS = 4, POWER_UPS = 3 };
static const double interval_s = 0.02, lead_s = 0.5, watch_s = 6, period_s = 0.5, width_s = 0.12;

static gsl_rng *dice;

/* Two levels, then pulses of a quarter on the last; none between stuck_s[0] and
 * stuck_s[1] from onset. */
static double draw_A(double since_s, double shift_s, const double stuck_s[2])
{
    if (since_s < 0)
        return 0;
    if (since_s < 0.4)
        return 0.012;
    if (since_s < 1.6)
        return 0.11;
    bool stuck = since_s >= stuck_s[0] && since_s < stuck_s[1];
    return 0.0475 + (!stuck && fmod(since_s + shift_s, period_s) < width_s ? 0.012 : 0);
}

static void make(double unit, const double stuck_s[2], double missed_from_s, double missed_s,
                 struct trace *trace)
{
    double shift_s = gsl_rng_uniform(dice) * period_s;
    double again = 1 + gsl_ran_gaussian(dice, 0.002);
    /* In the middle of a pulse, wherever pulses fall. */
    double pulse_s = missed_from_s - fmod(missed_from_s + shift_s, period_s) + period_s;
    double gap_s = pulse_s + width_s / 2 - missed_s / 2;
    for (int i = 0; i < (int)((lead_s + watch_s + 0.3) / interval_s); i++) {
        double since_s = interval_s * i - lead_s;
        if (missed_s > 0 && since_s > gap_s && since_s < gap_s + missed_s)
            continue;
        double current_A = draw_A(since_s, shift_s, stuck_s) * unit * again;
        struct reading reading = {.time_s = interval_s * i,
                                  .voltage_V = since_s < -1e-9 ? 0 : 12,
                                  .current_A = current_A + gsl_ran_gaussian(dice, 0.0003),
                                  .output_on = since_s < -1e-9 ? FLAG_NO : FLAG_YES,
                                  .limited = FLAG_NO,
                                  .valid = true};
        reading.current_A = round(reading.current_A * 1e4) / 1e4;
        assert_true(trace_append(trace, &reading));
    }
}

static const double never_s[2] = {99, 99};

static struct reference *teach(void)
{
    static struct trace traces[UNITS][POWER_UPS];
    struct known_good units[UNITS];
    static const char *const names[] = {"HL-1", "HL-2", "HL-3", "HL-4"};
    for (int u = 0; u < UNITS; u++) {
        double unit = 1 + gsl_ran_gaussian(dice, 0.008);
        for (int i = 0; i < POWER_UPS; i++) {
            trace_clear(&traces[u][i]);
            make(unit, never_s, 0, 0, &traces[u][i]);
        }
        units[u] = (struct known_good){.unit = names[u], .traces = traces[u], .count = POWER_UPS};
    }
    struct accuracy accuracy = {.current_resolution_A = 1e-4, .voltage_resolution_V = 1e-3};
    struct reference_request request = {.module_type = "deck lamp driver",
                                        .nominal_voltage_V = 12,
                                        .watch_s = watch_s,
                                        .accuracy = &accuracy};
    struct error error = {0};
    struct reference *reference = reference_build(&request, units, UNITS, &error);
    assert_non_null(reference);
    for (int u = 0; u < UNITS; u++)
        for (int i = 0; i < POWER_UPS; i++)
            trace_clear(&traces[u][i]);
    return reference;
}

static enum verdict_kind judged(const struct reference *reference, const double stuck_s[2],
                                double missed_from_s, double missed_s, struct verdict *verdict)
{
    struct trace trace = {0};
    struct phases phases = {0};
    make(1 + gsl_ran_gaussian(dice, 0.005), stuck_s, missed_from_s, missed_s, &trace);
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, verdict, &phases),
                     0);
    trace_clear(&trace);
    phases_clear(&phases);
    return verdict->kind;
}

static void test_a_pulse_between_readings_is_not_stuck(void **state)
{
    (void)state;
    struct reference *reference = teach();
    struct verdict verdict;
    for (int i = 0; i < 40; i++) {
        double from_s = 2 + 2.5 * gsl_rng_uniform(dice);
        if (judged(reference, never_s, from_s, 0.16, &verdict) == VERDICT_BAD)
            fail_msg("missed from %.3f s on: %s", from_s, verdict.reasons[0].text);
    }
    reference_destroy(reference);
}

/* The same stay, read all the way. */
static void test_a_stuck_pulse_is(void **state)
{
    (void)state;
    struct reference *reference = teach();
    struct verdict verdict;
    static const double stuck_s[2] = {2.4, 99};
    for (int i = 0; i < 40; i++) {
        assert_int_equal(judged(reference, stuck_s, 0, 0, &verdict), VERDICT_BAD);
        assert_int_equal(verdict.reasons[0].code, REASON_UNSTEADY);
        assert_non_null(strstr(verdict.reasons[0].text, "have stopped: it stays at"));
    }
    reference_destroy(reference);
}

/* From output on: a constant voltage and current. */
static enum verdict_kind judged_flat(const struct reference *reference, double voltage_V,
                                     double current_A, struct verdict *verdict)
{
    struct trace trace = {0};
    struct phases phases = {0};
    for (int i = 0; i < 200; i++) {
        bool on = i >= 25;
        struct reading reading = {.time_s = interval_s * i,
                                  .voltage_V = on ? voltage_V : 0,
                                  .current_A = on ? current_A : 0,
                                  .output_on = on ? FLAG_YES : FLAG_NO,
                                  .limited = FLAG_NO,
                                  .valid = true};
        assert_true(trace_append(&trace, &reading));
    }
    assert_int_equal(judge_trace(reference, NULL, trace.readings, trace.count, verdict, &phases),
                     0);
    trace_clear(&trace);
    phases_clear(&phases);
    return verdict->kind;
}

static void test_a_short_whose_limit_is_told_late(void **state)
{
    (void)state;
    struct reference *reference = teach();
    struct verdict verdict;
    assert_int_equal(judged_flat(reference, 0.08, 0.8, &verdict), VERDICT_BAD);
    assert_int_equal(verdict.reasons[0].code, REASON_AT_LIMIT);
    /* A voltage set wrong, and no limit told, is another matter. */
    assert_int_equal(judged_flat(reference, 5, 0.05, &verdict), VERDICT_UNSURE);
    assert_int_equal(verdict.reasons[0].code, REASON_OUTSIDE_VOLTAGE);
    reference_destroy(reference);
}

static int begin(void **state)
{
    (void)state;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    unsigned long seed = given ? strtoul(given, NULL, 10) : 20260213;
    print_message("seed %lu\n", seed);
    dice = gsl_rng_alloc(gsl_rng_mt19937);
    if (!dice)
        return -1;
    gsl_rng_set(dice, seed);
    return 0;
}

static int end(void **state)
{
    (void)state;
    gsl_rng_free(dice);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_pulse_between_readings_is_not_stuck),
        cmocka_unit_test(test_a_stuck_pulse_is),
        cmocka_unit_test(test_a_short_whose_limit_is_told_late),
    };
    return cmocka_run_group_tests(tests, begin, end);
}
