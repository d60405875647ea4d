/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The steps of an output, played against a made-up supply: what must be set and read back
 * before on, what a look sees, when it goes off by itself, and that a hand and an off win.
 */
#include "bench/output_plan.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum load { HEALTHY, SAGS, SHORT, REVERSED, OPEN_FEED };

/* The supply, what hangs on it, and what was done to it. */
struct play {
    struct output_plan plan;
    struct output_view view;
    enum load load;
    /* The supply. */
    bool on, linked;
    double set_V, set_A;
    double voltage_V, current_A;
    enum known_flag limited;
    /* How it misbehaves. */
    bool stuck_on, stuck_off; /* takes the command and does nothing */
    double most_V;            /* cuts a voltage off there; 0: it does not */
    bool tells_no_settings;
    double fall_V_per_s; /* of what hangs on it, once off */
    double heavy_A;      /* draws so much; 0: 0.3 A */
    /* What was done, and happened. */
    int sets, ons, offs;
    double on_V[16], on_A[16]; /* at each on */
    double first_full_s, last_on_s, last_off_s;
    int told[OUTPUT_FOUND_ON + 1];
    struct output_event events[64];
    int event_count;
    bool hid_while_on; /* every reading of the look was hidden */
    struct output_answer on_answer, off_answer;
};

static const double step_s = 0.02;

static const struct output_wish full = {
    .on = true,
    .asker = {.who = "page", .hand = "AB"},
    .voltage_V = 13.8,
    .limit_A = 2,
    .look = true,
    .look_voltage_V = NAN,
    .look_limit_A = 0.2,
    .limit_longest_s = 3,
};

static void play_begin(struct play *play)
{
    *play = (struct play){.linked = true,
                          .set_V = 5,
                          .set_A = 1,
                          .fall_V_per_s = 400,
                          .first_full_s = NAN,
                          .last_on_s = NAN,
                          .last_off_s = NAN,
                          .hid_while_on = true};
    output_plan_begin(&play->plan, true, 30, 5);
    play->view = (struct output_view){.now_s = 100, .tells_output = true};
    output_plan_back(&play->plan, &play->view);
}

/* What stands on the leads at the set points. */
static void physics(struct play *play)
{
    double wants_A = play->heavy_A > 0 ? play->heavy_A : 0.3;
    play->limited = FLAG_NO;
    if (!play->on) {
        play->voltage_V = fmax(0, play->voltage_V - play->fall_V_per_s * step_s);
        play->current_A = 0;
        return;
    }
    play->voltage_V = play->set_V;
    play->current_A = play->load == OPEN_FEED ? 0 : wants_A;
    double at_limit_V[] = {[HEALTHY] = 6, [SAGS] = 5.5, [SHORT] = 0.2, [REVERSED] = 0.75, 6};
    bool always = play->load == SHORT || play->load == REVERSED;
    if (play->load != OPEN_FEED && (always || wants_A > play->set_A)) {
        play->voltage_V = fmin(play->set_V, at_limit_V[play->load]);
        play->current_A = play->set_A;
        play->limited = FLAG_YES;
    }
}

static void collect(struct play *play)
{
    struct output_event event;
    while (output_plan_take_event(&play->plan, &event)) {
        play->told[event.what]++;
        if (play->event_count < 64)
            play->events[play->event_count++] = event;
    }
    if (play->plan.on_answer.is_there)
        play->on_answer = play->plan.on_answer;
    if (play->plan.off_answer.is_there)
        play->off_answer = play->plan.off_answer;
    play->plan.on_answer.is_there = play->plan.off_answer.is_there = false;
}

static enum output_result carry_out(struct play *play, enum output_action action)
{
    struct output_plan *plan = &play->plan;
    switch (action) {
    case OUTPUT_DO_SET: {
        play->sets++;
        play->set_A = plan->set_limit_A;
        play->set_V =
            play->most_V > 0 ? fmin(plan->set_voltage_V, play->most_V) : plan->set_voltage_V;
        if (play->set_V == full.voltage_V && play->set_A == full.limit_A &&
            isnan(play->first_full_s))
            play->first_full_s = play->view.now_s;
        return play->set_V == plan->set_voltage_V ? OUTPUT_DONE : OUTPUT_NOT_DONE;
    }
    case OUTPUT_DO_ON:
        if (play->ons < 16) {
            play->on_V[play->ons] = play->set_V;
            play->on_A[play->ons] = play->set_A;
        }
        play->ons++;
        play->last_on_s = play->view.now_s;
        play->on = play->on || !play->stuck_off;
        return play->on || !play->view.tells_output ? OUTPUT_DONE : OUTPUT_NOT_DONE;
    case OUTPUT_DO_OFF:
        play->offs++;
        play->last_off_s = play->view.now_s;
        play->on = play->on && play->stuck_on;
        return !play->on || !play->view.tells_output ? OUTPUT_DONE : OUTPUT_NOT_DONE;
    default:
        return OUTPUT_DONE;
    }
}

