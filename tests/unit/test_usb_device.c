/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Ports found by what is behind them, in a made-up /sys and /dev whose nodes are
 * pseudo-terminals: the tree is laid out as the kernel lays it out (Linux,
 * Documentation/ABI: sysfs-bus-usb, sysfs-class-tty). Not tried: a real unplug.
 */
#include "link/link_private.h"
#include "support/scratch.h"

#include <errno.h>
#include <limits.h>
#include <linux/serial.h>
#include <pty.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include <cmocka.h>

enum { MOST_PORTS = 4 };

static char root[200];
static int masters[MOST_PORTS];
static struct link_calls real;

static void run(const char *form, ...) __attribute__((format(printf, 1, 2)));

static void run(const char *form, ...)
{
    char command[4000];
    va_list arguments;
    va_start(arguments, form);
    vsnprintf(command, sizeof command, form, arguments);
    va_end(arguments);
    assert_int_equal(system(command), 0);
}

/* A port of the tree: USB device `bus` with this serial number (NULL: none), its
 * interface, and the node's name. */
static void plug_in(int port, const char *bus, const char *serial, int interface, const char *name)
{
    int slave = -1;
    char node[100];
    assert_int_equal(openpty(&masters[port], &slave, node, NULL, NULL), 0);
    struct stat status;
    assert_int_equal(fstat(slave, &status), 0);
    close(slave);
    bool usbtmc = strncmp(name, "usbtmc", 6) == 0;
    const char *class_name = usbtmc ? "usbmisc" : "tty";
    char own[300];
    snprintf(own, sizeof own, "sys/devices/pci0/usb1/%s/%s:1.%d%s%s", bus, bus, interface,
             usbtmc ? "" : "/", usbtmc ? "" : name);
    run("cd %s && mkdir -p %s/%s/%s sys/class/%s sys/dev/char dev"
        " && ln -s ../.. %s/%s/%s/device"
        " && echo 0403 >sys/devices/pci0/usb1/%s/idVendor"
        " && echo 6001 >sys/devices/pci0/usb1/%s/idProduct"
        " && printf '%02x\\n' >sys/devices/pci0/usb1/%s/%s:1.%d/bInterfaceNumber"
        " && ln -s ../../%s/%s/%s sys/class/%s/%s"
        " && ln -sfn ../../class/%s/%s sys/dev/char/%u:%u && ln -s %s dev/%s",
        root, own, class_name, name, class_name, own, class_name, name, bus, bus,
        (unsigned)interface, bus, bus, interface, own + 4, class_name, name, class_name, name,
        class_name, name, major(status.st_rdev), minor(status.st_rdev), node, name);
    if (serial)
        run("echo '%s' >%s/sys/devices/pci0/usb1/%s/serial", serial, root, bus);
}

static void pull_out(int port, const char *bus, const char *name)
{
    close(masters[port]);
    masters[port] = -1;
    run("cd %s && rm -rf dev/%s sys/class/*/%s sys/devices/pci0/usb1/%s", root, name, name, bus);
    run("find %s/sys/dev/char -xtype l -delete", root);
}

static int set_up(void **state)
{
    (void)state;
    scratch_make(root, sizeof root);
    assert_int_equal(setenv("WAKEDRAW_SYSTEM_ROOT", root, 1), 0);
    for (int i = 0; i < MOST_PORTS; i++)
        masters[i] = -1;
    real = link_calls;
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    link_calls = real;
    for (int i = 0; i < MOST_PORTS; i++)
        if (masters[i] >= 0)
            close(masters[i]);
    unsetenv("WAKEDRAW_SYSTEM_ROOT");
    scratch_remove(root);
    return 0;
}

static struct link_spec spec_of(const char *form, ...) __attribute__((format(printf, 1, 2)));

static struct link_spec spec_of(const char *form, ...)
{
    char text[300];
    va_list arguments;
    va_start(arguments, form);
    vsnprintf(text, sizeof text, form, arguments);
    va_end(arguments);
    struct link_spec spec;
    struct error error = {0};
    if (link_parse(text, &spec, &error) != 0)
        fail_msg("%s: %s", text, error.found);
    return spec;
}

