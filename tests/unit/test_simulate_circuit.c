/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply and input capacitor against closed forms. The formulae
 * are textbook ones from memory, the numbers were computed from them apart from
 * this code.
 */
#include "simulate/circuit.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

#define STEP_S 0.00025

static void assert_near(double found, double wanted, double tolerance)
{
    if (!(fabs(found - wanted) <= tolerance)) {
        print_error("found %.9g, wanted %.9g +- %.2g\n", found, wanted, tolerance);
        fail();
    }
}

/* 12 V behind 2 ohm into 20 mF: tau = 40 ms. */
static struct circuit charging(void)
{
    return (struct circuit){.capacitor_F = 0.020, .series_ohm = 2, .connected = true};
}

static double charge_until(struct circuit *circuit, const struct circuit_source *source,
                           double time_s, double step_s)
{
    double charge_C = 0;
    long steps = lround(time_s / step_s);
    for (long i = 0; i < steps; i++)
        charge_C += circuit_step(circuit, source, 0, step_s).charge_C;
    return charge_C;
}

static double current_now(struct circuit *circuit, const struct circuit_source *source)
{
    struct circuit copy = *circuit;
    return circuit_step(&copy, source, 0, 1e-12).current_A;
}

/* i = (V/R) e^(-t/tau), Q = C V, mean over the first tau */
static void stiff_source_charges_exponentially(void **state)
{
    (void)state;
    const struct circuit_source source = {12, 1000, 1000};
    struct circuit circuit = charging();
    assert_near(current_now(&circuit, &source), 6, 1e-8);
    double charge_C = charge_until(&circuit, &source, 0.040, STEP_S);
    assert_near(current_now(&circuit, &source), 2.207277, 1e-6);
    assert_near(charge_C / 0.040, 3.792723, 1e-6);
    charge_C += charge_until(&circuit, &source, 0.080, STEP_S);
    assert_near(current_now(&circuit, &source), 0.298722, 1e-6);
    charge_C += charge_until(&circuit, &source, 1.0, STEP_S);
    assert_near(charge_C, 0.24, 1e-9);
}

/* The step's length does not matter: one of 0.2 s, or eight hundred. */
static void a_step_is_exact_whatever_its_length(void **state)
{
    (void)state;
    const struct circuit_source source = {12, 2, 0.5};
    struct circuit one = charging(), many = charging();
    double charge_one_C = charge_until(&one, &source, 0.2, 0.2);
    double charge_many_C = charge_until(&many, &source, 0.2, STEP_S);
    assert_near(one.capacitor_V, many.capacitor_V, 1e-9);
    assert_near(charge_one_C, charge_many_C, 1e-9);
}

/* limited to 2 A: flat for t_cc = C (V - I R) / I = 80 ms, then I e^(-(t - t_cc)/tau) */
static void current_limit_holds_then_lets_go(void **state)
{
    (void)state;
    const struct circuit_source source = {12, 2, 0};
    struct circuit circuit = charging();
    double charge_C = charge_until(&circuit, &source, 0.0795, STEP_S);
    struct circuit copy = circuit;
    struct circuit_flow flow = circuit_step(&copy, &source, 0, 1e-9);
    assert_true(flow.limited);
    assert_near(flow.current_A, 2, 1e-9);
    charge_C += charge_until(&circuit, &source, 0.0005, 0.0005);
    assert_near(charge_C, 0.16, 1e-9);
    charge_C += charge_until(&circuit, &source, 0.040, STEP_S);
    assert_near(current_now(&circuit, &source), 2 * exp(-1), 1e-6);
    copy = circuit;
    assert_false(circuit_step(&copy, &source, 0, 1e-9).limited);
    charge_C += charge_until(&circuit, &source, 2, STEP_S);
    assert_near(charge_C, 0.24, 1e-9);
}

/* a ramp of s V/s: i = C s (1 - e^(-t/tau)), here 100 V/s for 100 ms */
static void slew_sets_the_inrush(void **state)
{
    (void)state;
    struct circuit circuit = charging();
    struct circuit_flow flow = {0};
    double step_s = 1e-5;
    for (int i = 0; i < 10000; i++) {
        struct circuit_source source = {100 * (i + 0.5) * step_s, 1000, 0};
        flow = circuit_step(&circuit, &source, 0, step_s);
    }
    double wanted_A = 0.020 * 100 * (1 - exp(-0.1 / 0.040));
    assert_near(flow.current_A, wanted_A, 5e-4 * wanted_A);
}

