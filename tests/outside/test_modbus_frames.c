/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Frames of the Modbus specifications, byte by byte on a pseudo-terminal, with
 * the real client on its other end. Sources beside each check; frames that the
 * application protocol gives as data alone carry the CRC of the serial line
 * specification's method (computed independently).
 */
#include "supply/profile_content.h"
#include "supply/supply.h"

#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include <cmocka.h>

struct exchange {
    const char *request, *reply; /* hexadecimal */
};

struct unit {
    int master, held;
    char path[64];
    const struct exchange *exchanges;
    size_t count;
    atomic_size_t answered;
    char unexpected[128];
    atomic_bool stopping;
    pthread_t thread;
};

static size_t from_hex(const char *text, unsigned char *bytes)
{
    size_t count = 0;
    for (char *end = NULL;; text = end) {
        unsigned long value = strtoul(text, &end, 16);
        if (end == text)
            return count;
        assert_in_range(value, 0, 255);
        bytes[count++] = (unsigned char)value;
    }
}

/* Answers each request with what the list says, in its order; a request that
 * repeats the one before gets its reply again. */
static void *serve(void *context)
{
    struct unit *unit = context;
    unsigned char held[256];
    size_t have = 0;
    size_t at = 0;
    while (!atomic_load(&unit->stopping)) {
        struct pollfd entry = {.fd = unit->master, .events = POLLIN};
        if (poll(&entry, 1, 60) < 0 || (entry.revents & ~POLLIN))
            return NULL;
        ssize_t got = entry.revents ? read(unit->master, held + have, sizeof held - have) : 0;
        if (got < 0)
            return NULL;
        have += (size_t)got;
        if (have == 0)
            continue;
        bool answered = false;
        for (size_t i = at; i < unit->count && i < at + 2; i++) {
            unsigned char request[64];
            unsigned char reply[64];
            size_t length = from_hex(unit->exchanges[i].request, request);
            if (have != length || memcmp(held, request, length) != 0)
                continue;
            size_t count = from_hex(unit->exchanges[i].reply, reply);
            /* Before the reply: who has it may look at once. */
            atomic_store(&unit->answered, at = i);
            if (write(unit->master, reply, count) != (ssize_t)count)
                return NULL;
            have = 0;
            answered = true;
            break;
        }
        if (!answered && !got) {
            for (size_t i = 0; i < have && i < 40; i++)
                snprintf(unit->unexpected + 3 * i, 4, "%02X ", held[i]);
            have = 0;
        }
    }
    return NULL;
}

static void unit_start(struct unit *unit, const struct exchange *exchanges, size_t count)
{
    memset(unit, 0, sizeof *unit);
    unit->exchanges = exchanges;
    unit->count = count;
    unit->master = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(unit->master >= 0);
    assert_int_equal(grantpt(unit->master), 0);
    assert_int_equal(unlockpt(unit->master), 0);
    assert_int_equal(ptsname_r(unit->master, unit->path, sizeof unit->path), 0);
    unit->held = open(unit->path, O_RDWR | O_NOCTTY);
    struct termios modes;
    assert_int_equal(tcgetattr(unit->held, &modes), 0);
    cfmakeraw(&modes);
    assert_int_equal(tcsetattr(unit->held, TCSANOW, &modes), 0);
    assert_int_equal(pthread_create(&unit->thread, NULL, serve, unit), 0);
}

static void unit_stop(struct unit *unit)
{
    atomic_store(&unit->stopping, true);
    pthread_join(unit->thread, NULL);
    close(unit->held);
    close(unit->master);
}

/* A map with nothing in it yet. */
static struct profile bare(int function)
{
    return (struct profile){.name = "frames",
                            .speaks = PROFILE_MODBUS,
                            .rated_voltage_V = NAN,
                            .rated_current_A = NAN,
                            .outputs = 1,
                            .reply_timeout_s = 2,
                            .modbus = {.function = function, .byte_timeout_s = 1}};
}

static struct register_quantity whole(int function, int address)
{
    return (struct register_quantity){
        .known = true, .function = function, .address = address, .type = REGISTER_U16, .scale = 1};
}

struct bench {
    struct unit unit;
    struct connection *connection;
    struct supply *supply;
    struct error error;
};

static void bench_start(struct bench *bench, const struct profile *profile, int address,
                        const struct exchange *exchanges, size_t count)
{
    memset(bench, 0, sizeof *bench);
    unit_start(&bench->unit, exchanges, count);
    char text[128];
    snprintf(text, sizeof text, "modbus-rtu:%s?baud=115200&address=%d", bench->unit.path, address);
    struct link_spec spec;
    assert_int_equal(link_parse(text, &spec, &bench->error), 0);
    bench->connection = connection_create(profile, &spec, &bench->error);
    assert_non_null(bench->connection);
    bench->supply = supply_create(bench->connection, 1, true, &bench->error);
    assert_non_null(bench->supply);
    if (connection_open(bench->connection, &bench->error) != 0)
        fail_msg("%s (came: %s)", bench->error.found, bench->unit.unexpected);
}

static void bench_stop(struct bench *bench)
{
    supply_destroy(bench->supply);
    connection_destroy(bench->connection);
    unit_stop(&bench->unit);
    assert_string_equal(bench->unit.unexpected, "");
}