/* Opens, and says by which name of the tree. */
static struct link *open_at(const struct link_spec *spec, const struct link_known *known, int port)
{
    struct error error = {0};
    struct link *link = link_open_again(spec, known, 1, &error);
    if (!link)
        fail_msg("%s: %s", spec->text, error.found);
    struct stat status;
    struct stat wanted;
    assert_int_equal(fstat(link_descriptor(link), &status), 0);
    assert_int_equal(stat(ptsname(masters[port]), &wanted), 0);
    assert_true(status.st_rdev == wanted.st_rdev);
    return link;
}

static void refused(const struct link_spec *spec, const struct link_known *known, const char *found,
                    const char *expected)
{
    struct error error = {0};
    assert_null(link_open_again(spec, known, 1, &error));
    assert_int_equal(error.status, EXIT_UNAVAILABLE);
    if (!strstr(error.found, found) || !strstr(error.expected, expected))
        fail_msg("found \"%s\", expected \"%s\"", error.found, error.expected);
}

static void test_what_is_behind_a_port(void **state)
{
    (void)state;
    plug_in(0, "1-2", "HL00A1", 1, "ttyUSB0");
    plug_in(1, "1-3", NULL, 0, "ttyACM0");
    struct link_spec spec = spec_of("serial:%s/dev/ttyUSB0", root);
    struct link *link = open_at(&spec, NULL, 0);
    const struct usb_device *usb = link_usb_device(link);
    assert_true(usb->known);
    assert_int_equal(usb->vendor, 0x0403);
    assert_int_equal(usb->product, 0x6001);
    assert_int_equal(usb->interface, 1);
    assert_string_equal(usb->serial, "HL00A1");
    link_close(link);
    spec = spec_of("serial:%s/dev/ttyACM0", root);
    link = open_at(&spec, NULL, 1);
    assert_true(link_usb_device(link)->known);
    assert_string_equal(link_usb_device(link)->serial, "");
    link_close(link);
    /* On no USB: nothing is known of it. */
    int slave = -1;
    char node[100];
    assert_int_equal(openpty(&masters[2], &slave, node, NULL, NULL), 0);
    spec = spec_of("serial:%s", node);
    link = open_at(&spec, NULL, 2);
    assert_false(link_usb_device(link)->known);
    link_close(link);
    close(slave);
}

static void test_written_by_its_number(void **state)
{
    (void)state;
    plug_in(0, "1-2", "HL00A1", 0, "ttyUSB0");
    plug_in(1, "1-3", "HL00B2", 0, "ttyUSB1");
    plug_in(2, "1-3", "HL00B2", 1, "ttyUSB2");
    plug_in(3, "1-4", "TM77", 0, "usbtmc0");
    struct link_spec spec = spec_of("serial:usb-serial=HL00A1?baud=9600");
    assert_int_equal(spec.baud, 9600);
    link_close(open_at(&spec, NULL, 0));
    spec = spec_of("modbus-rtu:usb-serial=HL00B2?address=3&interface=1");
    link_close(open_at(&spec, NULL, 2));
    spec = spec_of("usbtmc:usb-serial=TM77");
    link_close(open_at(&spec, NULL, 3));
    spec = spec_of("serial:usb-serial=HL00B2");
    refused(&spec, NULL, "2 serial ports have USB serial number HL00B2", "interface=N");
    spec = spec_of("serial:usb-serial=HL00C3");
    refused(&spec, NULL, "no serial port with USB serial number HL00C3", "");
    spec = spec_of("serial:usb-serial=TM77");
    refused(&spec, NULL, "no serial port", "");
}

