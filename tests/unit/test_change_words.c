/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What changed in a unit, in words.
 */
#include "record/change_words.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static json_t *row(const char *of, int phase, double before, double now, const char *p, bool more)
{
    json_error_t error;
    json_t *made = json_pack_ex(
        &error, 0, "{s:s, s:o, s:{s:f, s:f}, s:[{s:s, s:f}, {s:s, s:f}], s:o}", "of", of, "phase",
        phase < 0 ? json_null() : json_integer(phase), "limits", "low", 0.36, "high", 0.44,
        "points", "stage", "when it left", "mean", before, "stage", "today", "mean", now, "changes",
        json_pack("[{s:f, s:f, s:f, s:o, s:b}]", "difference_share", now / before - 1, "low_share",
                  now / before - 1.01, "high_share", now / before - 0.99, "p",
                  json_loads(p, JSON_DECODE_ANY, NULL), "more_than_own_spread", more));
    if (!made)
        fail_msg("%s", error.text);
    return made;
}

static void assert_said(json_t *rows, enum changed changed, size_t count, const char *first)
{
    json_t *words = change_words(rows);
    assert_int_equal(changed_by(rows), changed);
    assert_int_equal(json_array_size(words), count);
    assert_string_equal(json_string_value(json_array_get(words, 0)), first);
    json_decref(words);
    json_decref(rows);
}

static void test_a_change_and_where_it_lies(void **state)
{
    (void)state;
    /* The last level is the final draw, and is said once. */
    json_t *rows = json_pack("[o, o, o]", row("final_draw_A", -1, 0.4, 0.376, "0.001", true),
                             row("level_A", 0, 0.1, 0.1, "0.9", false),
                             row("level_A", 1, 0.4, 0.376, "0.001", true));
    assert_said(rows, CHANGED_YES, 1,
                "Changed: final draw 0.376 A today, 0.400 A when it left, 6.0 % less (95 %: -7.0 % "
                "to -5.0 %), more than the unit's own spread; still within the type's limits, "
                "0.360 to 0.440 A.");
    rows = json_pack("[o, o]", row("final_draw_A", -1, 0.4, 0.5, "0.001", true),
                     row("duration_s", 0, 2, 3, "0.002", true));
    assert_said(rows, CHANGED_YES, 2,
                "Changed: final draw 0.500 A today, 0.400 A when it left, 25.0 % more (95 %: "
                "+24.0 % to +26.0 %), more than the unit's own spread; outside the type's limits, "
                "0.360 to 0.440 A.");
    /* A final draw that was tested and stayed hides no level that did not. */
    rows = json_pack("[o, o]", row("final_draw_A", -1, 0.4, 0.4, "0.9", false),
                     row("level_A", 0, 0.4, 0.376, "0.001", true));
    assert_said(rows, CHANGED_YES, 1,
                "Changed: draw of phase 1 0.376 A today, 0.400 A when it left, 6.0 % less (95 %: "
                "-7.0 % to -5.0 %), more than the unit's own spread; still within the type's "
                "limits, 0.360 to 0.440 A.");
}

static void test_nothing_changed(void **state)
{
    (void)state;
    assert_said(json_pack("[o]", row("final_draw_A", -1, 0.4, 0.402, "0.4", false)), CHANGED_NO, 1,
                "Nothing changed by more than the unit's own spread: final draw 0.402 A today, "
                "0.400 A when it left (95 %: -0.5 % to +1.5 %).");
}

static void test_what_cannot_be_told(void **state)
{
    (void)state;
    assert_said(json_pack("[o]", row("final_draw_A", -1, 0.4, 0.402, "null", false)),
                CHANGED_NOT_TOLD, 1,
                "Whether it changed cannot be told: no spread is known to compare with. Power it "
                "up some more, or teach the type's reference from several units.");
    assert_said(json_array(), CHANGED_NOT_TOLD, 1,
                "Nothing was measured both times: let it settle, and compare again.");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_change_and_where_it_lies),
        cmocka_unit_test(test_nothing_changed),
        cmocka_unit_test(test_what_cannot_be_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
