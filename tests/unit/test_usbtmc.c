/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The way through the kernel's USBTMC driver, with no such device at hand: the
 * driver's four answers (write, read, its controls, the device gone) are given by a
 * stand-in in this program that is as strict as the class allows a device to be
 * (USBTMC 1.0 and the USB488 subclass; Linux, drivers/usb/class/usbtmc.c). It counts
 * what wedges some devices: a read with nothing asked, a read again after a timeout
 * without a clear, a message before the last reply was read. Not tried: hardware.
 */
#include "base/clock.h"
#include "link/link_private.h"
#include "supply/profile_content.h"
#include "supply/supply.h"

#include <errno.h>
#include <linux/usb/tmc.h>
#include <math.h>
#include <pty.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#ifndef USBTMC_IOCTL_SET_TIMEOUT
#define USBTMC_IOCTL_SET_TIMEOUT _IOW(USBTMC_IOC_NR, 10, __u32)
#endif

static struct device {
    char reply[4096];
    size_t length, told;
    size_t piece;               /* bytes a read at most */
    bool gone, unclear;         /* pulled out; a timeout not cleared yet */
    bool tells_no_end;          /* a driver without the attributes */
    int silent_from, silent_to; /* questions that get no reply in time */
    int questions, pairs, clears;
    int unasked, wedged, interrupted, short_times;
    double set_V, set_A;
    bool on;
} device;

static struct link_calls real;
static int master = -1;
static char node[100];

static void answer_part(const char *part, char *reply, size_t size)
{
    reply[0] = '\0';
    part += *part == ':';
    if (strcmp(part, "*IDN?") == 0)
        snprintf(reply, size, "EXAMPLE,PSU-1,1,1.0");
    else if (strcmp(part, "SYST:ERR?") == 0)
        snprintf(reply, size, "0,\"No error\"");
    else if (strcmp(part, "MEAS:VOLT?") == 0)
        snprintf(reply, size, "%.3f", 10 + 0.001 * (++device.pairs % 1000));
    else if (strcmp(part, "MEAS:CURR?") == 0 || strcmp(part, "CURR?") == 0)
        snprintf(reply, size, "%.3f",
                 strcmp(part, "CURR?") == 0 ? device.set_A : 0.001 * (device.pairs % 1000));
    else if (strcmp(part, "VOLT?") == 0)
        snprintf(reply, size, "%.3f", device.set_V);
    else if (strcmp(part, "VOLT:PROT?") == 0)
        snprintf(reply, size, "60");
    else if (strcmp(part, "OUTP?") == 0)
        snprintf(reply, size, "%d", device.on);
    else if (strcmp(part, "STAT:QUES:COND?") == 0)
        snprintf(reply, size, "0");
    else if (strncmp(part, "VOLT ", 5) == 0)
        device.set_V = strtod(part + 5, NULL);
    else if (strncmp(part, "CURR ", 5) == 0)
        device.set_A = strtod(part + 5, NULL);
    else if (strncmp(part, "OUTP ", 5) == 0)
        device.on = strcmp(part + 5, "ON") == 0;
}

/* A header without a colon goes on from the path before (SCPI-1999, 6.2.4). */
static void answer_message(char *message)
{
    bool measures = false;
    for (char *rest = message, *part; (part = strsep(&rest, ";")) != NULL;) {
        char reply[100];
        bool inherited = measures && part[0] != ':' && part[0] != '*';
        char whole[200];
        snprintf(whole, sizeof whole, "%s%s", inherited ? "MEAS:" : "", part);
        measures = strncmp(whole + (whole[0] == ':'), "MEAS:", 5) == 0;
        answer_part(whole, reply, sizeof reply);
        if (!reply[0])
            continue;
        device.length +=
            (size_t)snprintf(device.reply + device.length, sizeof device.reply - device.length,
                             "%s%s", device.length ? ";" : "", reply);
    }
    if (device.length > 0)
        device.reply[device.length++] = '\n';
}