static void test_found_again_under_another_name(void **state)
{
    (void)state;
    plug_in(0, "1-2", "HL00A1", 0, "ttyUSB0");
    struct link_spec spec = spec_of("serial:%s/dev/ttyUSB0", root);
    struct link *link = open_at(&spec, NULL, 0);
    struct link_known known = {.usb = *link_usb_device(link), .no_other = true};
    link_close(link);
    pull_out(0, "1-2", "ttyUSB0");
    refused(&spec, &known, "No such file", "");
    /* Its name stays empty, and then is another's. */
    plug_in(1, "1-2", "HL00A1", 0, "ttyUSB1");
    link_close(open_at(&spec, &known, 1));
    plug_in(2, "1-3", "HL00B2", 0, "ttyUSB0");
    link = open_at(&spec, &known, 1);
    assert_non_null(strstr(link_device_path(link), "/dev/ttyUSB1"));
    link_close(link);
    pull_out(1, "1-2", "ttyUSB1");
    refused(&spec, &known, "is now USB device 0403:6001 number HL00B2", "the same as before");
    /* One who knows the supply by its own name may look at what is there. */
    known.no_other = false;
    link_close(open_at(&spec, &known, 2));
}

static void test_without_a_number_any_of_its_kind_is_taken(void **state)
{
    (void)state;
    plug_in(0, "1-2", NULL, 0, "ttyUSB0");
    struct link_spec spec = spec_of("serial:%s/dev/ttyUSB0", root);
    struct link *link = open_at(&spec, NULL, 0);
    struct link_known known = {.usb = *link_usb_device(link), .no_other = true};
    link_close(link);
    pull_out(0, "1-2", "ttyUSB0");
    plug_in(1, "1-3", NULL, 0, "ttyUSB0");
    link_close(open_at(&spec, &known, 1));
    /* Under another name it could be anything's. */
    pull_out(1, "1-3", "ttyUSB0");
    plug_in(2, "1-3", NULL, 0, "ttyUSB1");
    refused(&spec, &known, "No such file", "");
}

/* A converter's driver: what it says of its flags. */
static struct {
    int flags, refuses, asked;
} driver;

static int driver_control(int descriptor, unsigned long request, void *argument)
{
    struct serial_struct *serial = argument;
    if (request != TIOCGSERIAL && request != TIOCSSERIAL)
        return real.control(descriptor, request, argument);
    if (driver.refuses) {
        errno = ENOTTY;
        return -1;
    }
    if (request == TIOCGSERIAL) {
        memset(serial, 0, sizeof *serial);
        serial->flags = driver.flags;
        return 0;
    }
    driver.asked += (serial->flags & ASYNC_LOW_LATENCY) != 0;
    if (driver.flags >= 0x1000)
        return 0; /* takes it and does nothing */
    driver.flags = serial->flags;
    return 0;
}

static enum link_latency latency(const char *timer_ms, int flags, bool refuses)
{
    driver.flags = flags;
    driver.refuses = refuses;
    run("cd %s/sys/class/tty/ttyUSB0/device/ && rm -f latency_timer", root);
    if (timer_ms)
        run("echo %s >%s/sys/class/tty/ttyUSB0/device/latency_timer", timer_ms, root);
    struct link_spec spec = spec_of("serial:%s/dev/ttyUSB0", root);
    struct link *link = open_at(&spec, NULL, 0);
    enum link_latency told = link_low_latency(link);
    link_close(link);
    return told;
}

static void test_low_latency_is_asked_for_and_read_back(void **state)
{
    (void)state;
    plug_in(0, "1-2", "HL00A1", 0, "ttyUSB0");
    link_calls.control = driver_control;
    assert_int_equal(latency(NULL, 0, false), LINK_LATENCY_ON);
    assert_int_equal(driver.asked, 1);
    assert_int_equal(latency(NULL, 0x1000, false), LINK_LATENCY_OFF);
    assert_int_equal(latency(NULL, 0, true), LINK_LATENCY_NOT_OFFERED);
    /* The driver's timer counts, whatever the flag says. */
    assert_int_equal(latency("16", 0, false), LINK_LATENCY_OFF);
    assert_int_equal(latency("1", 0x1000, false), LINK_LATENCY_ON);
    assert_int_equal(latency("1", 0, true), LINK_LATENCY_ON);
    assert_int_equal(latency("16", 0, true), LINK_LATENCY_OFF);
}

#define TREE_TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TREE_TEST(test_what_is_behind_a_port),
        TREE_TEST(test_written_by_its_number),
        TREE_TEST(test_found_again_under_another_name),
        TREE_TEST(test_without_a_number_any_of_its_kind_is_taken),
        TREE_TEST(test_low_latency_is_asked_for_and_read_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
