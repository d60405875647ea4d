/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Worked power-ups: every way one begins, goes on and ends.
 */
#include "signature/power_up.h"
#include "support/power_up_scene.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static const struct power_up_rules rules = {.watch_s = 30};

static const double rates[] = {5, 8, 20, 50, 100, 400, 1000};
static const double counts[] = {1e-4, 1e-3, 1e-2};

/* The first reading at or after an instant. */
static double reading_at(const struct trace *trace, double time_s)
{
    for (size_t i = 0; i < trace->count; i++)
        if (trace->readings[i].time_s >= time_s)
            return trace->readings[i].time_s;
    return NAN;
}

static void expect_one(const struct scene *scene, double began_s, double ended_s,
                       enum power_up_end why)
{
    for (size_t k = 0; k < sizeof rates / sizeof *rates; k++) {
        for (size_t c = 0; c < sizeof counts / sizeof *counts; c++) {
            struct scene s = *scene;
            s.rate_hz = rates[k];
            s.resolution_A = counts[c];
            struct trace trace = {0};
            scene_play(&s, 40 + k, &trace);
            struct scene_power_up found[SCENE_MOST];
            size_t n = scene_watch(trace.readings, trace.count, &rules, found);
            if (n != 1 || found[0].onset_s != reading_at(&trace, began_s))
                print_error("at %g readings/s, %g A: %zu power-ups, onset %.4f, expected %.4f\n",
                            rates[k], counts[c], n, n ? found[0].onset_s : (double)NAN,
                            reading_at(&trace, began_s));
            assert_int_equal(n, 1);
            assert_true(found[0].onset_s == reading_at(&trace, began_s));
            if (why == END_NONE) {
                assert_true(isnan(found[0].ended_s));
            } else {
                if (!(fabs(found[0].ended_s - reading_at(&trace, ended_s)) <= 2.3 / rates[k] + 0.1))
                    print_error("at %g readings/s, %g A: ended %.4f for %.4f\n", rates[k],
                                counts[c], found[0].ended_s, ended_s);
                assert_int_equal(found[0].end, why);
                assert_true(fabs(found[0].ended_s - reading_at(&trace, ended_s)) <=
                            2.3 / rates[k] + 0.1);
            }
            trace_clear(&trace);
        }
    }
}

static void output_switched_with_flag(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.has_flag = true;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {8, SCENE_OUTPUT, false}};
    scene.turn_count = 2;
    expect_one(&scene, 2, 8, END_OUTPUT_OFF);
}

static void output_switched_without_flag(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {8, SCENE_OUTPUT, false}};
    scene.turn_count = 2;
    scene.slew_V_per_s = 1e6;
    expect_one(&scene, 2, 8, END_OUTPUT_OFF);
}

static void output_off_with_slow_decay(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.slew_V_per_s = 1e6;
    scene.decay_s = 1.5;
    scene.to_s = 14;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {8, SCENE_OUTPUT, false}};
    scene.turn_count = 2;
    expect_one(&scene, 2, 8, END_OUTPUT_OFF);
}

static void feed_switched_on(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.output = true;
    scene.feed = false;
    scene.resting_A = 0.004;
    scene.has_flag = true;
    scene.turns = (const struct scene_turn[]){{2, SCENE_FEED, true}, {7, SCENE_FEED, false}};
    scene.turn_count = 2;
    expect_one(&scene, 2, 7, END_DRAW_OFF);
    scene.has_flag = false;
    scene.offset_A = -0.02;
    expect_one(&scene, 2, 7, END_DRAW_OFF);
}

static void plug_put_in(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.output = true;
    scene.plug = false;
    scene.turns = (const struct scene_turn[]){{3, SCENE_PLUG, true}, {7, SCENE_PLUG, false}};
    scene.turn_count = 2;
    expect_one(&scene, 3, 7, END_DRAW_OFF);
    scene.offset_A = 0.02;
    expect_one(&scene, 3, 7, END_DRAW_OFF);
}

static void goes_on_to_the_end(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
    scene.turn_count = 1;
    scene.slew_V_per_s = 1e6;
    expect_one(&scene, 2, 0, END_NONE);
}

/* A trace may begin at the very instant of power-on: nothing is known before. */
static void trace_begins_at_power_on(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.from_s = 2.0005;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
    scene.turn_count = 1;
    expect_one(&scene, 2, 0, END_NONE);
    scene.has_flag = true;
    expect_one(&scene, 2, 0, END_NONE);
}

