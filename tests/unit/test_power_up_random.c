/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Random benches: switches thrown at random, supplies of random manners. Every
 * power-up must be found, at the very reading that first shows it, and ended
 * for the right reason; and a row cut where the machine says it may be cut
 * must show the same power-up.
 *
 * WAKEDRAW_TEST_SEED=N repeats a run; WAKEDRAW_TEST_CASES=N makes it longer.
 */
#include "signature/power_up.h"
#include "support/power_up_scene.h"

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

enum { TURNS_MOST = 24 };

struct expected {
    double onset_s, ended_s; /* when it happened; NAN: does not end */
    enum power_up_end end;
};

struct random_case {
    struct scene scene;
    struct scene_turn turns[TURNS_MOST];
    struct scene_phase phases[5];
    struct expected expected[TURNS_MOST];
    size_t expected_count;
};

static double between(uint64_t *random, double low, double high)
{
    return low + (high - low) * scene_uniform(random);
}

static size_t pick(uint64_t *random, size_t count)
{
    return (size_t)(scene_uniform(random) * (double)count) % count;
}

static void make_supply(struct scene *scene, uint64_t *random)
{
    static const double rates[] = {5, 8, 13, 20, 50, 100, 200, 500, 1000};
    static const double counts[] = {1e-4, 5e-4, 1e-3, 1e-3, 5e-3, 1e-2};
    *scene = scene_usual();
    scene->rate_hz = rates[pick(random, sizeof rates / sizeof *rates)];
    scene->jitter = pick(random, 3) ? between(random, 0, 0.3) : 0;
    scene->resolution_A = counts[pick(random, sizeof counts / sizeof *counts)];
    scene->resolution_V = pick(random, 2) ? 1e-2 : 1e-1;
    scene->noise_A = between(random, 0, 1e-3);
    scene->offset_A = between(random, -0.02, 0.02);
    scene->resting_A = between(random, 0, 0.005);
    scene->set_V = pick(random, 2) ? 12 : 24;
    scene->slew_V_per_s = 1e12;
    scene->decay_s = exp(between(random, log(2e-3), log(1.0)));
    scene->has_flag = pick(random, 2);
    scene->has_limited = pick(random, 2);
    scene->invalid_share = pick(random, 3) ? 0 : 0.02;
    /* Two invalid readings in a row there leave nothing of the 0.5 s before onset. */
    if (scene->rate_hz < 8)
        scene->invalid_share = 0;
    scene->stray_share = 0;
}

static void make_module(struct random_case *c, uint64_t *random)
{
    size_t count = 1 + pick(random, 5);
    for (size_t i = 0; i < count; i++)
        c->phases[i] = (struct scene_phase){between(random, 0.2, 1.5), between(random, 0.06, 0.6)};
    c->scene.phases = c->phases;
    c->scene.phase_count = count;
    c->scene.loops = pick(random, 4) == 0;
    c->scene.inrush_A = between(random, 0.1, 2);
}

/* Half way between two steps of time (reading.h): whether a reading comes before
 * or after it is then the same before its time is rounded and after. */
static double off_step(double time_s)
{
    return (floor(time_s * 1e6) + 0.5) * 1e-6;
}

/* Throws switches so that what must be seen is beyond doubt: a pause of the
 * output lasts for at least four readings, one of the draw well over a second;
 * and the voltage without a flag must have time to fall. */
static void throw_switches(struct random_case *c, uint64_t *random)
{
    struct scene *s = &c->scene;
    bool output = false;
    bool fed = pick(random, 3) > 0;
    bool open = false;
    s->feed = s->plug = true;
    enum scene_switch way = pick(random, 2) ? SCENE_FEED : SCENE_PLUG;
    if (!fed) {
        s->feed = way != SCENE_FEED;
        s->plug = way != SCENE_PLUG;
    }
    double at_s = between(random, 0.7, 2);
    size_t count = 0;
    size_t turns = 3 + pick(random, 12);
    while (count < turns) {
        at_s = off_step(at_s);
        bool turn_output = !output || pick(random, 2);
        if (turn_output) {
            output = !output;
            c->turns[count++] = (struct scene_turn){at_s, SCENE_OUTPUT, output};
            if (output) {
                c->expected[c->expected_count++] = (struct expected){at_s, (double)NAN, END_NONE};
                open = true;
            } else if (open) {
                c->expected[c->expected_count - 1].ended_s = at_s;
                c->expected[c->expected_count - 1].end = END_OUTPUT_OFF;
                open = false;
            }
        } else {
            fed = !fed;
            c->turns[count++] = (struct scene_turn){at_s, way, fed};
            if (fed && !open) {
                c->expected[c->expected_count++] = (struct expected){at_s, (double)NAN, END_NONE};
                open = true;
            } else if (!fed && open) {
                c->expected[c->expected_count - 1].ended_s = at_s;
                c->expected[c->expected_count - 1].end = END_DRAW_OFF;
                open = false;
            }
        }
        if (output && open && !fed) {
            /* On with no draw: either the feed comes soon, or it goes idle first. */
            if (pick(random, 2)) {
                at_s += between(random, fmax(0.3, 6 / s->rate_hz), 2.0);
                continue;
            }
            struct expected *idle = &c->expected[c->expected_count - 1];
            idle->ended_s = at_s + POWER_UP_IDLE_S;
            idle->end = END_NO_DRAW;
            open = false;
            at_s += POWER_UP_IDLE_S + 6 / s->rate_hz + between(random, 0.3, 2.0);
            continue;
        }
        double quiet_s = 1.3 + 3 / s->rate_hz;
        if (!output) /* the flag tells at once; the voltage must fall */
            quiet_s = 6 / s->rate_hz + (s->has_flag ? 0.05 : 3.5 * s->decay_s + 0.1);
        else if (open && fed)
            quiet_s = 1 + 6 / s->rate_hz;
        at_s += quiet_s + between(random, 0, 2);
    }
    s->turns = c->turns;
    s->turn_count = count;
    s->to_s = at_s;
}