static ssize_t device_write(int descriptor, const void *bytes, size_t count)
{
    (void)descriptor;
    if (device.gone) {
        errno = ENODEV;
        return -1;
    }
    if (device.told < device.length)
        device.interrupted++;
    device.length = device.told = 0;
    char message[1000];
    snprintf(message, sizeof message, "%.*s", (int)count, (const char *)bytes);
    message[strcspn(message, "\n")] = '\0';
    bool asks = strchr(message, '?') != NULL;
    answer_message(message);
    if (asks) {
        int question = ++device.questions;
        if (question >= device.silent_from && question < device.silent_to)
            device.unclear = true;
    }
    return (ssize_t)count;
}

static ssize_t device_read(int descriptor, void *bytes, size_t count)
{
    (void)descriptor;
    if (device.gone) {
        errno = ENODEV;
        return -1;
    }
    if (device.told == device.length)
        device.unasked++;
    if (device.unclear || device.told == device.length) {
        /* A second request for the same reply. */
        device.wedged += device.unclear && device.silent_to == 0;
        device.silent_to = device.unclear ? 0 : device.silent_to;
        errno = ETIMEDOUT;
        return -1;
    }
    size_t part = device.length - device.told;
    part = part < count ? part : count;
    part = part < device.piece ? part : device.piece;
    memcpy(bytes, device.reply + device.told, part);
    device.told += part;
    return (ssize_t)part;
}

static int device_control(int descriptor, unsigned long request, void *argument)
{
    (void)descriptor;
    if (device.gone) {
        errno = ENODEV;
        return -1;
    }
    if (request == USBTMC_IOCTL_SET_TIMEOUT) {
        device.short_times += *(__u32 *)argument < 100;
        return 0;
    }
    if (request == USBTMC_IOCTL_CLEAR) {
        device.clears++;
        device.unclear = false;
        device.length = device.told = 0;
        return 0;
    }
    if (request == USBTMC_IOCTL_MSG_IN_ATTR && !device.tells_no_end) {
        *(__u8 *)argument = device.told == device.length;
        return 0;
    }
    errno = ENOTTY;
    return -1;
}

struct bench {
    struct profile *profile;
    struct connection *connection;
    struct supply *supply;
};

static int set_up(void **state)
{
    (void)state;
    int slave = -1;
    assert_int_equal(openpty(&master, &slave, node, NULL, NULL), 0);
    close(slave);
    real = link_calls;
    link_calls = (struct link_calls){device_read, device_write, device_control};
    memset(&device, 0, sizeof device);
    device.piece = sizeof device.reply;
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    link_calls = real;
    close(master);
    return 0;
}

static struct bench open_bench(bool control)
{
    struct bench bench = {0};
    struct error error = {0};
    struct link_spec spec;
    char text[200];
    snprintf(text, sizeof text, "usbtmc:%s", node);
    assert_int_equal(link_parse(text, &spec, &error), 0);
    bench.profile = profile_load("daemon/profiles/scpi.ini", &error);
    assert_non_null(bench.profile);
    bench.profile->reply_timeout_s = 0.2;
    bench.connection = connection_create(bench.profile, &spec, &error);
    assert_non_null(bench.connection);
    bench.supply = supply_create(bench.connection, 1, control, &error);
    assert_non_null(bench.supply);
    if (connection_open(bench.connection, &error) != 0)
        fail_msg("%s", error.found);
    return bench;
}

static void close_bench(struct bench *bench)
{
    supply_destroy(bench->supply);
    connection_destroy(bench->connection);
    profile_destroy(bench->profile);
}

/* Of one pair, and newer than the last. */
static enum supply_result read_one(const struct bench *bench, int *last)
{
    struct reading reading;
    bool repeat = false;
    struct error error = {0};
    enum supply_result result = supply_read(bench->supply, &reading, &repeat, &error);
    if (result != SUPPLY_OK)
        return result;
    int pair = (int)lround(reading.current_A * 1000);
    assert_true(fabs(reading.voltage_V - (10 + 0.001 * pair)) < 1e-9);
    assert_true(pair > *last);
    *last = pair;
    return result;
}

static void assert_no_offence(void)
{
    assert_int_equal(device.unasked, 0);
    assert_int_equal(device.wedged, 0);
    assert_int_equal(device.interrupted, 0);
    assert_int_equal(device.short_times, 0);
}