static void draws_nothing(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.plug = false;
    scene.slew_V_per_s = 1e6;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {8, SCENE_OUTPUT, false}};
    scene.turn_count = 2;
    expect_one(&scene, 2, 2 + POWER_UP_IDLE_S, END_NO_DRAW);
    scene.has_flag = true;
    expect_one(&scene, 2, 2 + POWER_UP_IDLE_S, END_NO_DRAW);
}

/* On with nothing plugged in, long enough to have gone idle: the plug is a
 * power-up of its own. Sooner than that it is the same one. */
static void plugged_in_after_output_on(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.plug = false;
    scene.slew_V_per_s = 1e6;
    scene.has_flag = true;
    scene.turns = (const struct scene_turn[]){
        {2, SCENE_OUTPUT, true}, {6, SCENE_PLUG, true}, {9, SCENE_OUTPUT, false}};
    scene.turn_count = 3;
    scene.to_s = 11;
    struct trace trace = {0};
    struct scene_power_up found[SCENE_MOST];
    scene_play(&scene, 5, &trace);
    assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 2);
    assert_int_equal(found[0].end, END_NO_DRAW);
    assert_true(fabs(found[1].onset_s - 6) < 0.1);
    assert_int_equal(found[1].end, END_OUTPUT_OFF);
    trace_clear(&trace);
    scene.turns = (const struct scene_turn[]){
        {2, SCENE_OUTPUT, true}, {4, SCENE_PLUG, true}, {9, SCENE_OUTPUT, false}};
    scene_play(&scene, 5, &trace);
    assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 1);
    assert_int_equal(found[0].end, END_OUTPUT_OFF);
    trace_clear(&trace);
}

static void does_not_wake(void **state)
{
    (void)state;
    static const struct scene_phase asleep[] = {{1, 0.005}};
    struct scene scene = scene_usual();
    scene.phases = asleep;
    scene.phase_count = 1;
    scene.slew_V_per_s = 1e6;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
    scene.turn_count = 1;
    expect_one(&scene, 2, 2 + POWER_UP_IDLE_S, END_NO_DRAW);
}

/* A readback that goes to and fro by 10 mA at rest, said to resolve 1 mA. */
static void draws_nothing_at_a_coarser_readback_than_said(void **state)
{
    (void)state;
    static const struct power_up_rules said = {.watch_s = 30, .resolution_A = 1e-3};
    for (size_t k = 2; k < sizeof rates / sizeof *rates; k++) {
        struct scene scene = scene_usual();
        scene.rate_hz = rates[k];
        scene.resolution_A = 0.01;
        scene.offset_A = 0.004; /* most readings 0, some 10 mA, often three in a row */
        scene.noise_A = 0.003;
        scene.plug = false;
        scene.slew_V_per_s = 1e6;
        scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
        scene.turn_count = 1;
        struct trace trace = {0};
        scene_play(&scene, 3 + k, &trace);
        struct scene_power_up found[SCENE_MOST];
        size_t n = scene_watch(trace.readings, trace.count, &said, found);
        if (n != 1 || found[0].end != END_NO_DRAW)
            print_error("at %g readings/s: %zu power-ups, end %d\n", rates[k], n,
                        n ? (int)found[0].end : -1);
        assert_int_equal(n, 1);
        assert_int_equal(found[0].end, END_NO_DRAW);
        assert_true(found[0].ended_s - found[0].onset_s < POWER_UP_IDLE_S + 2);
        trace_clear(&trace);
    }
}

/* An output that says it is off, and reads noise of a quarter of a volt. */
static void noise_of_an_output_that_is_off_begins_nothing(void **state)
{
    (void)state;
    uint64_t random = 11;
    struct power_up_machine *m = power_up_create(&rules);
    assert_non_null(m);
    struct reading r = {.valid = true, .output_on = FLAG_NO, .limited = FLAG_UNKNOWN};
    for (int i = 0; i < 6000; i++) {
        r.time_s = 0.01 * i;
        r.voltage_V = 0.25 * scene_normal(&random);
        r.current_A = 0.0003 * scene_normal(&random);
        /* Some families tell the state with every reading, others now and then. */
        r.output_on = i % 2 ? FLAG_NO : FLAG_UNKNOWN;
        assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    }
    /* Its rise is none, flag or not. */
    int began = 0;
    for (int i = 0; i < 10; i++) {
        r.time_s += 0.01;
        r.output_on = FLAG_UNKNOWN;
        r.voltage_V = 12 + 0.25 * scene_normal(&random);
        began += power_up_step(m, &r) == POWER_UP_BEGAN;
    }
    assert_int_equal(began, 1);
    assert_true(fabs(power_up_onset_s(m) - 60) < 1e-6);
    power_up_destroy(m);
}