static void make_case(struct random_case *c, uint64_t *random)
{
    *c = (struct random_case){0};
    make_supply(&c->scene, random);
    make_module(c, random);
    throw_switches(c, random);
}

/* The first usable reading that can show what happened at an instant. */
static double shown_at(const struct trace *trace, double time_s, bool by_flag)
{
    for (size_t i = 0; i < trace->count; i++)
        if (trace->readings[i].time_s >= time_s && (by_flag || trace->readings[i].valid))
            return trace->readings[i].time_s;
    return NAN;
}

static bool near(double a, double b)
{
    return fabs(a - b) < 1e-6 || (isnan(a) && isnan(b));
}

/* What the machine finds in the row from there on, counted from its own zero,
 * is what it found in the whole. */
static bool same_when_cut(const struct trace *trace, const struct power_up_rules *rules,
                          const struct scene_power_up *whole)
{
    size_t from = 0;
    while (trace->readings[from].time_s < whole->keep_from_s)
        from++;
    double zero_s = trace->readings[from].time_s;
    struct trace cut = {0};
    for (size_t i = from; i < trace->count; i++) {
        struct reading r = trace->readings[i];
        r.time_s -= zero_s;
        reading_quantise(&r);
        assert_true(trace_append(&cut, &r));
    }
    struct scene_power_up found[SCENE_MOST];
    size_t n = scene_watch(cut.readings, cut.count, rules, found);
    trace_clear(&cut);
    return n > 0 && near(found[0].onset_s + zero_s, whole->onset_s) &&
           near(found[0].began_at_s + zero_s, whole->began_at_s) &&
           near(found[0].ended_s + zero_s, whole->ended_s) && found[0].end == whole->end &&
           near(found[0].watched_at_s + zero_s, whole->watched_at_s) &&
           (found[0].baseline_A == whole->baseline_A || isnan(whole->baseline_A)) &&
           found[0].baseline_readings == whole->baseline_readings;
}

static const char *wrong(const struct random_case *c, const struct trace *trace, char *text,
                         size_t size)
{
    struct power_up_rules rules = {.watch_s = 3, .resolution_A = c->scene.resolution_A};
    struct scene_power_up found[SCENE_MOST];
    size_t n = scene_watch(trace->readings, trace->count, &rules, found);
    if (n != c->expected_count) {
        snprintf(text, size, "%zu power-ups for %zu", n, c->expected_count);
        return text;
    }
    for (size_t i = 0; i < n; i++) {
        const struct expected *e = &c->expected[i];
        double onset_s = shown_at(trace, e->onset_s, c->scene.has_flag);
        bool late = found[i].onset_s > shown_at(trace, e->onset_s, false);
        if (found[i].onset_s < onset_s || late) {
            snprintf(text, size, "number %zu: onset %.4f for %.4f", i, found[i].onset_s, onset_s);
            return text;
        }
        double slack_s = 4 / c->scene.rate_hz + (c->scene.has_flag ? 0 : 3.5 * c->scene.decay_s);
        if (found[i].end != e->end ||
            (e->end != END_NONE && !(fabs(found[i].ended_s - e->ended_s) <= slack_s))) {
            snprintf(text, size, "number %zu: end %d at %.4f for %d at %.4f", i, (int)found[i].end,
                     found[i].ended_s, (int)e->end, e->ended_s);
            return text;
        }
        if (!same_when_cut(trace, &rules, &found[i])) {
            snprintf(text, size, "number %zu, onset %.4f: another when cut at %.4f", i,
                     found[i].onset_s, found[i].keep_from_s);
            return text;
        }
    }
    return NULL;
}

static uint64_t seed_of_run(void)
{
    const char *text = getenv("WAKEDRAW_TEST_SEED");
    return text ? strtoull(text, NULL, 10) : (uint64_t)time(NULL);
}

static size_t cases_of_run(size_t usual)
{
    const char *text = getenv("WAKEDRAW_TEST_CASES");
    return text ? (size_t)strtoull(text, NULL, 10) : usual;
}