static enum output_action play_action(struct play *play)
{
    enum output_action action = output_plan_next(&play->plan, &play->view);
    collect(play);
    if (action == OUTPUT_DO_NOTHING || !play->linked)
        return action;
    enum output_result result = carry_out(play, action);
    bool tells = action == OUTPUT_DO_READ_SET && !play->tells_no_settings;
    output_plan_did(&play->plan, &play->view, action, result, result ? "reads back otherwise" : "",
                    tells ? play->set_V : (double)NAN, tells ? play->set_A : (double)NAN);
    collect(play);
    return action;
}

static void play_reading(struct play *play)
{
    physics(play);
    struct reading reading = {.time_s = play->view.now_s,
                              .voltage_V = play->voltage_V,
                              .current_A = play->current_A,
                              .output_on = !play->view.tells_output ? FLAG_UNKNOWN
                                           : play->on               ? FLAG_YES
                                                                    : FLAG_NO,
                              .limited = play->limited,
                              .valid = true};
    bool known = !play->tells_no_settings;
    output_plan_read(&play->plan, &play->view, &reading, known ? play->set_V : (double)NAN,
                     known ? play->set_A : (double)NAN);
    bool looking = play->on && play->ons == 1 && play->plan.wish.look;
    if (looking && !output_plan_hides(&play->plan))
        play->hid_while_on = false;
    collect(play);
}

static void play_step(struct play *play)
{
    play->view.now_s += step_s;
    if (!play->linked)
        return;
    play_action(play);
    play_reading(play);
}

static void play_for(struct play *play, double seconds)
{
    double until_s = play->view.now_s + seconds;
    while (play->view.now_s < until_s)
        play_step(play);
}

static void ask_on_now(struct play *play, const struct output_wish *wish)
{
    play->on_answer.is_there = false;
    output_plan_ask_on(&play->plan, wish, &play->view);
    collect(play);
}

static void ask_on(struct play *play, const struct output_wish *wish)
{
    play_for(play, 0.1);
    ask_on_now(play, wish);
}

static void ask_off(struct play *play, const char *who)
{
    struct output_asker asker = {.who = ""};
    snprintf(asker.who, sizeof asker.who, "%s", who);
    play->off_answer.is_there = false;
    output_plan_ask_off(&play->plan, &asker, &play->view);
    collect(play);
}

static void unplug(struct play *play, double seconds)
{
    play->linked = false;
    output_plan_lost(&play->plan, &play->view);
    collect(play);
    play_for(play, seconds);
    play->linked = true;
    output_plan_back(&play->plan, &play->view);
    collect(play);
}

static const struct output_event *newest(const struct play *play, enum output_what what)
{
    for (int i = play->event_count - 1; i >= 0; i--)
        if (play->events[i].what == what)
            return &play->events[i];
    fail_msg("no event \"%s\"", output_what_name(what));
    return NULL;
}

/* On with a healthy module on it, with nothing told so far. */
static void play_on(struct play *play)
{
    ask_on(play, &full);
    play_for(play, 1.5);
    assert_int_equal(play->on_answer.status, EXIT_OK);
    assert_true(play->on && play->plan.ours);
}

static void test_on_by_steps(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    ask_on(&play, &full);
    assert_false(play.on_answer.is_there);
    play_for(&play, 1.5);
    assert_true(play.on_answer.is_there);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    /* First at the look's limit, then in full; off and fallen between. */
    assert_int_equal(play.ons, 2);
    assert_int_equal(play.offs, 1);
    assert_true(play.on_V[0] == 13.8 && play.on_A[0] == 0.2);
    assert_true(play.on_V[1] == 13.8 && play.on_A[1] == 2);
    assert_true(play.hid_while_on);
    assert_false(output_plan_hides(&play.plan));
    assert_int_equal(play.told[OUTPUT_LOOKED], 1);
    assert_int_equal(play.told[OUTPUT_SET], 1);
    assert_int_equal(play.told[OUTPUT_ON], 1);
    assert_int_equal(play.event_count, 3);
    assert_string_equal(newest(&play, OUTPUT_ON)->asker.who, "page");
    assert_non_null(strstr(newest(&play, OUTPUT_LOOKED)->asker.why, "the look's limit"));
    assert_string_equal(output_plan_doing(&play.plan), "");
    assert_false(output_plan_is_busy(&play.plan));
}

static void test_without_a_look(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    struct output_wish wish = full;
    wish.look = false;
    ask_on(&play, &wish);
    play_for(&play, 0.1);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    assert_int_equal(play.ons, 1);
    assert_true(play.on_V[0] == 13.8 && play.on_A[0] == 2);
    assert_int_equal(play.told[OUTPUT_LOOKED], 0);
}

