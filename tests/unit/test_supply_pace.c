/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The pure parts of reading a supply: the fastest round trip, the renewal
 * period, the limit from the set points, registers and blocks.
 */
#include "supply/limit_state.h"
#include "supply/modbus_map.h"
#include "supply/renewal.h"
#include "supply/wire_pace.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static unsigned long seed;

static double uniform(void)
{
    seed = seed * 6364136223846793005UL + 1442695040888963407UL;
    return (double)(seed >> 11) / 9007199254740992.0;
}

#define assert_near(a, b, tolerance)                                                               \
    do {                                                                                           \
        double left = (a), right = (b);                                                            \
        if (!(fabs(left - right) <= (tolerance)))                                                  \
            fail_msg("%s = %.9g, expected %.9g", #a, left, right);                                 \
    } while (0)

static void test_fastest(void **state)
{
    (void)state;
    struct wire_pace pace = {0};
    assert_true(isnan(wire_pace_fastest_s(&pace)));
    wire_pace_add(&pace, 0.02);
    assert_near(wire_pace_fastest_s(&pace), 0.02, 0);
    for (int i = 0; i < 400; i++)
        wire_pace_add(&pace, i == 200 ? 0.0001 : 0.010 + 0.003 * uniform());
    /* One freak round trip does not set the pace. */
    assert_near(wire_pace_fastest_s(&pace), 0.010, 0.0004);
}

/* A supply that renews every `period` s, polled every `poll` s, give or take. */
struct outcome {
    double period_s;
    double marked_right; /* share of readings marked as they were, once learned */
    double seen;         /* share of renewals that a reading saw, once learned */
};

static struct outcome play(double period_s, double poll_s, double jitter, bool moving, bool obey)
{
    struct renewal renewal = {0};
    struct outcome outcome = {NAN, 0, 0};
    double time_s = 100 * uniform();
    double phase_s = period_s * uniform();
    long before = -1;
    long first = -1;
    long judged = 0;
    long right = 0;
    long seen = 0;
    double current_A = 0.25;
    double flicker = 0.01 * pow(70, uniform());
    for (int i = 0; i < 6000; i++) {
        double learned_s = renewal_period_s(&renewal);
        double step_s = obey && learned_s > 0 ? fmax(poll_s, learned_s / 4) : poll_s;
        time_s += step_s * (1 + jitter * (uniform() - 0.5));
        long k = (long)floor((time_s - phase_s) / period_s);
        if (k != before) {
            if (moving)
                current_A = 0.25 + 0.001 * floor(40 * uniform());
            else if (uniform() < flicker)
                current_A = current_A > 0.25 ? 0.25 : 0.251;
        }
        bool repeat = renewal_step(&renewal, time_s, 13.8, current_A);
        if (i > 3000) {
            if (first < 0)
                first = k;
            judged++;
            right += repeat == (k == before);
            seen += k != before;
        }
        before = k;
    }
    outcome.period_s = renewal_period_s(&renewal);
    outcome.marked_right = (double)right / (double)judged;
    outcome.seen = (double)seen / (double)(before - first + 1);
    return outcome;
}

static void test_renewal_learned(void **state)
{
    (void)state;
    for (int trial = 0; trial < 60; trial++) {
        double period_s = 0.02 * pow(25, uniform());
        double poll_s = period_s / (4 + 30 * uniform());
        struct outcome outcome = play(period_s, poll_s, 0.2, true, true);
        if (!(fabs(outcome.period_s - period_s) < 0.05 * period_s) || outcome.marked_right < 0.9 ||
            outcome.seen < 0.97)
            fail_msg("period %g polled at %g: learned %g, marked %g, seen %g", period_s, poll_s,
                     outcome.period_s, outcome.marked_right, outcome.seen);
    }
}

/* Where the supply renews at least as fast as it is polled, or the load rests
 * and its last digit flickers, no period is made up. */
static void test_renewal_not_made_up(void **state)
{
    (void)state;
    for (int trial = 0; trial < 60; trial++) {
        double poll_s = 0.001 * pow(100, uniform());
        double period_s = poll_s * (0.05 + 0.95 * uniform());
        struct outcome outcome = play(period_s, poll_s, 0.2, trial % 2, false);
        if (!isnan(outcome.period_s))
            fail_msg("period %g polled at %g: learned %g", period_s, poll_s, outcome.period_s);
    }
}

/* A slow ramp changes the last digit at a pace of its own. */
static void test_renewal_not_made_up_from_a_ramp(void **state)
{
    (void)state;
    for (int trial = 0; trial < 60; trial++) {
        struct renewal renewal = {0};
        double poll_s = 0.002 * pow(10, uniform());
        double slope = 0.001 / (poll_s * (3 + 20 * uniform())) * (trial % 2 ? 1 : -1);
        double time_s = 100 * uniform();
        double begin_s = time_s;
        for (int i = 0; i < 3000; i++) {
            time_s += poll_s * (1 + 0.2 * (uniform() - 0.5));
            double current_A = 0.001 * floor(1000 * (2 + slope * (time_s - begin_s)));
            renewal_step(&renewal, time_s, 13.8, current_A);
            if (!isnan(renewal_period_s(&renewal)))
                fail_msg("polled at %g s, a count every %g s: learned %g", poll_s,
                         0.001 / fabs(slope), renewal_period_s(&renewal));
        }
    }
}

static void test_limit(void **state)
{
    (void)state;
    const struct accuracy accuracy = {.current_resolution_A = 0.001,
                                      .current_gain = 0.002,
                                      .current_offset_A = 0.005,
                                      .voltage_resolution_V = 0.01,
                                      .voltage_gain = 0.001,
                                      .voltage_offset_V = 0.02};
    static const struct {
        double voltage_V, current_A, set_V, limit_A;
        bool valid;
        enum known_flag limited;
    } cases[] = {
        {13.8, 0.4, 13.8, 2, true, FLAG_NO},       {6.0, 2.0, 13.8, 2, true, FLAG_YES},
        {6.0, 1.99, 13.8, 2, true, FLAG_YES},      {13.8, 2.0, 13.8, 2, true, FLAG_NO},
        {0.0, 0.0, 13.8, 2, true, FLAG_NO},        {5.0, 0.3, 13.8, 2, true, FLAG_NO},
        {6.0, 2.0, 13.8, NAN, true, FLAG_UNKNOWN}, {6.0, 2.0, NAN, 2, true, FLAG_UNKNOWN},
        {6.0, 2.0, 13.8, 2, false, FLAG_UNKNOWN},  {0.0, 0.0, 13.8, 0.002, true, FLAG_UNKNOWN},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct reading reading = {.voltage_V = cases[i].voltage_V,
                                  .current_A = cases[i].current_A,
                                  .valid = cases[i].valid};
        enum known_flag limited =
            limit_state_derive(&reading, cases[i].set_V, cases[i].limit_A, &accuracy);
        if (limited != cases[i].limited)
            fail_msg("case %zu: %d", i, (int)limited);
    }
}

static void test_registers(void **state)
{
    (void)state;
    struct register_quantity quantity = {.type = REGISTER_U16, .scale = 0.01};
    assert_near(register_number(&quantity, (uint16_t[]){0xFFFF}), 655.35, 1e-9);
    quantity.type = REGISTER_S16;
    assert_near(register_number(&quantity, (uint16_t[]){0xFFFF}), -0.01, 1e-12);
    quantity.type = REGISTER_U32;
    quantity.scale = 1;
    assert_near(register_number(&quantity, (uint16_t[]){0x0001, 0x0002}), 65538, 0);
    quantity.little = true;
    assert_near(register_number(&quantity, (uint16_t[]){0x0001, 0x0002}), 131073, 0);
    quantity.type = REGISTER_S32;
    assert_near(register_number(&quantity, (uint16_t[]){0xFFFE, 0xFFFF}), -2, 0);
    /* IEEE 754 single 0x41480000 is 12.5. */
    quantity.type = REGISTER_F32;
    assert_near(register_number(&quantity, (uint16_t[]){0x0000, 0x4148}), 12.5, 0);
    quantity.little = false;
    assert_near(register_number(&quantity, (uint16_t[]){0x4148, 0x0000}), 12.5, 0);
    assert_true(isnan(register_number(&quantity, (uint16_t[]){0x7FC0, 0x0000})));
    assert_true(isnan(register_number(&quantity, (uint16_t[]){0x7F80, 0x0000})));
}

static void test_registers_there_and_back(void **state)
{
    (void)state;
    struct register_quantity quantity = {.type = REGISTER_U16, .scale = 0.01};
    for (int trial = 0; trial < 600; trial++) {
        quantity.type = (enum register_type)(trial % 5);
        quantity.little = trial % 2;
        quantity.scale = quantity.type == REGISTER_F32 ? 1 : 0.001;
        double number = 30 * uniform();
        uint16_t words[2];
        assert_int_equal(register_words(&quantity, number, words), register_width(quantity.type));
        assert_near(register_number(&quantity, words), number, 0.00051);
    }
    uint16_t words[2];
    quantity.type = REGISTER_U16;
    quantity.scale = 0.001;
    assert_int_equal(register_words(&quantity, 65.536, words), -1);
    assert_int_equal(register_words(&quantity, -0.001, words), -1);
    struct register_quantity swapped = {.type = REGISTER_F32, .swapped = true, .scale = 1};
    assert_near(register_number(&swapped, (uint16_t[]){0x4841, 0x0000}), 12.5, 0);
    assert_int_equal(register_words(&swapped, 12.5, words), 2);
    assert_int_equal(words[0], 0x4841);
    swapped.type = REGISTER_S16;
    assert_near(register_number(&swapped, (uint16_t[]){0xFEFF}), -2, 0);
    struct register_flag flag = {.bit = 3};
    assert_int_equal(register_flag(&flag, 8), FLAG_YES);
    assert_int_equal(register_flag(&flag, 7), FLAG_NO);
    assert_int_equal(register_with_bits(&flag, 0xFFFF, 0), 0xFFF7);
    assert_int_equal(register_with_bits(&flag, 0x0001, 1), 0x0009);
    assert_false(register_is_whole(&flag));
    struct register_flag mode = {.bit = 4, .bits = 2, .values = {2, 3}, .value_count = 2};
    assert_int_equal(register_flag(&mode, 0xFF2F), FLAG_YES);
    assert_int_equal(register_flag(&mode, 0x0030), FLAG_YES);
    assert_int_equal(register_flag(&mode, 0x0010), FLAG_NO);
    assert_int_equal(register_with_bits(&mode, 0x0FFF, 2), 0x0FEF);
    struct register_flag whole = {.bits = 16};
    assert_int_equal(register_flag(&whole, 0x0100), FLAG_YES);
    assert_int_equal(register_flag(&whole, 0), FLAG_NO);
    assert_int_equal(register_with_bits(&whole, 0x1234, 0xA5), 0xA5);
    assert_true(register_is_whole(&whole));
    flag.inverted = true;
    assert_int_equal(register_flag(&flag, 8), FLAG_NO);
}

static void test_blocks(void **state)
{
    (void)state;
    int address = 0;
    int count = 0;
    assert_true(register_blocks_join(10, 2, 12, 2, 0, &address, &count));
    assert_int_equal(address, 10);
    assert_int_equal(count, 4);
    assert_true(register_blocks_join(20, 1, 10, 2, 20, &address, &count));
    assert_int_equal(address, 10);
    assert_int_equal(count, 11);
    assert_false(register_blocks_join(20, 1, 10, 2, 7, &address, &count));
    assert_true(register_blocks_join(0, 124, 124, 1, 0, &address, &count));
    assert_int_equal(count, 125);
    assert_false(register_blocks_join(0, 124, 124, 2, 0, &address, &count));
    assert_true(register_blocks_join(4, 3, 5, 1, 0, &address, &count));
    assert_int_equal(address, 4);
    assert_int_equal(count, 3);
}

/* What a reading costs at least, by hand: 33 characters at 9600 baud are 34.375 ms. */
static void test_cost(void **state)
{
    (void)state;
    struct wire_pace pace = {0};
    struct wire_cost cost = {.query_chars = 18, .reply_chars = 15, .silence_s = 0.004};
    double turnaround_s = 0;
    assert_true(isnan(wire_cost_least_s(&cost, &pace, 10.0 / 9600, &turnaround_s)));
    for (int i = 0; i < 40; i++)
        wire_pace_add(&pace, 0.043375 + i % 3 * 0.001);
    assert_near(wire_cost_least_s(&cost, &pace, 10.0 / 9600, &turnaround_s), 0.043375, 1e-9);
    assert_near(turnaround_s, 0.005, 1e-9);
    /* A round trip cannot be shorter than its characters. */
    cost.gap_s = 0.02;
    assert_near(wire_cost_least_s(&cost, &pace, 10.0 / 9600, &turnaround_s), 0.058375, 1e-9);
    assert_near(turnaround_s, 0, 1e-12);
}

static void test_rate(void **state)
{
    (void)state;
    struct wire_rate rate = {0};
    assert_true(isnan(wire_rate_hz(&rate)));
    for (int i = 0; i <= 200; i++)
        wire_rate_add(&rate, 100 + i * 0.05, 1);
    assert_near(wire_rate_hz(&rate), 20, 1e-9);
    /* What was long ago is forgotten: now 50 a second, ten at a time. */
    for (int i = 1; i <= 60; i++)
        wire_rate_add(&rate, 110 + i * 0.2, 10);
    assert_near(wire_rate_hz(&rate), 50, 1e-9);
}

int main(void)
{
    const char *given = getenv("SEED");
    seed = given ? strtoul(given, NULL, 10) : (unsigned long)time(NULL);
    printf("SEED=%lu\n", seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_fastest),
        cmocka_unit_test(test_cost),
        cmocka_unit_test(test_rate),
        cmocka_unit_test(test_renewal_learned),
        cmocka_unit_test(test_renewal_not_made_up),
        cmocka_unit_test(test_renewal_not_made_up_from_a_ramp),
        cmocka_unit_test(test_limit),
        cmocka_unit_test(test_registers),
        cmocka_unit_test(test_registers_there_and_back),
        cmocka_unit_test(test_blocks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