static void random_benches(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    size_t cases = cases_of_run(120);
    print_message("seed %llu, %zu cases\n", (unsigned long long)seed, cases);
    size_t power_ups = 0;
    size_t failed = 0;
    for (size_t k = 0; k < cases; k++) {
        uint64_t random = seed + 1000003 * k;
        struct random_case c;
        struct trace trace = {0};
        char text[200];
        make_case(&c, &random);
        scene_play(&c.scene, random, &trace);
        const char *what = wrong(&c, &trace, text, sizeof text);
        if (what) {
            failed++;
            print_error("case %zu (%g readings/s, %g A, flag %d, decay %.3f s): %s\n", k,
                        c.scene.rate_hz, c.scene.resolution_A, c.scene.has_flag, c.scene.decay_s,
                        what);
        }
        power_ups += c.expected_count;
        trace_clear(&trace);
    }
    print_message("%zu power-ups\n", power_ups);
    assert_int_equal(failed, 0);
}

/* The checker must be able to fail: a truth moved by two readings, a truth with
 * one power-up more, a cut that takes the first reading of the rise away. */
static void checker_can_fail(void **state)
{
    (void)state;
    uint64_t random = 12;
    struct random_case c;
    struct trace trace = {0};
    char text[200];
    make_case(&c, &random);
    scene_play(&c.scene, random, &trace);
    assert_null(wrong(&c, &trace, text, sizeof text));
    c.expected[0].onset_s += 2 / c.scene.rate_hz;
    assert_non_null(wrong(&c, &trace, text, sizeof text));
    c.expected[0].onset_s -= 2 / c.scene.rate_hz;
    c.expected_count++;
    assert_non_null(wrong(&c, &trace, text, sizeof text));
    struct power_up_rules rules = {.watch_s = 3};
    struct scene_power_up found[SCENE_MOST];
    assert_true(scene_watch(trace.readings, trace.count, &rules, found) > 0);
    assert_true(same_when_cut(&trace, &rules, &found[0]));
    found[0].keep_from_s = nextafter(found[0].onset_s, 1e9);
    assert_false(same_when_cut(&trace, &rules, &found[0]));
    trace_clear(&trace);
}

/* Whatever is fed to it, it gives events in an order that makes sense. */
static void any_readings(void **state)
{
    (void)state;
    uint64_t seed = seed_of_run();
    print_message("seed %llu\n", (unsigned long long)seed);
    uint64_t random = seed;
    struct power_up_machine *m = power_up_create(&(struct power_up_rules){.watch_s = 1});
    assert_non_null(m);
    bool open = false;
    bool watched = false;
    double time_s = 0;
    for (size_t i = 0; i < 200000; i++) {
        static const double volts[] = {0, 0.3, 0.6, 3, 11, 12, 12, 12, 12, 24};
        static const double amps[] = {0, 0, 0.01, 0.02, 0.03, 0.1, 0.3, 3, -0.02, -3};
        time_s += scene_uniform(&random) < 0.01 ? 2 : 0.001 + 0.2 * scene_uniform(&random);
        size_t hold = pick(&random, 3);
        struct reading r = {.time_s = time_s,
                            .voltage_V = hold ? 12 : volts[pick(&random, 10)],
                            .current_A = amps[pick(&random, 10)],
                            .valid = pick(&random, 20) > 0,
                            .output_on = (enum known_flag)((int)pick(&random, 3) - 1),
                            .limited = (enum known_flag)((int)pick(&random, 3) - 1)};
        if (pick(&random, 50) == 0)
            r.voltage_V = NAN;
        if (pick(&random, 50) == 0)
            r.current_A = NAN;
        enum power_up_event event = pick(&random, 500) ? power_up_step(m, &r) : power_up_lost(m);
        if (event == POWER_UP_BEGAN) {
            assert_false(open);
            assert_true(power_up_onset_s(m) <= time_s);
            assert_true(power_up_keep_from_s(m) <= power_up_onset_s(m));
            assert_true(power_up_onset_s(m) - power_up_keep_from_s(m) <= POWER_UP_BEFORE_S + 1e-6);
            assert_int_equal(power_up_end(m), END_NONE);
            open = true;
            watched = false;
        } else if (event == POWER_UP_WATCHED) {
            assert_true(open && !watched);
            assert_true(time_s - power_up_onset_s(m) >= 1);
            watched = true;
        } else if (event == POWER_UP_ENDED) {
            assert_true(open);
            assert_true(power_up_end(m) != END_NONE);
            assert_true(power_up_ended_s(m) <= time_s);
            assert_true(power_up_ended_s(m) >= power_up_onset_s(m));
            open = false;
        }
    }
    power_up_destroy(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(checker_can_fail),
        cmocka_unit_test(random_benches),
        cmocka_unit_test(any_readings),
    };
    return cmocka_run_group_tests_name("power-up, at random", tests, NULL, NULL);
}