/* Nothing stated: at what is set, if that can be read. */
static void test_as_found(void **state)
{
    (void)state;
    struct output_wish wish = full;
    wish.look = false;
    wish.voltage_V = wish.limit_A = NAN;
    struct play play;
    play_begin(&play);
    ask_on(&play, &wish);
    play_for(&play, 0.1);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    assert_true(play.ons == 1 && play.sets == 0 && play.on_V[0] == 5 && play.on_A[0] == 1);
    assert_true(newest(&play, OUTPUT_ON)->voltage_V == 5);
    play_begin(&play);
    play.tells_no_settings = true;
    ask_on(&play, &wish);
    play_for(&play, 1);
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    assert_non_null(strstr(play.on_answer.problem, "unknown settings"));
    assert_true(play.ons == 0 && !play.on);
}

static void refused(struct play *play, const struct output_wish *wish, enum exit_status status,
                    const char *why)
{
    int ons = play->ons;
    int sets = play->sets;
    ask_on(play, wish);
    assert_true(play->on_answer.is_there);
    assert_int_equal(play->on_answer.status, status);
    if (!strstr(play->on_answer.problem, why))
        fail_msg("\"%s\" does not say \"%s\"", play->on_answer.problem, why);
    assert_string_equal(newest(play, OUTPUT_REFUSED)->problem, play->on_answer.problem);
    play_for(play, 1);
    assert_int_equal(play->ons, ons);
    assert_int_equal(play->sets, sets);
}

static void test_refused_at_once(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.plan.control = false;
    refused(&play, &full, EXIT_USAGE, "control is off");
    play.plan.control = true;
    play.view.held = true;
    refused(&play, &full, EXIT_USAGE, "end the hold first");
    play.view.held = false;
    struct output_wish wish = full;
    wish.voltage_V = 30.5;
    refused(&play, &wish, EXIT_BAD_DATA, "30.5 V is outside the supply's 0 to 30 V");
    wish = full;
    wish.limit_A = 5.5;
    refused(&play, &wish, EXIT_BAD_DATA, "5.5 A is outside the supply's 0 to 5 A");
    wish = full;
    wish.voltage_V = -1;
    refused(&play, &wish, EXIT_BAD_DATA, "-1 V");
    wish = full;
    wish.limit_A = NAN;
    refused(&play, &wish, EXIT_BAD_DATA, "nan A");
    wish = full;
    wish.look_limit_A = NAN;
    refused(&play, &wish, EXIT_BAD_DATA, "no limit to look at");
    play.on = true;
    refused(&play, &full, EXIT_USAGE, "on already");
    play.on = false;
    play_for(&play, 0.5);
    play.linked = false;
    output_plan_lost(&play.plan, &play.view);
    refused(&play, &full, EXIT_UNAVAILABLE, "use the switch on the supply");
    assert_int_equal(play.offs, 0);
}

/* Just after the link came up it is not known yet: it waits for that. */
static void test_on_before_it_is_known(void **state)
{
    (void)state;
    for (int on = 0; on < 2; on++) {
        struct play play;
        play_begin(&play);
        play.on = on;
        ask_on_now(&play, &full);
        assert_false(play.on_answer.is_there);
        assert_int_equal(play_action(&play), OUTPUT_DO_NOTHING);
        play_for(&play, 2);
        assert_int_equal(play.on_answer.status, on ? EXIT_USAGE : EXIT_OK);
        assert_int_equal(play.ons, on ? 0 : 2);
        assert_true(play.on && play.offs == !on);
    }
    /* It does not become known. */
    struct play play;
    play_begin(&play);
    ask_on_now(&play, &full);
    for (int i = 0; i < 400; i++) {
        play.view.now_s += step_s;
        play_action(&play);
        struct reading reading = {
            .output_on = FLAG_UNKNOWN, .limited = FLAG_UNKNOWN, .valid = true};
        output_plan_read(&play.plan, &play.view, &reading, play.set_V, play.set_A);
        collect(&play);
    }
    assert_int_equal(play.on_answer.status, EXIT_UNAVAILABLE);
    assert_int_equal(play.ons, 0);
}

static void test_look_finds_a_short(void **state)
{
    (void)state;
    static const enum load loads[] = {SHORT, REVERSED};
    for (int i = 0; i < 2; i++) {
        struct play play;
        play_begin(&play);
        play.load = loads[i];
        ask_on(&play, &full);
        play_for(&play, 5);
        assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
        assert_non_null(strstr(play.on_answer.problem, i ? "at 0.200 A the feed stands at 0.75 V"
                                                         : "at 0.200 A the feed stands at 0.20 V"));
        assert_non_null(strstr(play.on_answer.problem, "short or reversed leads"));
        assert_non_null(strstr(play.on_answer.problem, "left set to 13.8 V, 0.2 A"));
        assert_true(newest(&play, OUTPUT_REFUSED)->limit_A == 0.2);
        assert_false(play.on);
        assert_int_equal(play.ons, 1);
        assert_true(isnan(play.first_full_s));
        assert_true(play.hid_while_on && !output_plan_hides(&play.plan));
        /* A look's own length, no more. */
        assert_true(play.last_off_s - play.last_on_s < 0.5);
    }
}