static enum supply_result read_once(struct bench *bench, struct reading *reading)
{
    bool repeat = false;
    return supply_read(bench->supply, reading, &repeat, &bench->error);
}

/* Function 03 at 0x006B, three registers: the worked example of the older
 * protocol reference, unit 17, register values AE41 5652 4340. */
static void test_holding(void **state)
{
    (void)state;
    static const struct exchange exchanges[] = {
        {"11 03 00 6B 00 01 F7 46", "11 03 02 AE 41 C5 D7"},
        {"11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD"},
    };
    struct profile profile = bare(3);
    profile.modbus.voltage = whole(3, 0x6B);
    profile.modbus.current = whole(3, 0x6D);
    profile.modbus.voltage.scale = 0.001;
    profile.modbus.current.scale = 0.001;
    struct bench bench;
    bench_start(&bench, &profile, 17, exchanges, 2);
    struct reading reading;
    assert_int_equal(read_once(&bench, &reading), SUPPLY_OK);
    assert_true(reading.valid);
    assert_true(fabs(reading.voltage_V - 44.609) < 1e-9); /* 0xAE41 */
    assert_true(fabs(reading.current_A - 17.216) < 1e-9); /* 0x4340 */
    bench_stop(&bench);
}

/* Function 04 at 0x0008 (application protocol V1.1b3, 6.4: 0x000A), unit 17. */
static void test_input(void **state)
{
    (void)state;
    static const struct exchange exchanges[] = {
        {"11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
    };
    struct profile profile = bare(4);
    profile.modbus.voltage = whole(4, 8);
    profile.modbus.current = whole(4, 8);
    struct bench bench;
    bench_start(&bench, &profile, 17, exchanges, 1);
    struct reading reading;
    assert_int_equal(read_once(&bench, &reading), SUPPLY_OK);
    assert_true(reading.voltage_V == 10 && reading.current_A == 10);
    bench_stop(&bench);
}

/* The same, one bit of the checksum wrong: no reading, and back in step. */
static void test_bad_checksum(void **state)
{
    (void)state;
    static const struct exchange exchanges[] = {
        {"11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
        {"11 04 00 08 00 02 F2 99", "11 04 04 00 0A 00 0B 8B 81"},
    };
    struct profile profile = bare(4);
    profile.modbus.voltage = whole(4, 8);
    profile.modbus.current = whole(4, 9);
    struct bench bench;
    bench_start(&bench, &profile, 17, exchanges, 2);
    struct reading reading;
    assert_int_equal(read_once(&bench, &reading), SUPPLY_NO_READING);
    struct wire_state wire;
    connection_wire_state(bench.connection, &wire);
    assert_true(wire.garbled > 0);
    assert_false(reading.valid);
    bench_stop(&bench);
}

/* Function 06 at 1, value 3, and function 16 at 1, values 000A 0102
 * (application protocol V1.1b3, 6.6 and 6.12), unit 17. */
static void test_writes(void **state)
{
    (void)state;
    static const struct exchange single[] = {
        {"11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
        {"11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B"},
        {"11 03 00 01 00 01 D7 5A", "11 03 02 00 03 39 86"},
        {"11 06 00 02 00 05 EA 99", "11 06 00 02 00 05 EA 99"},
        {"11 03 00 02 00 01 27 5A", "11 03 02 00 05 B9 84"},
    };
    struct profile profile = bare(4);
    profile.modbus.voltage = whole(4, 8);
    profile.modbus.current = whole(4, 8);
    profile.modbus.set_function = 6;
    profile.modbus.set_limit = whole(3, 1);
    profile.modbus.set_voltage = whole(3, 2);
    struct bench bench;
    bench_start(&bench, &profile, 17, single, 5);
    if (supply_set(bench.supply, 5, 3, &bench.error) != SUPPLY_OK)
        fail_msg("%s (came: %s)", bench.error.found, bench.unit.unexpected);
    assert_int_equal(atomic_load(&bench.unit.answered), 4);
    double voltage_V = 0;
    double limit_A = 0;
    supply_settings(bench.supply, &voltage_V, &limit_A);
    assert_true(voltage_V == 5 && limit_A == 3);
    bench_stop(&bench);

    static const struct exchange many[] = {
        {"11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
        {"11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "11 10 00 01 00 02 12 98"},
        {"11 03 00 01 00 02 97 5B", "11 03 04 00 0A 01 02 4B A1"},
    };
    profile.modbus.set_function = 16;
    profile.modbus.set_limit = whole(3, 1);
    profile.modbus.set_limit.type = REGISTER_U32;
    profile.modbus.set_limit.scale = 1e-4;
    profile.modbus.set_voltage.address = 1000;
    bench_start(&bench, &profile, 17, many, 3);
    /* 0x000A0102 is 655618; the voltage's register is not in the list and stays
     * unanswered. */
    assert_int_equal(supply_set(bench.supply, 5, 65.5618, &bench.error), SUPPLY_NO_READING);
    assert_int_equal(atomic_load(&bench.unit.answered), 2);
    memset(bench.unit.unexpected, 0, sizeof bench.unit.unexpected);
    bench_stop(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_holding),
        cmocka_unit_test(test_input),
        cmocka_unit_test(test_bad_checksum),
        cmocka_unit_test(test_writes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