struct law {
    double level_A, nominal_V, exponent;
};

static double draw(const void *context, double voltage_V)
{
    const struct law *law = context;
    return load_current_A(law->level_A, law->nominal_V, law->exponent, voltage_V);
}

static double settled_A(double emf_V, double ohm, const struct law *law, double *voltage_V)
{
    const struct circuit_source source = {emf_V, 1000, 0};
    struct circuit circuit = {
        .capacitor_F = 1e-3, .series_ohm = ohm, .capacitor_V = emf_V, .connected = true};
    struct circuit_flow flow = {0};
    for (int i = 0; i < 4000; i++)
        flow = circuit_step_load(&circuit, &source, draw, law, STEP_S);
    *voltage_V = circuit.capacitor_V;
    return flow.current_A;
}

/* constant power P behind R: i = (V - sqrt(V^2 - 4 R P)) / (2 R) */
static void constant_power_settles_behind_resistance(void **state)
{
    (void)state;
    const struct law law = {5.0 / 12, 12, -1};
    double voltage_V = 0;
    double current_A = settled_A(12, 0.2, &law, &voltage_V);
    assert_near(current_A, 0.419601085, 1e-8);
    assert_near(voltage_V, 11.916079783, 1e-8);
    /* dI/dV = -i / (V - 2 i R): rising draw at falling voltage */
    double below_A = settled_A(11.99, 0.2, &law, &voltage_V);
    double above_A = settled_A(12.01, 0.2, &law, &voltage_V);
    assert_near((above_A - below_A) / 0.02, -0.419601085 / (12 - 2 * 0.419601085 * 0.2), 1e-6);
}

/* it needs P <= V^2 / (4 R): 12 V behind 2 ohm carries 18 W, not 20 W */
static void constant_power_has_a_limit(void **state)
{
    (void)state;
    double voltage_V = 0;
    const struct law carried = {17.9 / 12, 12, -1}, too_much = {20.0 / 12, 12, -1};
    settled_A(12, 2, &carried, &voltage_V);
    assert_near(voltage_V, 6 + sqrt(36 - 2 * 17.9), 1e-6);
    settled_A(12, 2, &too_much, &voltage_V);
    assert_true(voltage_V < 1);
}

/* I proportional to V^a, a from -1 to +1 */
static void exponents_are_those_of_the_law(void **state)
{
    (void)state;
    const double exponents[] = {-1, -0.4, 0, 0.5, 1};
    for (size_t i = 0; i < sizeof exponents / sizeof *exponents; i++) {
        const struct law law = {0.3, 24, exponents[i]};
        double low_V = 0, high_V = 0;
        double low_A = settled_A(20, 0.05, &law, &low_V);
        double high_A = settled_A(28, 0.05, &law, &high_V);
        assert_near(log(high_A / low_A) / log(high_V / low_V), exponents[i], 1e-9);
        double nominal_A = load_current_A(0.3, 24, exponents[i], 24);
        assert_near(nominal_A, 0.3, 1e-15);
    }
    assert_true(load_current_A(0.3, 24, -1, 0) == 0);
}

/* unplugged, constant power: v = sqrt(v0^2 - 2 P t / C): 12 to 6 V in 0.216 s */
static void capacitor_holds_up_a_constant_power(void **state)
{
    (void)state;
    const struct law law = {5.0 / 12, 12, -1};
    const struct circuit_source source = {12, 10, 10};
    struct circuit circuit = {.capacitor_F = 0.020, .series_ohm = 0.1, .capacitor_V = 12};
    for (int i = 0; i < 400; i++)
        assert_true(circuit_step_load(&circuit, &source, draw, &law, STEP_S).current_A == 0);
    assert_near(circuit.capacitor_V, 9.695360, 1e-6);
    for (int i = 400; i < 864; i++)
        circuit_step_load(&circuit, &source, draw, &law, STEP_S);
    assert_near(circuit.capacitor_V, 6, 1e-5);
}

