/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which pages are there.
 */
#include "bench/presence.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

static struct presence presence;

static int set_up(void **state)
{
    (void)state;
    presence = (struct presence){.pages = {{.streams = 0}}};
    return 0;
}

static void assert_s(double found_s, double expected_s)
{
    assert_true(fabs(found_s - expected_s) < 1e-9);
}

static void test_a_page_is_there_while_a_stream_is_open(void **state)
{
    (void)state;
    assert_true(isnan(presence_gone_s(&presence, "a", 10)));
    presence_join(&presence, "a");
    presence_join(&presence, "a");
    assert_s(presence_gone_s(&presence, "a", 11), 0);
    presence_leave(&presence, "a", 12);
    assert_s(presence_gone_s(&presence, "a", 20), 0);
    presence_leave(&presence, "a", 21);
    assert_s(presence_gone_s(&presence, "a", 30), 9);
    presence_join(&presence, "a");
    assert_s(presence_gone_s(&presence, "a", 31), 0);
    assert_true(isnan(presence_gone_s(&presence, "b", 31)));
}

static void test_a_page_without_a_name_is_none(void **state)
{
    (void)state;
    presence_join(&presence, "");
    assert_true(isnan(presence_gone_s(&presence, "", 1)));
    presence_leave(&presence, "", 1);
    /* Nor does one leave that never came. */
    presence_leave(&presence, "a", 1);
    assert_true(isnan(presence_gone_s(&presence, "a", 1)));
}

static void name(int i, char text[PAGE_BYTES])
{
    snprintf(text, PAGE_BYTES, "page-%d", i);
}

/* Who is gone longest is forgotten first; who is there, never. */
static void test_old_pages_make_room(void **state)
{
    (void)state;
    char text[PAGE_BYTES];
    for (int i = 0; i < PRESENCE_PAGES; i++) {
        name(i, text);
        presence_join(&presence, text);
    }
    presence_join(&presence, "late");
    assert_true(isnan(presence_gone_s(&presence, "late", 1)));
    presence_leave(&presence, "page-7", 2);
    presence_leave(&presence, "page-9", 1);
    presence_join(&presence, "late");
    assert_s(presence_gone_s(&presence, "late", 3), 0);
    assert_true(isnan(presence_gone_s(&presence, "page-9", 3)));
    assert_s(presence_gone_s(&presence, "page-7", 3), 1);
    assert_s(presence_gone_s(&presence, "page-8", 3), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(test_a_page_is_there_while_a_stream_is_open, set_up),
        cmocka_unit_test_setup(test_a_page_without_a_name_is_none, set_up),
        cmocka_unit_test_setup(test_old_pages_make_room, set_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
