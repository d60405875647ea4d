/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated module on its output: phases, spreads, faults, feeds, readback.
 */
#include "simulate/output.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void assert_near(double found, double wanted, double tolerance)
{
    if (!(fabs(found - wanted) <= tolerance)) {
        print_error("found %.9g, wanted %.9g +- %.2g\n", found, wanted, tolerance);
        fail();
    }
}

/* Three flat phases (0.1, 0.4, 0.25 A at 12 V), no spread, no ripple. */
static struct module_type plain_type(void)
{
    struct module_type type = {.name = "plain",
                               .nominal_V = 12,
                               .limit_A = 2,
                               .input_capacitor_F = 0.0005,
                               .wakes_above_V = 8,
                               .drops_below_V = 6.5,
                               .resets_below_V = 0.5,
                               .sleep_A = 0.002,
                               .quiescent_A = 0.005,
                               .after_run_A = 0.05,
                               .after_run_s = 0.5,
                               .warm_up_s = 30,
                               .self_heating_s = 60,
                               .phase_count = 3};
    for (int i = 0; i < 3; i++)
        type.phases[i] = (struct module_phase){.duration_s = 0.5};
    const double levels[] = {0.1, 0.4, 0.25};
    for (int i = 0; i < 3; i++)
        type.phases[i].level_A = type.phases[i].end_level_A = levels[i];
    type.phases[2].duration_s = INFINITY;
    return type;
}

static const struct output_options plain_options = {.most_V = 60,
                                                    .most_A = 10,
                                                    .slew_V_per_s = 1000,
                                                    .source_ohm = 0.001,
                                                    .lead_ohm = 0.001,
                                                    .sink_A = 0.1,
                                                    .aperture_s = 0.02};

struct bench {
    struct output output;
    struct module_type type;
    double now_s;
};

static void put_on(struct bench *bench, const char *serial, const char *fault_text, uint64_t seed)
{
    struct fault fault;
    struct error error;
    assert_int_equal(fault_parse(fault_text, bench->type.phase_count, &fault, &error), 0);
    struct module *module = module_create(&bench->type, serial, &fault, seed);
    assert_non_null(module);
    output_put_on(&bench->output, module, &fault);
    output_set_voltage(&bench->output, 12);
    output_set_limit(&bench->output, 2);
}

static void begin(struct bench *bench, const char *fault)
{
    *bench = (struct bench){.type = plain_type()};
    assert_true(output_init(&bench->output, &plain_options, 0));
    put_on(bench, "U1", fault, 1);
    output_switch(&bench->output, true);
}

static double current_after(struct bench *bench, double seconds)
{
    bench->now_s += seconds;
    output_read(&bench->output, bench->now_s);
    return bench->output.read_A;
}

static void end(struct bench *bench)
{
    output_clear(&bench->output);
}

static void phases_come_in_order(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    assert_near(current_after(&bench, 0.25), 0.1, 1e-4);
    assert_near(current_after(&bench, 0.5), 0.4, 2e-4);
    assert_near(current_after(&bench, 0.5), 0.25, 1e-4);
    assert_near(current_after(&bench, 60), 0.25, 1e-4);
    assert_near(bench.output.read_V, 12, 1e-3);
    output_switch(&bench.output, false);
    assert_near(current_after(&bench, 0.5), 0, 1e-9);
    assert_near(bench.output.read_V, 0, 0.02);
    end(&bench);
}