/* Nothing plugged in, the output on all the time: nothing begins. */
static void empty_bench(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof rates / sizeof *rates; k++) {
        for (int offset = -1; offset <= 1; offset++) {
            struct scene scene = scene_usual();
            scene.rate_hz = rates[k];
            scene.output = true;
            scene.plug = false;
            scene.offset_A = 0.02 * offset;
            scene.noise_A = 2e-3;
            scene.stray_share = 1.0 / 200;
            scene.to_s = 60;
            struct trace trace = {0};
            scene_play(&scene, 7 + k, &trace);
            struct scene_power_up found[SCENE_MOST];
            assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 0);
            trace_clear(&trace);
        }
    }
}

/* 4 to 10 mA at first, and only then what a module draws: the first step counts. */
static void small_module_begins_at_its_first_step(void **state)
{
    (void)state;
    static const double steps_A[] = {0.004, 0.006, 0.010};
    for (size_t i = 0; i < (size_t)3 * 2 * 3; i++) {
        for (size_t k = 2; k < sizeof rates / sizeof *rates; k++) {
            const struct scene_phase boot[] = {
                {0.6, steps_A[i % 3]}, {0.5, 0.025}, {0.5, 0.012}, {1, 0.040}};
            struct scene scene = scene_usual();
            scene.phases = boot;
            scene.rate_hz = rates[k];
            scene.output = true;
            scene.plug = false;
            scene.resolution_A = i / 3 % 2 ? 1e-3 : 1e-4;
            scene.noise_A = 1e-4;
            size_t offset = i / 6;
            scene.offset_A = 0.02 * ((double)offset - 1);
            scene.inrush_s = 0;
            scene.turns = (const struct scene_turn[]){{2, SCENE_PLUG, true}};
            scene.turn_count = 1;
            struct trace trace = {0};
            scene_play(&scene, 70 + i, &trace);
            struct power_up_rules told = {.watch_s = 30, .resolution_A = scene.resolution_A};
            /* Not told, a quiet readback's count may look like 10 mA. */
            for (int tell = scene.resolution_A > 5e-4; tell < 2; tell++) {
                struct scene_power_up found[SCENE_MOST];
                size_t n = scene_watch(trace.readings, trace.count, tell ? &told : &rules, found);
                if (n != 1 || found[0].onset_s != reading_at(&trace, 2))
                    print_error("%g A first at %g readings/s, %g A: %zu, onset %.4f for %.4f\n",
                                steps_A[i % 3], rates[k], scene.resolution_A, n,
                                n ? found[0].onset_s : (double)NAN, reading_at(&trace, 2));
                assert_int_equal(n, 1);
                assert_true(found[0].onset_s == reading_at(&trace, 2));
                assert_true(isnan(found[0].ended_s));
            }
            trace_clear(&trace);
        }
    }
}

/* A sleeping module whose draw wobbles and blinks, at a supply that reads finely:
 * nothing begins, strays or not. */
static void sleeping_module_wobbles(void **state)
{
    (void)state;
    static const struct scene_phase wobble[] = {
        {0.31, 0.002}, {0.4, 0.0035}, {0.22, 0.0028}, {0.1, 0.011}, {0.7, 0.0031}};
    for (size_t k = 0; k < sizeof rates / sizeof *rates; k++) {
        for (int offset = -1; offset <= 1; offset++) {
            for (size_t c = 0; c < sizeof counts / sizeof *counts; c++) {
                struct scene scene = scene_usual();
                scene.phases = wobble;
                scene.phase_count = 5;
                scene.loops = true;
                scene.inrush_s = 0;
                scene.rate_hz = rates[k];
                scene.output = true;
                scene.offset_A = 0.012 * offset;
                scene.resolution_A = counts[c];
                scene.noise_A = 1e-4;
                scene.stray_share = 1.0 / 200;
                scene.to_s = 60;
                struct trace trace = {0};
                scene_play(&scene, 17 + k, &trace);
                struct scene_power_up found[SCENE_MOST];
                size_t n = scene_watch(trace.readings, trace.count, &rules, found);
                if (n)
                    print_error("%g readings/s, %g A, offset %d: onset %.4f\n", rates[k], counts[c],
                                offset, found[0].onset_s);
                assert_int_equal(n, 0);
                trace_clear(&trace);
            }
        }
    }
}