/* At a low look voltage most of it must stand. */
static void test_look_at_a_low_voltage(void **state)
{
    (void)state;
    static const struct {
        double look_V;
        enum load load;
        bool passes;
    } cases[] = {{1, REVERSED, false}, {3, REVERSED, false}, {3, OPEN_FEED, true},
                 {5, HEALTHY, true},   {5, SHORT, false},    {0.5, OPEN_FEED, true}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct play play;
        play_begin(&play);
        play.load = cases[i].load;
        struct output_wish wish = full;
        wish.look_voltage_V = cases[i].look_V;
        ask_on(&play, &wish);
        play_for(&play, 5);
        assert_true(play.on_V[0] == cases[i].look_V);
        assert_int_equal(play.on_answer.status, cases[i].passes ? EXIT_OK : EXIT_BAD_DATA);
        assert_int_equal(play.ons, cases[i].passes ? 2 : 1);
    }
}

static void test_a_module_that_sags_passes(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.load = SAGS;
    play_on(&play);
    assert_int_equal(play.ons, 2);
}

/* What the readback disagrees with is never switched on. */
static void test_mismatch(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.most_V = 12;
    ask_on(&play, &full);
    play_for(&play, 1);
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    assert_string_equal(play.on_answer.problem, "reads back otherwise");
    assert_true(!play.on && play.ons == 0 && play.offs == 0);
    /* Only in full it disagrees: the look is over and off by then. */
    play_begin(&play);
    play.most_V = 12;
    struct output_wish wish = full;
    wish.look_voltage_V = 6;
    ask_on(&play, &wish);
    play_for(&play, 2);
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    assert_true(!play.on && play.ons == 1 && play.offs == 1);
}

static void test_on_that_does_not_come(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.stuck_off = true;
    struct output_wish wish = full;
    wish.look = false;
    ask_on(&play, &wish);
    play_for(&play, 1);
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    /* It may come late: off is sent. */
    assert_int_equal(play.offs, 1);
    assert_false(play.plan.ours);
}

static void test_limit_that_lasts(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play_on(&play);
    play.heavy_A = 3;
    play_for(&play, 2.9);
    assert_true(play.on);
    play.heavy_A = 0;
    play_for(&play, 0.1);
    play.heavy_A = 3;
    play_for(&play, 2.9);
    assert_true(play.on); /* not without a break */
    play.view.held = true;
    play_for(&play, 10);
    assert_true(play.on); /* not under hold */
    play.view.held = false;
    play_for(&play, 2.8);
    assert_true(play.on);
    play_for(&play, 0.4);
    assert_false(play.on);
    const struct output_event *off = newest(&play, OUTPUT_OFF);
    assert_string_equal(off->asker.who, "wakedraw");
    assert_non_null(strstr(off->asker.why, "3.0 s in current limit"));
    assert_false(play.plan.ours);
}

/* An off of ours that did not come through waits for the end of a hold; one that somebody
 * asked for does not. */
static void test_hold_and_an_off_not_confirmed(void **state)
{
    (void)state;
    for (int asked = 0; asked < 2; asked++) {
        struct play play;
        play_begin(&play);
        play_on(&play);
        play.heavy_A = 3;
        play.stuck_on = true;
        if (asked)
            ask_off(&play, "page");
        play_for(&play, 4);
        assert_true(play.told[OUTPUT_OFF_FAILED] == 1 && play.on);
        play.view.held = true;
        play.stuck_on = false;
        int offs = play.offs;
        play_for(&play, 5);
        assert_int_equal(play.on, !asked);
        assert_int_equal(play.offs > offs, asked);
    }
}

static void test_link_lost_and_back(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play_on(&play);
    unplug(&play, 7);
    assert_int_equal(play_action(&play), OUTPUT_DO_OFF); /* before anything is read */
    assert_false(play.on);
    assert_non_null(
        strstr(newest(&play, OUTPUT_OFF)->asker.why, "the supply did not answer for 7.0 s"));
    /* Under hold it stays on, and is said so. */
    play_begin(&play);
    play_on(&play);
    play.view.held = true;
    unplug(&play, 7);
    play_for(&play, 5);
    assert_true(play.on && play.plan.ours);
    assert_int_equal(play.told[OUTPUT_FOUND_ON], 1);
    /* Off by then: there is nothing to switch under hold, and it is no longer ours. */
    play_begin(&play);
    play_on(&play);
    play.view.held = true;
    play.linked = false;
    output_plan_lost(&play.plan, &play.view);
    play.on = false;
    unplug(&play, 1);
    play_for(&play, 1);
    assert_int_equal(play.told[OUTPUT_OFF_SEEN], 1);
    assert_false(play.plan.ours);
    /* Not by us: left alone. */
    play_begin(&play);
    play_for(&play, 1);
    play.on = true;
    play_for(&play, 1);
    unplug(&play, 1);
    play_for(&play, 1);
    assert_true(play.on && play.offs == 1 - 1);
}

