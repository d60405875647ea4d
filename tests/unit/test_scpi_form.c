/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi_form.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
/* cmocka.h needs the four above. */
#include <cmocka.h>

static enum scpi_familiar take(struct scpi_forms *forms, const char *number)
{
    return scpi_form_check(forms, number, strtod(number, NULL), true);
}

/* Two running: learned. */
static void teach(struct scpi_forms *forms, const char *number)
{
    assert_int_not_equal(take(forms, number), SCPI_FAMILIAR);
    assert_int_equal(take(forms, number), SCPI_LEARNED);
    assert_int_equal(take(forms, number), SCPI_FAMILIAR);
}

static void test_a_digit_more_or_less_is_strange(void **state)
{
    (void)state;
    static const char *const strange[] = {"10.02310", "1.00230",  "010.0230", "100.0230",
                                          "10.023",   "10.02",    "100230",   "10.",
                                          "+10.0230", "-10.0230", "10.0230A", "10.0230E0"};
    struct scpi_forms forms = {0};
    teach(&forms, "10.0230");
    for (size_t i = 0; i < sizeof strange / sizeof *strange; i++) {
        enum scpi_familiar familiar = take(&forms, strange[i]);
        assert_true(familiar == SCPI_STRANGE || familiar == SCPI_STRANGE_SHORT);
        assert_int_equal(take(&forms, "12.3456"), SCPI_FAMILIAR);
    }
    assert_int_equal(take(&forms, "10.02"), SCPI_STRANGE_SHORT);
    assert_int_equal(take(&forms, "10.02305"), SCPI_STRANGE);
}

static void test_two_running_are_a_manner(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    teach(&forms, "9.9990");
    assert_int_equal(take(&forms, "10.0010"), SCPI_STRANGE);
    assert_int_equal(take(&forms, "9.9990"), SCPI_FAMILIAR);
    assert_int_equal(take(&forms, "10.0010"), SCPI_STRANGE); /* not running: anew */
    assert_int_equal(take(&forms, "10.0020"), SCPI_LEARNED);
    assert_int_equal(take(&forms, "9.9990"), SCPI_FAMILIAR);
    assert_int_equal(take(&forms, "10.0010"), SCPI_FAMILIAR);
}

static void test_a_small_negative_number_teaches_no_large_one(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    teach(&forms, "0.0002");
    teach(&forms, "-0.0001");
    assert_int_equal(take(&forms, "-0.9001"), SCPI_STRANGE);
    assert_int_equal(take(&forms, "-0.0003"), SCPI_FAMILIAR);
}

static void test_who_leaves_zeros_off_is_not_held_up(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    teach(&forms, "0.2512");
    assert_int_equal(take(&forms, "0.25"), SCPI_LEARNED);
    assert_int_equal(take(&forms, "0.251"), SCPI_LEARNED);
    assert_int_equal(take(&forms, "0."), SCPI_STRANGE_SHORT);
    assert_int_equal(take(&forms, "0.2513"), SCPI_FAMILIAR);
    /* Nothing marks the end of the answer: it may be cut. */
    assert_int_equal(scpi_form_check(&forms, "0", 0, false), SCPI_STRANGE_SHORT);
    /* One that has been seen to end a number in zero leaves none off. */
    struct scpi_forms pads = {0};
    teach(&pads, "0.2510");
    assert_int_equal(take(&pads, "0.251"), SCPI_STRANGE_SHORT);
}

static void test_exponents_have_one_width(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    teach(&forms, "+1.002300E+01");
    assert_int_equal(take(&forms, "+1.002300E-02"), SCPI_FAMILIAR);
    assert_int_equal(take(&forms, "+1.002300E+1"), SCPI_STRANGE);
    assert_int_equal(take(&forms, "+1.002300e+01"), SCPI_STRANGE);
    assert_int_equal(take(&forms, "+11.002300E+01"), SCPI_STRANGE);
    assert_int_equal(take(&forms, "+1.00230E+01"), SCPI_STRANGE_SHORT);
}

/* Numbers as short as they go, in 15 digits: what a "%.15g" prints. */
static void test_who_has_no_form_is_let_be(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    unsigned noise = 1;
    int refused = 0;
    for (int i = 0; i < 2000; i++) {
        char number[40];
        noise = noise * 1103515245U + 12345U;
        snprintf(number, sizeof number, "%.15g", ((double)(noise >> 8) - 8388608) / 8388608 * 3e-4);
        enum scpi_familiar familiar = take(&forms, number);
        refused += familiar == SCPI_STRANGE || familiar == SCPI_STRANGE_SHORT;
    }
    assert_true(forms.free);
    assert_in_range(refused, 1, 60);
    /* But not where nothing marks an answer's end. */
    assert_int_not_equal(scpi_form_check(&forms, "1", 1, false), SCPI_FAMILIAR);
}

static void test_a_bad_line_does_not_look_like_no_form(void **state)
{
    (void)state;
    struct scpi_forms forms = {0};
    unsigned noise = 1;
    teach(&forms, "10.0230");
    for (int i = 0; i < 100000; i++) {
        noise = noise * 1103515245U + 12345U;
        bool spoilt = noise >> 16 < 6553; /* one in ten */
        static const char *const spoiled[] = {"10.02310", "110.0230", "10.023", "0.0230", "100230"};
        take(&forms, spoilt ? spoiled[i % 5] : "10.0230");
    }
    assert_false(forms.free);
    assert_int_equal(take(&forms, "10.0230"), SCPI_FAMILIAR);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_digit_more_or_less_is_strange),
        cmocka_unit_test(test_two_running_are_a_manner),
        cmocka_unit_test(test_a_small_negative_number_teaches_no_large_one),
        cmocka_unit_test(test_who_leaves_zeros_off_is_not_held_up),
        cmocka_unit_test(test_exponents_have_one_width),
        cmocka_unit_test(test_who_has_no_form_is_let_be),
        cmocka_unit_test(test_a_bad_line_does_not_look_like_no_form),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
