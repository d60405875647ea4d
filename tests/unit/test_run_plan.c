/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Powering a unit again and again, played against a made-up bench.
 */
#include "bench/run_plan.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static const double step_s = 0.1, watch_s = 4, obeys_after_s = 0.3, wakes_after_s = 0.5;

/* A bench that obeys after a while and catches a power-up after another. */
struct play {
    struct run_plan plan;
    struct run_view view;
    double command_s; /* NAN: none is on its way */
    bool command_on;
    double on_at_s; /* NAN: off */
    double shortest_off_s, off_at_s;
    int switched_on, bad_one;            /* the number of the one that is bad; 0: none */
    bool dead;                           /* nothing wakes */
    double refuses_from_s, refuses_to_s; /* no command is taken */
    int refused;
};

static void play_begin(struct play *play, const struct run_wish *wish)
{
    *play = (struct play){.command_s = NAN, .on_at_s = NAN, .shortest_off_s = INFINITY};
    run_plan_begin(&play->plan, wish);
    play->view = (struct run_view){.is_reachable = true, .newest_on_s = NAN};
}

static void set_output(struct play *play, bool on)
{
    struct run_view *view = &play->view;
    if (view->output_on == on)
        return;
    view->output_on = on;
    if (on) {
        play->shortest_off_s = fmin(play->shortest_off_s, view->now_s - play->off_at_s);
        play->on_at_s = view->now_s;
        view->newest_watched = false;
    } else {
        play->off_at_s = view->now_s;
        play->on_at_s = view->newest_on_s = NAN;
        if (view->begun > view->done) {
            view->done++;
            view->newest_watched = true;
        }
    }
}

static void play_world(struct play *play)
{
    struct run_view *view = &play->view;
    view->now_s += step_s;
    if (!isnan(play->command_s) && view->now_s >= play->command_s + obeys_after_s) {
        set_output(play, play->command_on);
        play->command_s = NAN;
    }
    if (isnan(play->on_at_s) || play->dead)
        return;
    double on_s = view->now_s - play->on_at_s;
    if (on_s >= wakes_after_s && isnan(view->newest_on_s)) {
        view->begun++;
        view->newest_on_s = 0;
    }
    if (!isnan(view->newest_on_s))
        view->newest_on_s = on_s - wakes_after_s;
    if (view->newest_on_s >= watch_s && !view->newest_watched) {
        view->newest_watched = true;
        view->done++;
        view->any_bad |= view->done == play->bad_one;
    }
}

/* Until it is over or so many seconds have passed. */
static enum run_action play_until(struct play *play, double seconds)
{
    double until_s = play->view.now_s + seconds;
    enum run_action action = RUN_WAIT;
    while (play->view.now_s < until_s && action != RUN_END) {
        play_world(play);
        action = run_plan_step(&play->plan, &play->view);
        bool switches = action == RUN_SWITCH_ON || action == RUN_SWITCH_OFF;
        if (switches && play->view.now_s >= play->refuses_from_s &&
            play->view.now_s < play->refuses_to_s) {
            run_plan_refused(&play->plan, &play->view);
            play->refused++;
        } else if (switches) {
            play->command_s = play->view.now_s;
            play->command_on = action == RUN_SWITCH_ON;
            play->switched_on += action == RUN_SWITCH_ON;
        }
    }
    return action;
}

static const struct run_wish ours = {
    .wanted = 5, .off_s = 3, .on_s = NAN, .switched_by_us = true, .stop_on_bad = false};

static void test_all_of_them_each_off_long_enough(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
    assert_int_equal(play.view.done, 5);
    assert_int_equal(play.switched_on, 5);
    assert_true(play.shortest_off_s >= 3);
    assert_false(play.view.output_on);
}

static void test_an_output_that_is_on_goes_off_first(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    set_output(&play, true);
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
    assert_int_equal(play.switched_on, 5);
}

static void test_on_for_longer_than_the_watch(void **state)
{
    (void)state;
    struct play play;
    struct run_wish wish = ours;
    wish.on_s = 20;
    wish.wanted = 2;
    play_begin(&play, &wish);
    double began_s = play.view.now_s;
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_true(play.view.now_s - began_s > 2 * 20 + 3);
    assert_false(play.view.output_on);
}