static void test_off_in_every_stage(void **state)
{
    (void)state;
    int seen = 0;
    for (int steps = 0; steps < 60; steps++) {
        struct play play;
        play_begin(&play);
        play.fall_V_per_s = 50;
        ask_on(&play, &full);
        for (int i = 0; i < steps; i++)
            play_step(&play);
        bool under_way = !play.on_answer.is_there;
        seen |= 1 << play.plan.stage;
        play.view.now_s += step_s;
        ask_off(&play, "page");
        assert_int_equal(play_action(&play), OUTPUT_DO_OFF);
        assert_int_equal(play.off_answer.status, EXIT_OK);
        assert_string_equal(newest(&play, OUTPUT_OFF)->asker.who, "page");
        if (under_way) {
            assert_int_equal(play.on_answer.status, EXIT_USAGE);
            assert_non_null(strstr(play.on_answer.problem, "switched off meanwhile"));
        }
        int ons = play.ons;
        play_for(&play, 10);
        assert_true(!play.on && play.ons == ons);
        assert_false(output_plan_hides(&play.plan));
        assert_int_equal(play.told[OUTPUT_ON], under_way ? 0 : 1);
    }
    /* The steps that take time were all met. */
    assert_int_equal(seen & (1 << OUTPUT_LOOKS | 1 << OUTPUT_FALLS | 1 << OUTPUT_RESTS),
                     1 << OUTPUT_LOOKS | 1 << OUTPUT_FALLS | 1 << OUTPUT_RESTS);
}

static void test_off_that_is_not_confirmed(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play_on(&play);
    play.stuck_on = true;
    int offs = play.offs;
    ask_off(&play, "page");
    play_for(&play, 5);
    assert_int_equal(play.off_answer.status, EXIT_UNAVAILABLE);
    assert_non_null(strstr(play.off_answer.problem, "use the switch on the supply"));
    assert_int_equal(play.told[OUTPUT_OFF_FAILED], 1);
    assert_true(output_plan_off_failed(&play.plan));
    assert_in_range(play.offs - offs, 8, 12);
    assert_true(play.plan.ours);
    play.stuck_on = false;
    play_for(&play, 1);
    assert_false(play.on);
    assert_int_equal(play.told[OUTPUT_OFF], 1);
    assert_false(output_plan_off_failed(&play.plan));
    /* For a minute, no longer; then it is a hand's. */
    play_begin(&play);
    play_on(&play);
    play.stuck_on = true;
    ask_off(&play, "page");
    play_for(&play, 61);
    offs = play.offs;
    assert_false(output_plan_off_failed(&play.plan));
    play_for(&play, 10);
    assert_int_equal(play.offs, offs);
    /* A hand was quicker. */
    play_begin(&play);
    play_on(&play);
    play.stuck_on = true;
    ask_off(&play, "page");
    play_for(&play, 0.2);
    play.on = false;
    play_for(&play, 0.3);
    assert_false(output_plan_off_failed(&play.plan));
    offs = play.offs;
    play.on = true;
    play_for(&play, 2);
    assert_int_equal(play.offs, offs);
    assert_int_equal(play.told[OUTPUT_ON_SEEN], 1);
}

static void test_off_without_a_link(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play_for(&play, 0.2);
    play.on = true;
    play_for(&play, 0.5);
    play.linked = false;
    output_plan_lost(&play.plan, &play.view);
    ask_off(&play, "page");
    output_plan_did(&play.plan, &play.view, OUTPUT_DO_OFF, OUTPUT_NO_LINK, "gone", NAN, NAN);
    collect(&play);
    assert_int_equal(play.off_answer.status, EXIT_UNAVAILABLE);
    assert_true(output_plan_off_failed(&play.plan));
    unplug(&play, 20);
    assert_int_equal(play_action(&play), OUTPUT_DO_OFF);
    assert_false(play.on);
    /* Longer than a minute, and not by us: left alone. */
    play.on = true;
    play_for(&play, 1);
    play.linked = false;
    output_plan_lost(&play.plan, &play.view);
    ask_off(&play, "page");
    output_plan_did(&play.plan, &play.view, OUTPUT_DO_OFF, OUTPUT_NO_LINK, "gone", NAN, NAN);
    unplug(&play, 70);
    play_for(&play, 5);
    assert_true(play.on);
}