static void test_replies_in_pieces_up_to_the_message_end(void **state)
{
    (void)state;
    static const size_t pieces[] = {1, 2, 7, 4096};
    for (size_t i = 0; i < sizeof pieces / sizeof *pieces; i++) {
        memset(&device, 0, sizeof device);
        device.piece = pieces[i];
        struct bench bench = open_bench(false);
        int last = 0;
        for (int k = 0; k < 50; k++)
            assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
        assert_no_offence();
        assert_int_equal(device.clears, 0);
        close_bench(&bench);
    }
}

static void test_a_driver_that_tells_no_end(void **state)
{
    (void)state;
    device.tells_no_end = true;
    struct bench bench = open_bench(false);
    int last = 0;
    for (int k = 0; k < 20; k++)
        assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
    assert_no_offence();
    close_bench(&bench);
}

/* A reply that does not come is cleared away, not asked for a second time. */
static void test_a_timeout_is_cleared(void **state)
{
    (void)state;
    struct bench bench = open_bench(false);
    int last = 0;
    for (int k = 0; k < 10; k++)
        assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
    device.silent_from = device.questions + 1;
    device.silent_to = device.questions + 2;
    assert_int_equal(read_one(&bench, &last), SUPPLY_NO_READING);
    assert_int_equal(device.clears, 1);
    for (int k = 0; k < 10; k++)
        assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
    assert_no_offence();
    close_bench(&bench);
}

static void test_settings_bring_nothing_to_read(void **state)
{
    (void)state;
    struct bench bench = open_bench(true);
    struct error error = {0};
    assert_int_equal(supply_set(bench.supply, 12, 1.5, &error), SUPPLY_OK);
    assert_int_equal(supply_switch_output(bench.supply, true, &error), SUPPLY_OK);
    assert_true(device.set_V == 12);
    assert_true(device.set_A == 1.5);
    assert_true(device.on);
    assert_no_offence();
    assert_int_equal(device.clears, 0);
    close_bench(&bench);
}

static void test_pulled_out(void **state)
{
    (void)state;
    struct bench bench = open_bench(false);
    int last = 0;
    assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
    device.gone = true;
    assert_int_equal(read_one(&bench, &last), SUPPLY_GONE);
    connection_close(bench.connection);
    device.gone = false;
    device.length = device.told = 0;
    struct error error = {0};
    assert_int_equal(connection_open(bench.connection, &error), 0);
    assert_int_equal(read_one(&bench, &last), SUPPLY_OK);
    assert_no_offence();
    close_bench(&bench);
}

/* The message's rest, where a reader took only its first part, is cleared before the
 * next question. */
static void test_a_rest_is_cleared_before_the_next_message(void **state)
{
    (void)state;
    struct link_spec spec;
    struct error error = {0};
    char text[200];
    snprintf(text, sizeof text, "usbtmc:%s", node);
    assert_int_equal(link_parse(text, &spec, &error), 0);
    struct link *link = link_open(&spec, 1, &error);
    assert_non_null(link);
    device.piece = 4;
    const double never_s = clock_monotonic_s() + 60;
    char bytes[100];
    assert_int_equal(link_write(link, "*IDN?\n", 6, never_s), 0);
    assert_int_equal(link_read(link, bytes, sizeof bytes, never_s), 4);
    assert_int_equal(link_write(link, "*IDN?\n", 6, never_s), 0);
    assert_int_equal(device.clears, 1);
    size_t got = 0;
    for (long part; (part = link_read(link, bytes + got, sizeof bytes - got, never_s)) > 0;)
        got += (size_t)part;
    assert_int_equal(got, strlen("EXAMPLE,PSU-1,1,1.0\n"));
    assert_memory_equal(bytes, "EXAMPLE,PSU-1,1,1.0\n", got);
    assert_no_offence();
    link_close(link);
}

#define USBTMC_TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        USBTMC_TEST(test_replies_in_pieces_up_to_the_message_end),
        USBTMC_TEST(test_a_driver_that_tells_no_end),
        USBTMC_TEST(test_a_timeout_is_cleared),
        USBTMC_TEST(test_settings_bring_nothing_to_read),
        USBTMC_TEST(test_pulled_out),
        USBTMC_TEST(test_a_rest_is_cleared_before_the_next_message),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