/* Each fault does what it says: levels at 0.25, 0.75, 1.25 s and at the end. */
static void faults_show(void **state)
{
    (void)state;
    const struct {
        const char *fault;
        double at_025, at_075, at_125, at_3;
    } wanted[] = {
        {"stall:1", 0.1, 0.1, 0.1, 0.1},
        {"stall:2", 0.1, 0.4, 0.4, 0.4},
        {"low:20", 0.1, 0.4, 0.2, 0.2},
        {"high:20", 0.1, 0.4, 0.3, 0.3},
        {"late:1:2", 0.1, 0.1, 0.4, 0.25},
        {"late:2:4", 0.1, 0.4, 0.4, 0.25},
        {"missing:2", 0.1, 0.25, 0.25, 0.25},
        {"missing:1", 0.4, 0.25, 0.25, 0.25},
        {"open", 0, 0, 0, 0},
        {"no-wake", 0.005, 0.005, 0.005, 0.005},
        {"leakage:0.03", 0.13, 0.43, 0.28, 0.28},
        {"short", 2, 2, 2, 2},
        {"reversed", 2, 2, 2, 2},
        {"low:20+late:1:2", 0.1, 0.1, 0.4, 0.2},
    };
    for (size_t i = 0; i < sizeof wanted / sizeof *wanted; i++) {
        struct bench bench;
        begin(&bench, wanted[i].fault);
        print_message("%s\n", wanted[i].fault);
        assert_near(current_after(&bench, 0.25), wanted[i].at_025, 3e-4);
        assert_near(current_after(&bench, 0.5), wanted[i].at_075, 3e-4);
        assert_near(current_after(&bench, 0.5), wanted[i].at_125, 3e-4);
        assert_near(current_after(&bench, 1.75), wanted[i].at_3, 3e-4);
        bool limited = wanted[i].at_3 > 1;
        assert_int_equal(bench.output.flow.limited, limited);
        if (strcmp(wanted[i].fault, "reversed") == 0)
            assert_true(bench.output.read_V > 0.6 && bench.output.read_V < 1);
        if (strcmp(wanted[i].fault, "short") == 0)
            assert_true(bench.output.read_V < 0.2);
        end(&bench);
    }
}

static void restart_loop_repeats(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "restart:0.8");
    current_after(&bench, 0.2);
    for (int i = 0; i < 10; i++) {
        assert_near(current_after(&bench, 0.4), 0.4, 3e-4);
        assert_near(current_after(&bench, 0.4), 0.1, 3e-4);
    }
    assert_int_equal(module_power_ups(bench.output.module), 1);
    end(&bench);
}

/* The feed that sleeps, wakes, runs on and sleeps again; the output stays on. */
static void ignition_wakes_and_runs_on(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    bench.type.ignition = true;
    put_on(&bench, "U1", "none", 1);
    bench.output.ignition = false;
    assert_near(current_after(&bench, 1), 0.002, 1e-5);
    bench.output.ignition = true;
    assert_near(current_after(&bench, 0.25), 0.1, 3e-4);
    assert_near(current_after(&bench, 1), 0.25, 3e-4);
    bench.output.ignition = false;
    assert_near(current_after(&bench, 0.25), 0.05, 3e-4);
    assert_near(current_after(&bench, 0.5), 0.002, 3e-4);
    bench.output.ignition = true;
    assert_near(current_after(&bench, 0.25), 0.1, 3e-4);
    assert_int_equal(module_power_ups(bench.output.module), 2);
    end(&bench);
}

static void plug_wakes_and_current_stops(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    bench.output.plugged = false;
    assert_near(current_after(&bench, 0.5), 0, 1e-12);
    assert_near(bench.output.read_V, 12, 1e-9);
    bench.output.plugged = true;
    assert_near(current_after(&bench, 0.25), 0.1, 3e-4);
    assert_near(current_after(&bench, 1.25), 0.25, 3e-4);
    bench.output.plugged = false;
    assert_near(current_after(&bench, 0.01), 0, 1e-12);
    end(&bench);
}

/* Off for too short a time the rail does not fall below 0.5 V and the module
 * hangs; off long enough it boots again. */
static void reset_needs_the_rail_to_fall(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    bench.type.hangs_without_reset = true;
    put_on(&bench, "U1", "none", 1);
    current_after(&bench, 2);
    /* The sink's 0.1 A and what is left of the draw empty 0.5 mF by 5.5 V in
     * less than 30 ms, to 0.5 V in less than 60 ms. */
    output_switch(&bench.output, false);
    current_after(&bench, 0.03);
    assert_true(bench.output.circuit.capacitor_V > 0.5);
    assert_true(bench.output.circuit.capacitor_V < 6.5);
    output_switch(&bench.output, true);
    current_after(&bench, 1);
    assert_string_equal(module_state(bench.output.module), "hung");
    assert_near(bench.output.read_A, 0.1, 3e-4);
    output_switch(&bench.output, false);
    current_after(&bench, 0.3);
    output_switch(&bench.output, true);
    assert_near(current_after(&bench, 1.5), 0.25, 3e-4);
    assert_int_equal(module_power_ups(bench.output.module), 2);
    end(&bench);
}

/* A limit below what the boot needs: the voltage sags, the module drops out and
 * tries again and again. */
