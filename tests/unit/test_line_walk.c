/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * In which order an unknown line is tried.
 */
#include "supply/line_walk.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

static struct line_walk walk_of(const char *text, struct link_spec *spec)
{
    struct error error = {0};
    struct line_walk walk = {0};
    assert_int_equal(link_parse(text, spec, &error), 0);
    assert_int_equal(line_walk_make(spec, &walk), 0);
    return walk;
}

static void likeliest_first(void **state)
{
    (void)state;
    static const int rates[] = {9600, 115200, 19200, 38400, 57600, 4800, 2400};
    struct link_spec spec;
    struct line_walk walk = walk_of("serial:/dev/ttyUSB0", &spec);
    for (size_t i = 0; i < 7; i++)
        assert_int_equal(walk.tries[i].baud, rates[i]);
    line_walk_clear(&walk);
    walk = walk_of("modbus-rtu:/dev/ttyUSB0", &spec);
    for (size_t i = 0; i < 14; i++) {
        assert_int_equal(walk.tries[i].baud, rates[i / 2]);
        assert_int_equal(walk.tries[i].parity, i % 2 ? 'E' : 'N');
        assert_int_equal(walk.tries[i].address, 1);
    }
    line_walk_clear(&walk);
}

/* Every rate, frame and address once with little patience, and no more than once. */
static void everything_once(void **state)
{
    (void)state;
    struct link_spec spec;
    struct line_walk walk = walk_of("modbus-rtu:/dev/ttyUSB0", &spec);
    size_t hasty = 0;
    for (size_t i = 0; i < walk.count; i++)
        hasty += !walk.tries[i].patient;
    assert_int_equal(hasty, 13 * 4 * 247);
    line_walk_clear(&walk);
    walk = walk_of("modbus-tcp:127.0.0.1:502", &spec);
    bool met[248] = {false};
    for (size_t i = 0; i < walk.count; i++) {
        assert_int_equal(walk.tries[i].baud, 0);
        assert_true(walk.tries[i].patient || !met[walk.tries[i].address]);
        met[walk.tries[i].address] = true;
    }
    for (int i = 1; i <= 247; i++)
        assert_true(met[i]);
    line_walk_clear(&walk);
}

static void given_is_kept(void **state)
{
    (void)state;
    struct link_spec spec;
    struct line_walk walk =
        walk_of("modbus-rtu:/dev/ttyUSB0?baud=1200&parity=odd&stop=2&address=9", &spec);
    assert_int_equal(walk.count, 2); /* and once more with patience */
    for (size_t i = 0; i < walk.count; i++) {
        assert_int_equal(walk.tries[i].baud, 1200);
        assert_int_equal(walk.tries[i].parity, 'O');
        assert_int_equal(walk.tries[i].stop_bits, 2);
        assert_int_equal(walk.tries[i].address, 9);
    }
    char text[400];
    struct link_spec made = line_walk_spec(&spec, &walk.tries[0]);
    assert_string_equal(line_walk_text(&made, text), spec.text);
    line_walk_clear(&walk);
    walk = walk_of("modbus-rtu:/dev/ttyUSB0?address=9", &spec);
    for (size_t i = 0; i < walk.count; i++)
        assert_int_equal(walk.tries[i].address, 9);
    line_walk_clear(&walk);
    walk = walk_of("modbus-tcp:[::1]:502?address=3", &spec);
    made = line_walk_spec(&spec, &walk.tries[0]);
    assert_string_equal(line_walk_text(&made, text), "modbus-tcp:[::1]:502?address=3");
    line_walk_clear(&walk);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(likeliest_first),
        cmocka_unit_test(everything_once),
        cmocka_unit_test(given_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