/* What we switched on, or may have, goes off however late the link is back. */
static void test_off_after_a_long_time(void **state)
{
    (void)state;
    for (int asked = 0; asked < 2; asked++) {
        struct play play;
        play_begin(&play);
        play_on(&play);
        play.linked = false;
        output_plan_lost(&play.plan, &play.view);
        if (asked)
            ask_off(&play, "page");
        output_plan_did(&play.plan, &play.view, OUTPUT_DO_OFF, OUTPUT_NO_LINK, "gone", NAN, NAN);
        unplug(&play, 100);
        assert_int_equal(play_action(&play), OUTPUT_DO_OFF);
        assert_false(play.on);
        /* In the midst of switching on. */
        play_begin(&play);
        ask_on(&play, &full);
        play_for(&play, 0.06);
        assert_true(play.on && play.plan.stage == OUTPUT_LOOKS);
        play.linked = false;
        output_plan_lost(&play.plan, &play.view);
        collect(&play);
        assert_int_equal(play.on_answer.status, EXIT_UNAVAILABLE);
        /* Said in that order: it may be on, and on was refused. */
        assert_int_equal(play.events[0].what, OUTPUT_OFF_FAILED);
        assert_int_equal(play.events[1].what, OUTPUT_REFUSED);
        if (asked)
            ask_off(&play, "page");
        output_plan_did(&play.plan, &play.view, OUTPUT_DO_OFF, OUTPUT_NO_LINK, "gone", NAN, NAN);
        unplug(&play, 100);
        play.stuck_on = true;
        play_for(&play, 3);
        assert_int_equal(play.told[OUTPUT_ON_SEEN], 0);
        play.stuck_on = false;
        play_for(&play, 1);
        assert_false(play.on);
    }
}

static void test_a_hand_wins(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play_on(&play);
    int offs = play.offs;
    play.on = false;
    play_for(&play, 1);
    assert_int_equal(play.told[OUTPUT_OFF_SEEN], 1);
    assert_string_equal(newest(&play, OUTPUT_OFF_SEEN)->asker.who, "front panel");
    assert_false(play.plan.ours);
    play.on = true;
    play.heavy_A = 4;
    play_for(&play, 20);
    assert_int_equal(play.told[OUTPUT_ON_SEEN], 1);
    assert_true(play.on && play.offs == offs && play.ons == 2);
    play.set_V = 9;
    play_for(&play, 1);
    assert_int_equal(play.told[OUTPUT_SET_SEEN], 1);
    assert_true(newest(&play, OUTPUT_SET_SEEN)->voltage_V == 9);
    assert_true(play.plan.settings_by_hand);
    assert_true(play.set_V == 9);
    /* Even under hold an off that is asked for goes. */
    play.view.held = true;
    ask_off(&play, "page");
    assert_int_equal(play_action(&play), OUTPUT_DO_OFF);
    assert_false(play.on);
}

static void test_a_hand_in_the_midst(void **state)
{
    (void)state;
    /* Off while it looks: no further step. */
    struct play play;
    play_begin(&play);
    play.load = SHORT;
    ask_on(&play, &full);
    play_for(&play, 0.2);
    assert_int_equal(play.plan.stage, OUTPUT_LOOKS);
    play.on = false;
    play_for(&play, 5);
    assert_int_equal(play.on_answer.status, EXIT_USAGE);
    assert_non_null(strstr(play.on_answer.problem, "switched off at the supply"));
    assert_true(play.ons == 1 && !play.on);
    /* On while the voltage falls: left on. */
    play_begin(&play);
    play.fall_V_per_s = 10;
    ask_on(&play, &full);
    play_for(&play, 0.6);
    assert_int_equal(play.plan.stage, OUTPUT_FALLS);
    play.on = true;
    int offs = play.offs;
    play_for(&play, 5);
    assert_int_equal(play.on_answer.status, EXIT_USAGE);
    assert_non_null(strstr(play.on_answer.problem, "switched on at the supply"));
    assert_true(play.on && play.offs == offs && play.ons == 1);
}

static void test_voltage_that_stays(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.fall_V_per_s = 1;
    ask_on(&play, &full);
    play_for(&play, 5);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    assert_non_null(strstr(newest(&play, OUTPUT_LOOKED)->asker.why, "V yet 3 s after it"));
    assert_true(play.last_on_s - play.last_off_s >= 3);
    assert_true(play.hid_while_on);
}

static void test_feed_that_says_nothing(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    ask_on(&play, &full);
    play_for(&play, 0.06);
    /* Told as on, yet neither voltage nor current. */
    for (int i = 0; i < 400 && !play.on_answer.is_there; i++) {
        play.view.now_s += step_s;
        play_action(&play);
        struct reading reading = {.output_on = FLAG_YES, .limited = FLAG_NO, .valid = true};
        output_plan_read(&play.plan, &play.view, &reading, play.set_V, play.set_A);
        collect(&play);
    }
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    assert_non_null(strstr(play.on_answer.problem, "nothing is known of it"));
    play_for(&play, 0.1);
    assert_false(play.on);
    /* No reading at all. */
    play_begin(&play);
    ask_on(&play, &full);
    for (int i = 0; i < 400 && !play.on_answer.is_there; i++) {
        play.view.now_s += step_s;
        play_action(&play);
    }
    assert_int_equal(play.on_answer.status, EXIT_UNAVAILABLE);
    play_action(&play);
    assert_false(play.on);
}