static void test_the_first_bad_one_ends_it_with_the_output_off(void **state)
{
    (void)state;
    struct play play;
    struct run_wish wish = ours;
    wish.stop_on_bad = true;
    play_begin(&play, &wish);
    play.bad_one = 3;
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_BAD);
    assert_int_equal(play.view.done, 3);
    assert_false(play.view.output_on);
    play_begin(&play, &ours);
    play.bad_one = 3;
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
}

static void test_nothing_wakes(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    play.dead = true;
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_NO_POWER_UP);
    assert_false(play.view.output_on);
}

static void test_a_hand_at_the_supply_wins(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    assert_int_equal(play_until(&play, 6), RUN_WAIT);
    assert_true(play.view.output_on);
    set_output(&play, false);
    assert_int_equal(play_until(&play, 60), RUN_END);
    assert_int_equal(play.plan.end, RUN_BY_HAND);
    assert_int_equal(play.switched_on, 1);
}

static void test_a_supply_that_is_gone(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    assert_int_equal(play_until(&play, 6), RUN_WAIT);
    play.view.is_reachable = false;
    assert_int_equal(play_until(&play, 20), RUN_WAIT);
    play.view.is_reachable = true;
    assert_int_equal(play_until(&play, 5), RUN_WAIT);
    play.view.is_reachable = false;
    assert_int_equal(play_until(&play, 60), RUN_END);
    assert_int_equal(play.plan.end, RUN_LOST);
}

static void test_a_hold_stops_every_switch(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    play.view.is_held = true;
    assert_int_equal(play_until(&play, 60), RUN_WAIT);
    assert_int_equal(play.switched_on, 0);
    play.view.is_held = false;
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
}

static void test_switched_by_hand_it_counts(void **state)
{
    (void)state;
    struct play play;
    struct run_wish wish = ours;
    wish.switched_by_us = false;
    wish.wanted = 3;
    play_begin(&play, &wish);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(play_until(&play, 2), RUN_WAIT);
        set_output(&play, true);
        enum run_action action = play_until(&play, 6);
        assert_int_equal(action, i < 2 ? RUN_WAIT : RUN_END);
        set_output(&play, false);
    }
    assert_int_equal(play.switched_on, 0);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
}

/* The supply takes no command for a while: the run goes on when it does again. */
static void test_what_is_refused_is_asked_again(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    play.refuses_from_s = 4;
    play.refuses_to_s = 24;
    assert_int_equal(play_until(&play, 23), RUN_WAIT);
    assert_true(play.refused > 10);
    assert_true(play.refused < 25);
    assert_int_equal(play_until(&play, 200), RUN_END);
    assert_int_equal(play.plan.end, RUN_COMPLETE);
    assert_int_equal(play.view.done, 5);
    assert_true(play.shortest_off_s >= 3);
}

static void test_what_is_left(void **state)
{
    (void)state;
    struct play play;
    play_begin(&play, &ours);
    assert_true(isnan(run_left_s(&play.plan, &play.view, 3)));
    play.view.done = 2;
    assert_true(fabs(run_left_s(&play.plan, &play.view, 20) - 30) < 1e-9);
    play.view.done = 5;
    assert_true(run_left_s(&play.plan, &play.view, 50) == 0);
    assert_string_equal(run_end_text(RUN_COMPLETE), "complete");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_all_of_them_each_off_long_enough),
        cmocka_unit_test(test_an_output_that_is_on_goes_off_first),
        cmocka_unit_test(test_on_for_longer_than_the_watch),
        cmocka_unit_test(test_the_first_bad_one_ends_it_with_the_output_off),
        cmocka_unit_test(test_nothing_wakes),
        cmocka_unit_test(test_a_hand_at_the_supply_wins),
        cmocka_unit_test(test_a_supply_that_is_gone),
        cmocka_unit_test(test_a_hold_stops_every_switch),
        cmocka_unit_test(test_switched_by_hand_it_counts),
        cmocka_unit_test(test_what_is_refused_is_asked_again),
        cmocka_unit_test(test_what_is_left),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