static void too_low_a_limit_makes_it_try_again(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    output_set_limit(&bench.output, 0.2);
    double lowest_V = 12;
    bool limited = false;
    for (int i = 0; i < 3000; i++) {
        current_after(&bench, 0.001);
        limited = limited || bench.output.flow.limited;
        if (i > 600)
            lowest_V = fmin(lowest_V, bench.output.read_V);
        assert_true(bench.output.read_A <= 0.2 + 1e-9);
    }
    assert_true(limited);
    assert_true(lowest_V < 6.6);
    assert_true(module_power_ups(bench.output.module) >= 4);
    end(&bench);
}

static double share_of_time_low(double ambient_C)
{
    struct bench bench;
    begin(&bench, "joint:60");
    bench.output.ambient_C = ambient_C;
    current_after(&bench, 5);
    int low = 0, count = 4000;
    for (int i = 0; i < count; i++)
        low += current_after(&bench, 0.05) < 0.2;
    end(&bench);
    return (double)low / count;
}

static void joint_opens_with_heat(void **state)
{
    (void)state;
    assert_true(share_of_time_low(23) < 0.001);
    double near = share_of_time_low(60);
    assert_true(near > 0.2 && near < 0.9);
    assert_true(share_of_time_low(90) > 0.999);
}

static void unsteady_wanders(void **state)
{
    (void)state;
    double readings[4000];
    struct bench bench;
    begin(&bench, "unsteady:8");
    current_after(&bench, 5);
    for (int i = 0; i < 4000; i++)
        readings[i] = current_after(&bench, 0.1);
    double mean = gsl_stats_mean(readings, 1, 4000), sd = gsl_stats_sd(readings, 1, 4000);
    assert_near(mean, 0.25, 0.004);
    assert_near(sd / mean, 0.08, 0.015);
    end(&bench);
}

/* Units differ by what the type states, and one unit is always itself. */
static void units_spread_as_stated(void **state)
{
    (void)state;
    enum { UNITS = 400 };
    double finals[UNITS], durations[UNITS];
    for (int i = 0; i < UNITS; i++) {
        struct bench bench;
        begin(&bench, "none");
        bench.type.unit_level = 0.02;
        bench.type.unit_phase_level = 0.01;
        bench.type.unit_duration = 0.04;
        char serial[20];
        snprintf(serial, sizeof serial, "U%d", i);
        put_on(&bench, serial, "none", 1);
        finals[i] = current_after(&bench, 2);
        durations[i] = log(module_duration_s(bench.output.module, 1) / 0.5);
        put_on(&bench, serial, "none", 99);
        output_switch(&bench.output, false);
        current_after(&bench, 0.1);
        output_switch(&bench.output, true);
        /* another power-up, another seed: the same unit */
        assert_near(current_after(&bench, 2), finals[i], 1e-6);
        end(&bench);
    }
    /* the standard error of a standard deviation from 400 is 3.5 % */
    assert_near(gsl_stats_mean(finals, 1, UNITS), 0.25, 0.25 * 0.005);
    assert_near(gsl_stats_sd(finals, 1, UNITS) / 0.25, hypot(0.02, 0.01), 0.0032);
    assert_near(gsl_stats_sd(durations, 1, UNITS), hypot(0.04, 0.02), 0.0065);
}

static void power_ups_spread_as_stated(void **state)
{
    (void)state;
    enum { POWER_UPS = 300 };
    double finals[POWER_UPS], durations[POWER_UPS];
    struct bench bench;
    begin(&bench, "none");
    bench.type.power_up_level = 0.01;
    bench.type.power_up_duration = 0.05;
    put_on(&bench, "U1", "none", 5);
    for (int i = 0; i < POWER_UPS; i++) {
        output_switch(&bench.output, true);
        finals[i] = current_after(&bench, 2);
        durations[i] = log(module_duration_s(bench.output.module, 2) / 0.5);
        output_switch(&bench.output, false);
        current_after(&bench, 0.5);
    }
    assert_int_equal(module_power_ups(bench.output.module), POWER_UPS);
    assert_near(gsl_stats_sd(finals, 1, POWER_UPS) / 0.25, 0.01, 0.0018);
    assert_near(gsl_stats_sd(durations, 1, POWER_UPS), 0.05, 0.009);
    end(&bench);
}