static void test_found_on_after_a_restart(void **state)
{
    (void)state;
    const struct output_asker before = {.who = "run 12"};
    for (int held = 0; held < 2; held++) {
        struct play play;
        play_begin(&play);
        output_plan_adopt(&play.plan, &before);
        play.view.held = held;
        play.on = true;
        play_for(&play, 1);
        assert_string_equal(newest(&play, OUTPUT_FOUND_ON)->asker.who, "run 12");
        assert_int_equal(play.on, held);
        assert_int_equal(play.told[OUTPUT_ON_SEEN], 0);
        if (!held)
            assert_string_equal(newest(&play, OUTPUT_OFF)->asker.who, "wakedraw");
    }
    struct play play;
    play_begin(&play);
    output_plan_adopt(&play.plan, &before);
    play_for(&play, 1);
    play.on = true;
    play_for(&play, 1);
    assert_true(play.on);
    assert_int_equal(play.told[OUTPUT_FOUND_ON], 0);
    assert_int_equal(play.told[OUTPUT_ON_SEEN], 1);
    /* Found on and not ours. */
    play_begin(&play);
    play.on = true;
    play_for(&play, 1);
    assert_true(play.on);
    assert_string_equal(newest(&play, OUTPUT_ON_SEEN)->asker.why, "found on");
}

static void test_the_end(void **state)
{
    (void)state;
    for (int held = 0; held < 2; held++) {
        struct play play;
        play_begin(&play);
        play_on(&play);
        play.view.held = held;
        output_plan_stop(&play.plan, &play.view);
        play_action(&play);
        assert_int_equal(play.on, held);
        if (!held)
            assert_string_equal(newest(&play, OUTPUT_OFF)->asker.why, "wakedraw stops");
    }
    struct play play;
    play_begin(&play);
    play.load = SHORT;
    ask_on(&play, &full);
    play_for(&play, 0.2);
    assert_true(play.on);
    output_plan_stop(&play.plan, &play.view);
    play_action(&play);
    assert_false(play.on);
    play_begin(&play);
    play_for(&play, 1);
    play.on = true;
    play_for(&play, 1);
    output_plan_stop(&play.plan, &play.view);
    play_action(&play);
    assert_true(play.on); /* a hand's */
}

/* Supplies that do not say whether their output is on: the voltage shows it. */
static void test_a_supply_that_does_not_tell(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play);
    play.view.tells_output = false;
    play.fall_V_per_s = 20;
    ask_on(&play, &full);
    play_for(&play, 3);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    assert_int_equal(play.ons, 2);
    ask_off(&play, "page");
    assert_int_equal(play_action(&play), OUTPUT_DO_OFF);
    assert_false(play.off_answer.is_there);
    play_for(&play, 1);
    assert_int_equal(play.off_answer.status, EXIT_OK);
    /* Off once more, where it is off already. */
    ask_off(&play, "page");
    play_for(&play, 1);
    assert_true(play.off_answer.is_there && play.off_answer.status == EXIT_OK);
    /* A hand. */
    play.on = true;
    play_for(&play, 1);
    assert_int_equal(play.told[OUTPUT_ON_SEEN], 1);
    play.on = false;
    play_for(&play, 2);
    assert_int_equal(play.told[OUTPUT_OFF_SEEN], 1);
    /* On and off that do nothing. */
    play.stuck_off = true;
    struct output_wish wish = full;
    wish.look = false;
    ask_on(&play, &wish);
    play_for(&play, 8);
    assert_int_equal(play.on_answer.status, EXIT_BAD_DATA);
    play.stuck_off = false;
    ask_on(&play, &wish);
    play_for(&play, 1);
    assert_int_equal(play.on_answer.status, EXIT_OK);
    play.stuck_on = true;
    ask_off(&play, "page");
    play_for(&play, 2.9);
    assert_false(play.off_answer.is_there);
    play_for(&play, 0.3);
    assert_int_equal(play.off_answer.status, EXIT_UNAVAILABLE);
}

/* --- random --- */

static uint32_t random_state;

static uint32_t draw(uint32_t below)
{
    random_state = random_state * 1664525U + 1013904223U;
    return (random_state >> 8) % below;
}

/* What must hold whatever happens. */
struct watch {
    bool set_known;       /* what is set was set, or read back, by the plan just before */
    bool hand_on;         /* a hand switched it on while nothing was under way */
    bool off_asked;       /* and not answered */
    bool asked_under_way; /* an on was asked for and not answered */
};

static void watch_action(struct play *play, struct watch *watch, unsigned seed)
{
    struct output_plan before = play->plan;
    struct output_view view = play->view;
    enum output_action action = output_plan_next(&before, &view);
    if (action == OUTPUT_DO_ON && !watch->set_known)
        fail_msg("seed %u: on without set and read back", seed);
    if (action == OUTPUT_DO_ON && !watch->asked_under_way)
        fail_msg("seed %u: on that nobody asked for", seed);
    if (view.held && action == OUTPUT_DO_OFF && !before.off.asked && !watch->asked_under_way &&
        before.stage != OUTPUT_LOOK_GOES_OFF)
        fail_msg("seed %u: off by itself under hold", seed);
    if (view.held && (action == OUTPUT_DO_SET || action == OUTPUT_DO_ON) && !watch->asked_under_way)
        fail_msg("seed %u: set or on by itself under hold", seed);
    if (watch->off_asked && !before.off.sent && action != OUTPUT_DO_OFF &&
        view.now_s >= before.off.again_s)
        fail_msg("seed %u: something before off", seed);
    if (watch->hand_on && action == OUTPUT_DO_OFF && !before.off.asked)
        fail_msg("seed %u: a hand's on switched off", seed);
    if (action == OUTPUT_DO_SET || action == OUTPUT_DO_READ_SET)
        watch->set_known = true;
    else if (action == OUTPUT_DO_OFF || action == OUTPUT_DO_ON)
        watch->set_known = false;
}

