/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <termios.h>
/* cmocka.h needs four of these above. */
#include <cmocka.h>

/* What a terminal is like when nobody has set it up, with a parity or without. */
static struct termios made_raw(tcflag_t parity)
{
    struct termios modes;
    memset(&modes, 0, sizeof modes);
    modes.c_iflag = BRKINT | ICRNL | IXON | IGNPAR;
    modes.c_oflag = OPOST | ONLCR;
    modes.c_lflag = ECHO | ICANON | ISIG | IEXTEN;
    modes.c_cflag = CS7 | parity;
    link_raw_modes(&modes);
    return modes;
}

static void test_bytes_come_as_they_are(void **state)
{
    (void)state;
    struct termios modes = made_raw(0);
    assert_int_equal(modes.c_iflag & (BRKINT | ICRNL | IXON | IGNPAR | INPCK | ISTRIP), 0);
    assert_int_equal(modes.c_oflag & OPOST, 0);
    assert_int_equal(modes.c_lflag & (ECHO | ICANON | ISIG | IEXTEN), 0);
    assert_int_equal(modes.c_cflag & CSIZE, CS8);
    assert_int_equal(modes.c_cflag & (PARENB | PARODD), 0);
}

/* termios(3): with INPCK, and neither IGNPAR nor PARMRK, a byte with a parity or
 * framing error is read as zero. */
static void test_parity_stays_and_is_looked_at(void **state)
{
    (void)state;
    static const tcflag_t parities[] = {PARENB, PARENB | PARODD};
    for (int i = 0; i < 2; i++) {
        struct termios modes = made_raw(parities[i]);
        assert_int_equal(modes.c_cflag & (PARENB | PARODD), parities[i]);
        assert_int_equal(modes.c_cflag & CSIZE, CS8);
        assert_int_equal(modes.c_iflag & (INPCK | IGNPAR | PARMRK | ISTRIP), INPCK);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bytes_come_as_they_are),
        cmocka_unit_test(test_parity_stays_and_is_looked_at),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