/* A ramp, a decay and pulses within a phase. */
static void phase_shapes(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    bench.type.phases[0].end_level_A = 0.3;
    bench.type.phases[1].decay_A = 0.5;
    bench.type.phases[1].decay_s = 0.1;
    bench.type.phases[2].pulse_A = 0.2;
    bench.type.phases[2].pulse_period_s = 1;
    bench.type.phases[2].pulse_width_s = 0.4;
    put_on(&bench, "U1", "none", 1);
    /* edges lag by the module's own 4 ms */
    assert_near(current_after(&bench, 0.26), 0.2, 0.003);
    assert_near(current_after(&bench, 0.45), 0.4 + 0.5 * exp(-2), 0.012);
    bench.now_s = 1.009; /* the last phase began about there */
    assert_near(current_after(&bench, 0.2), 0.45, 0.001);
    assert_near(current_after(&bench, 0.5), 0.25, 0.001);
    assert_near(current_after(&bench, 0.5), 0.45, 0.001);
    assert_near(current_after(&bench, 0.5), 0.25, 0.001);
    end(&bench);
}

/* 10 conversions/s: polled at 100/s the readback has runs of ten. */
static void readback_renews_at_its_rate(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    bench.output.options.conversion_hz = 10;
    bench.output.options.noise_A = 0.001;
    int changes = 0;
    double before_A = current_after(&bench, 3);
    for (int i = 0; i < 1000; i++) {
        double now_A = current_after(&bench, 0.01);
        changes += now_A != before_A;
        before_A = now_A;
    }
    assert_in_range(changes, 98, 101);
    end(&bench);
}

static void readback_has_its_errors(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    current_after(&bench, 2);
    double true_A = output_current_A(&bench.output);
    bench.output.options.gain_A = 0.02;
    bench.output.options.offset_A = 0.005;
    assert_near(current_after(&bench, 0.1), true_A * 1.02 + 0.005, 1e-6);
    bench.output.options.resolution_A = 0.01;
    assert_near(current_after(&bench, 0.1), 0.26, 1e-9);
    bench.output.options.resolution_A = 0;
    bench.output.options.noise_A = 0.002;
    double readings[2000];
    for (int i = 0; i < 2000; i++)
        readings[i] = current_after(&bench, 0.001);
    assert_near(gsl_stats_sd(readings, 1, 2000), 0.002, 0.00015);
    bench.output.options.nan_every = 3;
    int missing = 0;
    for (int i = 0; i < 30; i++)
        missing += isnan(current_after(&bench, 0.001));
    assert_int_equal(missing, 10);
    end(&bench);
}

static void protection_trips_and_is_cleared(void **state)
{
    (void)state;
    struct bench bench;
    begin(&bench, "none");
    assert_true(output_set_protection(&bench.output, 13));
    current_after(&bench, 1);
    assert_false(bench.output.protection_tripped);
    assert_true(output_set_voltage(&bench.output, 14));
    current_after(&bench, 0.1);
    assert_true(bench.output.protection_tripped);
    assert_false(bench.output.on);
    output_switch(&bench.output, true);
    assert_false(bench.output.on);
    output_clear_protection(&bench.output);
    output_set_voltage(&bench.output, 12);
    output_switch(&bench.output, true);
    assert_true(bench.output.on);
    assert_false(output_set_voltage(&bench.output, 61));
    assert_false(output_set_limit(&bench.output, -1));
    end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(phases_come_in_order),
        cmocka_unit_test(faults_show),
        cmocka_unit_test(restart_loop_repeats),
        cmocka_unit_test(ignition_wakes_and_runs_on),
        cmocka_unit_test(plug_wakes_and_current_stops),
        cmocka_unit_test(reset_needs_the_rail_to_fall),
        cmocka_unit_test(too_low_a_limit_makes_it_try_again),
        cmocka_unit_test(joint_opens_with_heat),
        cmocka_unit_test(unsteady_wanders),
        cmocka_unit_test(units_spread_as_stated),
        cmocka_unit_test(power_ups_spread_as_stated),
        cmocka_unit_test(phase_shapes),
        cmocka_unit_test(readback_renews_at_its_rate),
        cmocka_unit_test(readback_has_its_errors),
        cmocka_unit_test(protection_trips_and_is_cleared),
    };
    return cmocka_run_group_tests_name("simulated output and module", tests, NULL, NULL);
}
