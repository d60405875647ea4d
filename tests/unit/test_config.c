/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bench/config.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char path[64];

static int write_config(const char *text)
{
    snprintf(path, sizeof path, "/tmp/wakedraw-config-XXXXXX");
    int descriptor = mkstemp(path);
    assert_true(descriptor >= 0);
    assert_int_equal(write(descriptor, text, strlen(text)), strlen(text));
    return close(descriptor);
}

static void test_all_keys_are_read(void **state)
{
    (void)state;
    write_config("[bench]\nname = Harbour Lane\ndata = data\nlisten = 127.0.0.1:9000\n"
                 "simulated_from = 2026-01-31T08:00:00Z\n"
                 "[supply left]\nlink = serial:/dev/ttyUSB0?baud=9600\nprofile = scpi\n"
                 "output = 2\ncontrol = on\nrate_hz = 20\nmodule_type = hatch\n"
                 "[supply right]\nlink = modbus-tcp:10.0.0.7:502?address=3\nprofile = ./r.ini\n");
    struct config config;
    struct error error = {0};
    assert_int_equal(config_read(path, &config, &error), 0);
    assert_string_equal(config.name, "Harbour Lane");
    assert_string_equal(config.data, "/tmp/data");
    assert_string_equal(config.listen, "127.0.0.1:9000");
    assert_int_equal(config.simulated_from_us, 1769846400000000);
    assert_int_equal(config.supply_count, 2);
    assert_string_equal(config.supplies[0].name, "left");
    assert_int_equal(config.supplies[0].link.baud, 9600);
    assert_int_equal(config.supplies[0].output, 2);
    assert_true(config.supplies[0].control);
    assert_true(config.supplies[0].rate_hz == 20.0);
    assert_string_equal(config.supplies[0].module_type, "hatch");
    assert_int_equal(config.supplies[1].link.address, 3);
    assert_int_equal(config.supplies[1].output, 1);
    assert_false(config.supplies[1].control);
    assert_string_equal(config.supplies[1].profile, "./r.ini");
    config_clear(&config);
    unlink(path);
}

static void test_defaults(void **state)
{
    (void)state;
    write_config("[bench]\ndata = /srv/bench\n");
    struct config config;
    struct error error = {0};
    assert_int_equal(config_read(path, &config, &error), 0);
    assert_string_equal(config.listen, "127.0.0.1:8460");
    assert_string_equal(config.data, "/srv/bench");
    assert_int_equal(config.supply_count, 0);
    assert_int_equal(config.simulated_from_us, 0);
    config_clear(&config);
    unlink(path);
}

/* What is wrong, the line it is said at, and a word it must name. */
static const struct {
    const char *text;
    long line;
    const char *word;
} wrong[] = {
    {"[bench]\ndata = d\ncolour = red\n", 3, "colour"},
    {"[bench]\ndata = d\nsimulated_from = yesterday\n", 3, "yesterday"},
    {"[bench]\ndata = d\n[benches]\nname = x\n", 4, "benches"},
    {"[bench]\ndata = d\ndata = e\n", 3, "second time"},
    {"[bench]\nname = x\n", 0, "data"},
    {"[bench]\ndata = d\ntls_key = k\n", 0, "tls_key"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\n", 4, "profile"},
    {"[bench]\ndata = d\n[supply a]\nprofile = scpi\n", 4, "link"},
    {"[bench]\ndata = d\n[supply a b]\nprofile = scpi\n", 4, "supply a b"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\noutput = 0\n", 6, "output"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\noutput = 1.5\n", 6, "1.5"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\ncontrol = maybe\n", 6,
     "maybe"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\nrate_hz = -1\n", 6, "-1"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\n"
     "[supply b]\nprofile = scpi\nlink = tcp:h:1\n",
     7, "same link and output"},
    {"[bench]\ndata = d\n[supply a]\nlink = tcp:h:1\nprofile = scpi\n"
     "[supply b]\nprofile = other\noutput = 2\nlink = tcp:h:1\n",
     7, "share a link"},
    {"[bench\ndata = d\n", 1, "neither"},
    {"data = d\n", 1, "unknown section"},
};

static void test_what_is_wrong_is_said_with_its_line(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        write_config(wrong[i].text);
        struct config config;
        struct error error = {0};
        int status = config_read(path, &config, &error);
        if (status != -1 || error.line != wrong[i].line || !strstr(error.found, wrong[i].word))
            fail_msg("case %zu: status %d, line %ld, found \"%s\"", i, status, error.line,
                     error.found);
        assert_int_equal(error.status, EXIT_BAD_DATA);
        assert_string_equal(error.file, path);
        unlink(path);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_all_keys_are_read),
        cmocka_unit_test(test_defaults),
        cmocka_unit_test(test_what_is_wrong_is_said_with_its_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