/* 1 A into 20 mF under 5 W, 6 to 12 V: 0.314591015 s */
static void limited_charge_under_load(void **state)
{
    (void)state;
    const struct law law = {5.0 / 12, 12, -1};
    const struct circuit_source source = {40, 1, 0};
    struct circuit circuit = {
        .capacitor_F = 0.020, .series_ohm = 0.1, .capacitor_V = 6, .connected = true};
    double time_s = 0, before_V = 6;
    while (circuit.capacitor_V < 12) {
        before_V = circuit.capacitor_V;
        circuit_step_load(&circuit, &source, draw, &law, STEP_S);
        time_s += STEP_S;
    }
    time_s -= STEP_S * (circuit.capacitor_V - 12) / (circuit.capacitor_V - before_V);
    assert_near(time_s, 0.314591015, 2e-6);
}

/* A short in limit stands at I / S; a reversed module's clamp a little above
 * its own voltage; the sink takes back no more than it may. */
static void shunts_and_sink(void **state)
{
    (void)state;
    const struct circuit_source source = {12, 3, 0.1};
    struct circuit shorted = charging();
    shorted.shunt_S = 20;
    charge_until(&shorted, &source, 1, STEP_S);
    assert_near(shorted.capacitor_V, 3.0 / 20, 1e-9);
    struct circuit clamped = charging();
    clamped.shunt_S = 25;
    clamped.shunt_from_V = 0.72;
    charge_until(&clamped, &source, 1, STEP_S);
    assert_near(clamped.capacitor_V, 0.72 + 3.0 / 25, 1e-9);
    const struct circuit_source off = {0, 0, 0.1};
    struct circuit full = charging();
    full.capacitor_V = 12;
    /* C V / I: 10 V take 2 s */
    double charge_C = charge_until(&full, &off, 2, STEP_S);
    assert_near(full.capacitor_V, 2, 1e-9);
    assert_near(charge_C, -0.2, 1e-9);
}

static double uniform(double low, double high)
{
    return low + (high - low) * ((double)rand() / RAND_MAX);
}

/* Whatever happens, what left the source is in the capacitor, the load and the
 * shunt; the current stays within the limits. */
static void charge_is_conserved(void **state)
{
    (void)state;
    unsigned seed = (unsigned)time(NULL);
    const char *given = getenv("SEED");
    if (given)
        seed = (unsigned)strtoul(given, NULL, 10);
    print_message("seed %u\n", seed);
    srand(seed);
    for (int i = 0; i < 2000; i++) {
        struct circuit circuit = {.capacitor_F = uniform(1e-4, 5e-3),
                                  .series_ohm = uniform(0.02, 3),
                                  .capacitor_V = uniform(3, 30),
                                  .connected = i % 5 != 0};
        const struct circuit_source source = {uniform(0, 30), uniform(0, 5), uniform(0, 1)};
        double load_A = uniform(0, 0.5), before_V = circuit.capacitor_V;
        double step_s = uniform(1e-5, 1e-3);
        struct circuit_flow flow = circuit_step(&circuit, &source, load_A, step_s);
        if (circuit.capacitor_V == 0)
            continue;
        double kept_C = circuit.capacitor_F * (circuit.capacitor_V - before_V);
        assert_near(flow.charge_C, kept_C + load_A * step_s, 1e-9);
        assert_true(flow.charge_C <= source.limit_A * step_s + 1e-12);
        assert_true(flow.charge_C >= -source.sink_A * step_s - 1e-12);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stiff_source_charges_exponentially),
        cmocka_unit_test(a_step_is_exact_whatever_its_length),
        cmocka_unit_test(current_limit_holds_then_lets_go),
        cmocka_unit_test(slew_sets_the_inrush),
        cmocka_unit_test(constant_power_settles_behind_resistance),
        cmocka_unit_test(constant_power_has_a_limit),
        cmocka_unit_test(exponents_are_those_of_the_law),
        cmocka_unit_test(capacitor_holds_up_a_constant_power),
        cmocka_unit_test(limited_charge_under_load),
        cmocka_unit_test(shunts_and_sink),
        cmocka_unit_test(charge_is_conserved),
    };
    return cmocka_run_group_tests_name("simulated circuit", tests, NULL, NULL);
}
