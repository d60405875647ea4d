/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static struct link_spec good(const char *text)
{
    struct link_spec spec;
    struct error error = {0};
    if (link_parse(text, &spec, &error) != 0) {
        char line[1200];
        fail_msg("%s: %s", text, error_text(&error, line, sizeof line));
    }
    assert_string_equal(spec.text, text);
    return spec;
}

static void test_every_kind(void **state)
{
    (void)state;
    struct link_spec spec = good("serial:/dev/ttyUSB0");
    assert_int_equal(spec.kind, LINK_SERIAL);
    assert_string_equal(spec.place, "/dev/ttyUSB0");
    assert_int_equal(spec.baud, 115200);
    assert_int_equal(spec.parity, 'N');
    assert_int_equal(spec.stop_bits, 1);
    spec = good("serial:/dev/ttyUSB0?baud=9600&parity=even&stop=2");
    assert_int_equal(spec.baud, 9600);
    assert_int_equal(spec.parity, 'E');
    assert_int_equal(spec.stop_bits, 2);
    spec = good("tcp:127.0.0.1:5025");
    assert_int_equal(spec.kind, LINK_TCP);
    assert_string_equal(spec.place, "127.0.0.1");
    assert_int_equal(spec.port, 5025);
    spec = good("tcp:[::1]:5025");
    assert_string_equal(spec.place, "::1");
    spec = good("usbtmc:/dev/usbtmc0");
    assert_int_equal(spec.kind, LINK_USBTMC);
    spec = good("modbus-rtu:/dev/ttyUSB0");
    assert_int_equal(spec.kind, LINK_MODBUS_RTU);
    assert_int_equal(spec.baud, 9600);
    assert_int_equal(spec.address, 1);
    spec = good("modbus-rtu:/dev/ttyUSB0?baud=19200&parity=odd&stop=1&address=17");
    assert_int_equal(spec.baud, 19200);
    assert_int_equal(spec.parity, 'O');
    assert_int_equal(spec.address, 17);
    spec = good("modbus-tcp:bench-supply:502?address=247");
    assert_int_equal(spec.kind, LINK_MODBUS_TCP);
    assert_int_equal(spec.port, 502);
    assert_int_equal(spec.address, 247);
    spec = good("modbus-rtu-tcp:10.0.0.9:4001?address=3");
    assert_int_equal(spec.kind, LINK_MODBUS_RTU_TCP);
    assert_int_equal(spec.address, 3);
    spec = good("modbus-rtu-tcp:[fe80::7]:4001");
    assert_string_equal(spec.place, "fe80::7");
    spec = good("serial:usb-serial=HL00A1");
    assert_string_equal(spec.usb_serial, "HL00A1");
    assert_int_equal(spec.usb_interface, -1);
    assert_int_equal(spec.baud, 115200);
    spec = good("modbus-rtu:usb-serial=HL00A1?baud=19200&address=4&interface=1");
    assert_string_equal(spec.usb_serial, "HL00A1");
    assert_int_equal(spec.usb_interface, 1);
    assert_int_equal(spec.address, 4);
    spec = good("usbtmc:usb-serial=TM77?interface=0");
    assert_string_equal(spec.usb_serial, "TM77");
    assert_int_equal(spec.usb_interface, 0);
    spec = good("usbtmc:/dev/usbtmc0");
    assert_string_equal(spec.usb_serial, "");
}

/* Each refusal names what was found and what is expected. */
static void test_refusals(void **state)
{
    (void)state;
    static const struct {
        const char *text, *found, *expected;
    } cases[] = {
        {"", "\"\"", "serial:"},
        {"serial", "\"serial\"", "serial:"},
        {"telnet:here:23", "link kind \"telnet\"", "serial:"},
        {"serial:", "0", "path"},
        {"tcp:127.0.0.1", "127.0.0.1", "HOST:PORT"},
        {"tcp::5025", ":5025", "HOST:PORT"},
        {"tcp:127.0.0.1:", "\"\"", "1 to 65535"},
        {"tcp:127.0.0.1:0", "\"0\"", "1 to 65535"},
        {"tcp:127.0.0.1:70000", "\"70000\"", "1 to 65535"},
        {"tcp:127.0.0.1:50x", "\"50x\"", "1 to 65535"},
        {"tcp:::1:5025", "::1", "brackets"},
        {"tcp:127.0.0.1:5025?baud=9600", "\"baud\"", "no keys"},
        {"serial:/dev/ttyS0?speed=9600", "\"speed\"", "baud, parity or stop"},
        {"serial:/dev/ttyS0?address=1", "\"address\"", "baud, parity or stop"},
        {"serial:/dev/ttyS0?baud=250000", "\"250000\"", "230400"},
        {"serial:/dev/ttyS0?baud=9600.5", "\"9600.5\"", "9600"},
        {"serial:/dev/ttyS0?baud=", "\"\"", "9600"},
        {"serial:/dev/ttyS0?baud=9600&baud=9600", "twice", "once"},
        {"serial:/dev/ttyS0?parity=mark", "\"mark\"", "none, even or odd"},
        {"serial:/dev/ttyS0?stop=3", "\"3\"", "1 or 2"},
        {"serial:usb-serial=", "0", "USB serial number"},
        {"serial:usb-serial=A?interface=256", "\"256\"", "0 to 255"},
        {"serial:/dev/ttyS0?interface=1", "\"interface\"", "baud, parity or stop"},
        {"serial:/dev/ttyS0?", "\"\"", "KEY=VALUE"},
        {"serial:/dev/ttyS0?baud", "\"baud\"", "KEY=VALUE"},
        {"modbus-tcp:127.0.0.1:502?address=0", "\"0\"", "1 to 247"},
        {"modbus-tcp:127.0.0.1:502?address=248", "\"248\"", "1 to 247"},
        {"modbus-tcp:127.0.0.1:502?unit=1", "\"unit\"", "address"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct link_spec spec;
        struct error error = {0};
        assert_int_equal(link_parse(cases[i].text, &spec, &error), -1);
        if (!strstr(error.found, cases[i].found) || !strstr(error.expected, cases[i].expected))
            fail_msg("%s: found \"%s\", expected \"%s\"", cases[i].text, error.found,
                     error.expected);
        assert_int_equal(error.status, EXIT_USAGE);
    }
}

static void test_too_long(void **state)
{
    (void)state;
    char text[400] = "serial:/dev/";
    memset(text + strlen(text), 'a', 350 - strlen(text));
    struct link_spec spec;
    struct error error = {0};
    assert_int_equal(link_parse(text, &spec, &error), -1);
    text[280] = '\0';
    assert_int_equal(link_parse(text, &spec, &error), -1);
    assert_non_null(strstr(error.expected, "path"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_kind),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_too_long),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