static void random_deed(struct play *play, struct watch *watch)
{
    bool rests = play->plan.stage == OUTPUT_RESTS && !play->plan.off.wanted;
    struct output_wish wish = full;
    switch (draw(60)) {
    case 0:
    case 1:
        /* One at a time, as the polling thread has it. */
        if (watch->asked_under_way)
            break;
        wish.look = draw(2);
        if (draw(4) == 0) {
            wish.look = false;
            wish.voltage_V = wish.limit_A = NAN;
        }
        ask_on_now(play, &wish);
        watch->asked_under_way = !play->on_answer.is_there;
        break;
    case 2:
        ask_off(play, "page");
        watch->off_asked = true;
        watch->asked_under_way = false;
        break;
    case 3:
        if (!rests)
            break;
        watch->hand_on = !play->on && !play->plan.ours;
        play->on = !play->on;
        if (!play->on)
            watch->hand_on = false;
        break;
    case 4:
        play->view.held = !play->view.held && rests;
        break;
    case 5:
        play->load = (enum load)draw(5);
        play->heavy_A = draw(3) == 0 ? 3 : 0;
        break;
    case 6:
        if (draw(5) == 0)
            unplug(play, draw(3));
        break;
    case 7:
        play->stuck_on = draw(6) == 0;
        play->stuck_off = draw(6) == 0;
        play->most_V = draw(6) == 0 ? 12 : 0;
        break;
    case 8:
        if (rests)
            play->set_V = 5 + draw(5);
        break;
    default:
        break;
    }
}

static void play_random(unsigned seed)
{
    struct play play;
    struct watch watch = {.set_known = false};
    random_state = seed;
    play_begin(&play);
    play.fall_V_per_s = 3 + draw(200);
    play_for(&play, 0.5);
    for (int i = 0; i < 4000; i++) {
        random_deed(&play, &watch);
        play.view.now_s += step_s;
        watch_action(&play, &watch, seed);
        play_action(&play);
        if (play.on_answer.is_there)
            watch.asked_under_way = false;
        if (play.off_answer.is_there) {
            if (play.off_answer.status == EXIT_OK && play.on)
                fail_msg("seed %u: off was answered and it is on", seed);
            watch.off_asked = false;
        }
        if (watch.hand_on && play.plan.ours)
            fail_msg("seed %u: a hand's on is taken for ours", seed);
        if (watch.hand_on && !play.on)
            watch.hand_on = false;
        play_reading(&play);
        if (play.on_answer.is_there)
            watch.asked_under_way = false;
        play.on_answer.is_there = play.off_answer.is_there = false;
        if (play.plan.ours && !play.plan.off.wanted && !play.on && play.plan.contrary > 2)
            fail_msg("seed %u: off, and not seen", seed);
    }
}

static void test_random(void **state)
{
    (void)state;
    const char *given = getenv("WAKEDRAW_TEST_SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : 20261129;
    print_message("seed %u\n", seed);
    for (unsigned i = 0; i < 300; i++)
        play_random(seed + i);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_on_by_steps),
        cmocka_unit_test(test_without_a_look),
        cmocka_unit_test(test_as_found),
        cmocka_unit_test(test_refused_at_once),
        cmocka_unit_test(test_on_before_it_is_known),
        cmocka_unit_test(test_look_finds_a_short),
        cmocka_unit_test(test_look_at_a_low_voltage),
        cmocka_unit_test(test_a_module_that_sags_passes),
        cmocka_unit_test(test_mismatch),
        cmocka_unit_test(test_on_that_does_not_come),
        cmocka_unit_test(test_limit_that_lasts),
        cmocka_unit_test(test_hold_and_an_off_not_confirmed),
        cmocka_unit_test(test_link_lost_and_back),
        cmocka_unit_test(test_off_in_every_stage),
        cmocka_unit_test(test_off_that_is_not_confirmed),
        cmocka_unit_test(test_off_without_a_link),
        cmocka_unit_test(test_off_after_a_long_time),
        cmocka_unit_test(test_a_hand_wins),
        cmocka_unit_test(test_a_hand_in_the_midst),
        cmocka_unit_test(test_voltage_that_stays),
        cmocka_unit_test(test_feed_that_says_nothing),
        cmocka_unit_test(test_found_on_after_a_restart),
        cmocka_unit_test(test_the_end),
        cmocka_unit_test(test_a_supply_that_does_not_tell),
        cmocka_unit_test(test_random),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