static void sags_in_current_limit(void **state)
{
    (void)state;
    static const double volts[] = {9, 4, 0.8, 0.05};
    for (size_t v = 0; v < sizeof volts / sizeof *volts; v++) {
        for (int flags = 0; flags < 4; flags++) {
            struct scene scene = scene_usual();
            scene.slew_V_per_s = 1e6;
            scene.sag_from_s = 4;
            scene.sag_to_s = 5.7;
            scene.sag_V = volts[v];
            scene.sag_A = 1.0;
            scene.has_flag = flags & 1;
            scene.has_limited = flags & 2;
            scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
            scene.turn_count = 1;
            expect_one(&scene, 2, 0, END_NONE);
        }
    }
}

/* Short or reversed from the first instant: the limit, the voltage near nothing. */
static void begins_in_current_limit(void **state)
{
    (void)state;
    static const double volts[] = {0.75, 0.05};
    for (size_t v = 0; v < sizeof volts / sizeof *volts; v++) {
        struct scene scene = scene_usual();
        scene.slew_V_per_s = 1e6;
        scene.sag_from_s = 2;
        scene.sag_to_s = 99;
        scene.sag_V = volts[v];
        scene.sag_A = 1.0;
        scene.turns =
            (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {8, SCENE_OUTPUT, false}};
        scene.turn_count = 2;
        expect_one(&scene, 2, 8, END_OUTPUT_OFF);
        scene.has_flag = true;
        expect_one(&scene, 2, 8, END_OUTPUT_OFF);
    }
}

static void restarts_stay_one(void **state)
{
    (void)state;
    static const struct scene_phase loop[] = {{0.4, 0.06}, {0.5, 0.15}, {0.7, 0.0}};
    struct scene scene = scene_usual();
    scene.slew_V_per_s = 1e6;
    scene.phases = loop;
    scene.phase_count = 3;
    scene.loops = true;
    scene.to_s = 20;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}};
    scene.turn_count = 1;
    expect_one(&scene, 2, 0, END_NONE);
}

static void off_and_on_again(void **state)
{
    (void)state;
    for (int flag = 0; flag < 2; flag++) {
        for (size_t k = 3; k < sizeof rates / sizeof *rates; k++) {
            struct scene scene = scene_usual();
            scene.rate_hz = rates[k];
            scene.has_flag = flag;
            scene.slew_V_per_s = 1e6;
            scene.turns = (const struct scene_turn[]){
                {2, SCENE_OUTPUT, true}, {5, SCENE_OUTPUT, false}, {5.2, SCENE_OUTPUT, true}};
            scene.turn_count = 3;
            struct trace trace = {0};
            scene_play(&scene, 3, &trace);
            struct scene_power_up found[SCENE_MOST];
            assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 2);
            assert_int_equal(found[0].end, END_OUTPUT_OFF);
            assert_true(found[0].ended_s >= 5 && found[0].ended_s < 5.2);
            assert_true(found[1].onset_s == reading_at(&trace, 5.2));
            /* What is kept of the second does not reach into the first. */
            assert_true(found[1].keep_from_s == found[0].ended_s);
            trace_clear(&trace);
        }
    }
}

static void draw_off_then_on_again(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.output = true;
    scene.plug = false;
    scene.to_s = 20;
    scene.turns = (const struct scene_turn[]){
        {2, SCENE_PLUG, true}, {6, SCENE_PLUG, false}, {9, SCENE_PLUG, true}};
    scene.turn_count = 3;
    struct trace trace = {0};
    scene_play(&scene, 3, &trace);
    struct scene_power_up found[SCENE_MOST];
    assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 2);
    assert_int_equal(found[0].end, END_DRAW_OFF);
    assert_true(found[0].ended_s == reading_at(&trace, 6));
    assert_true(found[0].ended_at_s < 7.2);
    assert_true(found[1].onset_s == reading_at(&trace, 9));
    trace_clear(&trace);
}

