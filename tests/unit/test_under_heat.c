/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Under heat nothing is good, whatever form the verdict has.
 */
#include "verdict/reasons.h"
#include "verdict/settle.h"
#include "verdict/under_heat.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct verdict verdict_of(enum verdict_kind kind)
{
    return (struct verdict){
        .kind = kind, .final = true, .decided_at_s = 2.25, .onset_s = 0.5, .final_draw_A = 0.31};
}

static void test_by_tag_or_by_stage(void **state)
{
    (void)state;
    assert_true(is_under_heat("heat", ""));
    assert_true(is_under_heat("heat", "final"));
    assert_true(is_under_heat("", "heat check"));
    assert_true(is_under_heat("cold", "heat check"));
    assert_false(is_under_heat("", ""));
    assert_false(is_under_heat("cold", "final"));
    assert_false(is_under_heat("", "before the heat check"));
}

static void test_good_becomes_a_diagnosis(void **state)
{
    (void)state;
    struct verdict verdict = verdict_of(VERDICT_GOOD);
    assert_true(under_heat(&verdict));
    assert_int_equal(verdict.kind, VERDICT_UNSURE);
    assert_true(verdict.final);
    assert_int_equal(verdict.reason_count, 1);
    assert_int_equal(verdict.reasons[0].code, REASON_UNDER_HEAT);
    assert_string_equal(verdict.reasons[0].text, "recovers under heat: a diagnosis, never good; a "
                                                 "power-up cold would tell");
    assert_non_null(strstr(verdict.reasons[0].details, "[common practice]"));
    assert_int_equal(verdict.settle_count, 1);
    assert_int_equal(verdict.settles[0].code, SETTLE_COLD);
    assert_true(verdict.decided_at_s == 2.25 && verdict.final_draw_A == 0.31);
    assert_false(under_heat(&verdict));
}

static void test_anything_else_stays(void **state)
{
    (void)state;
    static const enum verdict_kind kinds[] = {VERDICT_BAD, VERDICT_UNSURE};
    for (int i = 0; i < 2; i++) {
        struct verdict verdict = verdict_of(kinds[i]);
        struct finding finding = finding_of(REASON_NO_DRAW);
        finding.measured = 0;
        reasons_add(&verdict, &finding);
        assert_false(under_heat(&verdict));
        assert_int_equal(verdict.kind, kinds[i]);
        assert_int_equal(verdict.reason_count, 1);
        assert_int_equal(verdict.reasons[0].code, REASON_NO_DRAW);
    }
}

/* The JSON of the changed verdict is the changed JSON of the verdict. */
static void test_both_forms_say_the_same(void **state)
{
    (void)state;
    for (int kind = VERDICT_GOOD; kind <= VERDICT_UNSURE; kind++) {
        struct verdict verdict = verdict_of((enum verdict_kind)kind);
        json_t *before = verdict_to_json(&verdict);
        under_heat(&verdict);
        json_t *wanted = verdict_to_json(&verdict);
        json_t *found = under_heat_json(before);
        assert_true(json_equal(wanted, found));
        assert_int_equal(json_equal(before, found), kind != VERDICT_GOOD);
        json_decref(before);
        json_decref(wanted);
        json_decref(found);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_by_tag_or_by_stage),
        cmocka_unit_test(test_good_becomes_a_diagnosis),
        cmocka_unit_test(test_anything_else_stays),
        cmocka_unit_test(test_both_forms_say_the_same),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