static void watch_time_passes_once(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.to_s = 50;
    scene.slew_V_per_s = 1e6;
    scene.turns = (const struct scene_turn[]){{2, SCENE_OUTPUT, true}, {45, SCENE_OUTPUT, false}};
    scene.turn_count = 2;
    struct trace trace = {0};
    scene_play(&scene, 3, &trace);
    struct scene_power_up found[SCENE_MOST];
    struct power_up_rules short_watch = {.watch_s = 6};
    assert_int_equal(scene_watch(trace.readings, trace.count, &short_watch, found), 1);
    assert_true(found[0].watched_at_s == reading_at(&trace, found[0].onset_s + 6));
    assert_true(fabs(found[0].ended_s - 45) < 0.2);
    trace_clear(&trace);
}

static void new_rules_bear_on_the_watch(void **state)
{
    (void)state;
    struct power_up_machine *m = power_up_create(&rules);
    assert_non_null(m);
    struct reading r = {.valid = true, .output_on = FLAG_NO, .limited = FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    r = (struct reading){0.1, 12, 0.3, true, FLAG_YES, FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_BEGAN);
    assert_true(power_up_onset_s(m) == 0.1);
    power_up_set_rules(m, &(struct power_up_rules){.watch_s = 1});
    r.time_s = 1.2;
    assert_int_equal(power_up_step(m, &r), POWER_UP_WATCHED);
    r.time_s = 40;
    assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    power_up_destroy(m);
}

static void supply_goes_away(void **state)
{
    (void)state;
    struct power_up_machine *m = power_up_create(&rules);
    assert_non_null(m);
    assert_true(isnan(power_up_onset_s(m)));
    assert_int_equal(power_up_end(m), END_NONE);
    assert_int_equal(power_up_lost(m), POWER_UP_NOTHING);
    struct reading r = {0, 0, 0, true, FLAG_NO, FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    r = (struct reading){0.1, 12, 0.3, true, FLAG_YES, FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_BEGAN);
    assert_int_equal(power_up_lost(m), POWER_UP_ENDED);
    assert_int_equal(power_up_end(m), END_LOST);
    assert_true(power_up_ended_s(m) == 0.1);
    /* Back again, the module running: nobody saw it begin. */
    for (int i = 0; i < 50; i++) {
        r.time_s = 5 + 0.1 * i;
        assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    }
    /* Its end is nobody's either; what begins after is. */
    r = (struct reading){11, 0, 0, true, FLAG_NO, FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
    r = (struct reading){11.1, 12, 0.3, true, FLAG_YES, FLAG_UNKNOWN};
    assert_int_equal(power_up_step(m, &r), POWER_UP_BEGAN);
    assert_true(power_up_onset_s(m) == 11.1);
    power_up_destroy(m);
}

static void baseline_is_the_resting_draw(void **state)
{
    (void)state;
    struct scene scene = scene_usual();
    scene.output = true;
    scene.feed = false;
    scene.resting_A = 0.006;
    scene.turns = (const struct scene_turn[]){{2, SCENE_FEED, true}};
    scene.turn_count = 1;
    struct trace trace = {0};
    scene_play(&scene, 3, &trace);
    struct scene_power_up found[SCENE_MOST];
    assert_int_equal(scene_watch(trace.readings, trace.count, &rules, found), 1);
    assert_true(fabs(found[0].baseline_A - 0.006) <= 1e-3);
    assert_in_range(found[0].baseline_readings, 8, 12);
    trace_clear(&trace);
}

/* A supply polled faster than it converts: its flag says on at once, while the
 * readback goes on repeating the zero from before. */
static void flag_leads_the_readback(void **state)
{
    (void)state;
    for (int repeats = 1; repeats <= 40; repeats++) {
        struct power_up_machine *m = power_up_create(&rules);
        assert_non_null(m);
        struct reading r = {0, 0, 0, true, FLAG_NO, FLAG_NO};
        int began = 0;
        for (int i = 0; i < 1200; i++) {
            r.time_s = 0.0025 * i;
            r.output_on = i >= 400 ? FLAG_YES : FLAG_NO;
            bool up = i >= 400 + repeats;
            r.voltage_V = up ? 24 : 0;
            r.current_A = up ? 0.2 : 0;
            enum power_up_event event = power_up_step(m, &r);
            assert_int_not_equal(event, POWER_UP_ENDED);
            began += event == POWER_UP_BEGAN;
        }
        assert_int_equal(began, 1);
        assert_true(power_up_onset_s(m) == 0.0025 * 400);
        r.time_s += 0.0025;
        r.output_on = FLAG_NO;
        assert_int_equal(power_up_step(m, &r), POWER_UP_ENDED);
        power_up_destroy(m);
    }
}

/* The same at the end: the flag says off, the readback goes on showing the
 * draw, and renews it once more, before it falls. */
static struct reading late_readback(int i, int repeats)
{
    bool on = (i >= 400 && i < 1600) || i >= 2000;
    bool up = (i >= 400 && i < 1600 + repeats) || i >= 2000;
    bool renewed = i >= 1600 + repeats / 2;
    double falling_V = i < 400 ? 0 : fmax(0, 24 - 0.2 * (i - 1600));
    return (struct reading){.time_s = 0.0025 * i,
                            .voltage_V = up ? 24 : falling_V,
                            .current_A = up ? (renewed ? 0.21 : 0.16) : 0,
                            .valid = true,
                            .output_on = on ? FLAG_YES : FLAG_NO,
                            .limited = FLAG_NO};
}

static void flag_off_leads_the_readback(void **state)
{
    (void)state;
    for (int repeats = 0; repeats <= 40; repeats++) {
        struct power_up_machine *m = power_up_create(&rules);
        struct power_up_machine *cut = power_up_create(&rules); /* begins where the first ended */
        assert_non_null(m);
        assert_non_null(cut);
        int began = 0;
        int ended = 0;
        for (int i = 0; i < 2400; i++) {
            struct reading r = late_readback(i, repeats);
            enum power_up_event event = power_up_step(m, &r);
            began += event == POWER_UP_BEGAN;
            ended += event == POWER_UP_ENDED;
            assert_int_equal(began, i < 400 ? 0 : i < 2000 ? 1 : 2);
            assert_int_equal(ended, i < 1600 ? 0 : 1);
            if (i >= 1600)
                assert_int_equal(power_up_step(cut, &r),
                                 i == 2000 ? POWER_UP_BEGAN : POWER_UP_NOTHING);
        }
        assert_true(power_up_onset_s(m) == 0.0025 * 2000);
        power_up_destroy(m);
        power_up_destroy(cut);
    }
}

static void voltage_up_from_the_start_is_told(void **state)
{
    (void)state;
    struct power_up_machine *m = power_up_create(&rules);
    assert_non_null(m);
    assert_false(power_up_voltage_from_start(m));
    struct reading r = {0, 12, 0.001, true, FLAG_UNKNOWN, FLAG_UNKNOWN};
    for (int i = 0; i < 20; i++) {
        r.time_s = 0.1 * i;
        assert_int_equal(power_up_step(m, &r), POWER_UP_NOTHING);
        assert_true(power_up_voltage_from_start(m));
    }
    power_up_destroy(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(output_switched_with_flag),
        cmocka_unit_test(output_switched_without_flag),
        cmocka_unit_test(output_off_with_slow_decay),
        cmocka_unit_test(feed_switched_on),
        cmocka_unit_test(plug_put_in),
        cmocka_unit_test(goes_on_to_the_end),
        cmocka_unit_test(trace_begins_at_power_on),
        cmocka_unit_test(draws_nothing),
        cmocka_unit_test(does_not_wake),
        cmocka_unit_test(plugged_in_after_output_on),
        cmocka_unit_test(draws_nothing_at_a_coarser_readback_than_said),
        cmocka_unit_test(noise_of_an_output_that_is_off_begins_nothing),
        cmocka_unit_test(empty_bench),
        cmocka_unit_test(small_module_begins_at_its_first_step),
        cmocka_unit_test(sleeping_module_wobbles),
        cmocka_unit_test(sags_in_current_limit),
        cmocka_unit_test(begins_in_current_limit),
        cmocka_unit_test(restarts_stay_one),
        cmocka_unit_test(off_and_on_again),
        cmocka_unit_test(draw_off_then_on_again),
        cmocka_unit_test(watch_time_passes_once),
        cmocka_unit_test(new_rules_bear_on_the_watch),
        cmocka_unit_test(supply_goes_away),
        cmocka_unit_test(baseline_is_the_resting_draw),
        cmocka_unit_test(flag_leads_the_readback),
        cmocka_unit_test(flag_off_leads_the_readback),
        cmocka_unit_test(voltage_up_from_the_start_is_told),
    };
    return cmocka_run_group_tests_name("power-up", tests, NULL, NULL);
}
