/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link.h"

#include "base/number.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { SHORTEST_BAUD = 300, HIGHEST_BAUD = 921600 };

static const struct {
    const char *name;
    enum link_kind kind;
    bool host; /* HOST:PORT, else a path */
    bool line; /* takes baud, parity, stop */
    bool unit; /* takes address */
    int baud;
} kinds[] = {
    {"serial", LINK_SERIAL, false, true, false, 115200},
    {"tcp", LINK_TCP, true, false, false, 0},
    {"usbtmc", LINK_USBTMC, false, false, false, 0},
    {"modbus-rtu", LINK_MODBUS_RTU, false, true, true, 9600},
    {"modbus-tcp", LINK_MODBUS_TCP, true, false, true, 0},
    {"modbus-rtu-tcp", LINK_MODBUS_RTU_TCP, true, false, true, 0},
};

/* What the kernel's terminals and libmodbus both take: another rate would open
 * silently at 9600. */
static const int baud_rates[] = {300,   600,   1200,   2400,   4800,   9600,  19200,
                                 38400, 57600, 115200, 230400, 460800, 921600};

const int *link_baud_rates(size_t *count)
{
    *count = sizeof baud_rates / sizeof *baud_rates;
    return baud_rates;
}

static int whole_number(const char *text, int low, int high, int *number)
{
    double value = 0;
    if (!number_parse_whole(text, &value) || value < low || value > high || floor(value) != value)
        return -1;
    *number = (int)value;
    return 0;
}

static int read_baud(const char *value, struct link_spec *spec, struct error *error)
{
    int baud = 0;
    if (whole_number(value, SHORTEST_BAUD, HIGHEST_BAUD, &baud) == 0) {
        for (size_t i = 0; i < sizeof baud_rates / sizeof *baud_rates; i++) {
            if (baud_rates[i] == baud) {
                spec->baud = baud;
                return 0;
            }
        }
    }
    return error_set(error, EXIT_USAGE, spec->text, 0,
                     "300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, "
                     "460800 or 921600",
                     "baud: found \"%s\"", value);
}

static int read_parity(const char *value, struct link_spec *spec, struct error *error)
{
    static const char *const words[] = {"none", "even", "odd"};
    for (size_t i = 0; i < 3; i++) {
        if (strcmp(value, words[i]) == 0) {
            spec->parity = "NEO"[i];
            return 0;
        }
    }
    return error_set(error, EXIT_USAGE, spec->text, 0, "none, even or odd", "parity: found \"%s\"",
                     value);
}

/* One KEY=VALUE; `seen` has a bit for each key met. */
static int read_key(size_t kind, char *pair, struct link_spec *spec, unsigned *seen,
                    struct error *error)
{
    static const char *const names[] = {"baud", "parity", "stop", "address", "interface"};
    char *equals = strchr(pair, '=');
    if (!equals)
        return error_set(error, EXIT_USAGE, spec->text, 0, "KEY=VALUE", "found \"%s\" after ?",
                         pair);
    *equals = '\0';
    const char *value = equals + 1;
    size_t key = 0;
    while (key < 5 && strcmp(names[key], pair) != 0)
        key++;
    bool known = key < 3    ? kinds[kind].line
                 : key == 3 ? kinds[kind].unit
                            : key == 4 && spec->usb_serial[0];
    if (!known) {
        const char *expected = "no keys";
        if (kinds[kind].line)
            expected = kinds[kind].unit ? "baud, parity, stop or address" : "baud, parity or stop";
        else if (kinds[kind].unit)
            expected = "address";
        return error_set(error, EXIT_USAGE, spec->text, 0, expected,
                         "key \"%s\" is not known for a %s link", pair, kinds[kind].name);
    }
    if (*seen & 1U << key)
        return error_set(error, EXIT_USAGE, spec->text, 0, "it once", "key \"%s\" given twice",
                         pair);
    *seen |= 1U << key;
    bool *given[] = {&spec->baud_given, &spec->parity_given, &spec->stop_given,
                     &spec->address_given, &spec->interface_given};
    *given[key] = true;
    if (key == 0)
        return read_baud(value, spec, error);
    if (key == 1)
        return read_parity(value, spec, error);
    if (key == 2 && whole_number(value, 1, 2, &spec->stop_bits) != 0)
        return error_set(error, EXIT_USAGE, spec->text, 0, "1 or 2", "stop: found \"%s\"", value);
    if (key == 3 && whole_number(value, 1, 247, &spec->address) != 0)
        return error_set(error, EXIT_USAGE, spec->text, 0, "a unit from 1 to 247",
                         "address: found \"%s\"", value);
    if (key == 4 && whole_number(value, 0, 255, &spec->usb_interface) != 0)
        return error_set(error, EXIT_USAGE, spec->text, 0, "an interface from 0 to 255",
                         "interface: found \"%s\"", value);
    return 0;
}

/* HOST:PORT, an IPv6 address in brackets. */
static int read_host(const char *place, struct link_spec *spec, struct error *error)
{
    const char *colon = strrchr(place, ':');
    if (!colon || colon == place)
        return error_set(error, EXIT_USAGE, spec->text, 0, "HOST:PORT", "found \"%s\"", place);
    if (whole_number(colon + 1, 1, 65535, &spec->port) != 0)
        return error_set(error, EXIT_USAGE, spec->text, 0, "a port from 1 to 65535",
                         "found port \"%s\"", colon + 1);
    size_t length = (size_t)(colon - place);
    const char *host = place;
    if (host[0] == '[' && host[length - 1] == ']') {
        host++;
        length -= 2;
    } else if (memchr(host, ':', length)) {
        return error_set(error, EXIT_USAGE, spec->text, 0, "an IPv6 address in [brackets]",
                         "found \"%.*s\"", (int)length, host);
    }
    if (length == 0 || length >= sizeof spec->place)
        return error_set(error, EXIT_USAGE, spec->text, 0, "a host of 1 to 199 characters",
                         "found %zu", length);
    memcpy(spec->place, host, length);
    spec->place[length] = '\0';
    return 0;
}

/* A device's path, or usb-serial=NUMBER. */
static int read_device(const char *place, struct link_spec *spec, struct error *error)
{
    static const char by_number[] = "usb-serial=";
    size_t length = strlen(place);
    if (strncmp(place, by_number, sizeof by_number - 1) == 0) {
        const char *number = place + sizeof by_number - 1;
        if (!number[0] || strlen(number) >= sizeof spec->usb_serial)
            return error_set(error, EXIT_USAGE, spec->text, 0,
                             "a USB serial number of 1 to 127 characters", "found %zu",
                             strlen(number));
        snprintf(spec->usb_serial, sizeof spec->usb_serial, "%s", number);
    } else if (length == 0 || length >= sizeof spec->place) {
        return error_set(error, EXIT_USAGE, spec->text, 0, "a device's path of 1 to 199 characters",
                         "found %zu", length);
    }
    snprintf(spec->place, sizeof spec->place, "%s", place);
    return 0;
}

int link_parse(const char *text, struct link_spec *spec, struct error *error)
{
    memset(spec, 0, sizeof *spec);
    spec->parity = 'N';
    spec->stop_bits = 1;
    spec->usb_interface = -1;
    if (strlen(text) >= sizeof spec->text)
        return error_set(error, EXIT_USAGE, NULL, 0, "a link of at most 299 characters",
                         "found %zu", strlen(text));
    snprintf(spec->text, sizeof spec->text, "%s", text);
    char copy[sizeof spec->text];
    snprintf(copy, sizeof copy, "%s", text);
    char *place = strchr(copy, ':');
    if (place)
        *place++ = '\0';
    size_t kind = 0;
    while (kind < sizeof kinds / sizeof *kinds && strcmp(kinds[kind].name, copy) != 0)
        kind++;
    if (!place || kind == sizeof kinds / sizeof *kinds)
        return error_set(error, EXIT_USAGE, spec->text, 0,
                         "serial:, tcp:, usbtmc:, modbus-rtu:, modbus-tcp: or modbus-rtu-tcp: "
                         "and a place",
                         "found %s\"%s\"", place ? "link kind " : "", copy);
    spec->kind = kinds[kind].kind;
    spec->baud = kinds[kind].baud;
    spec->address = kinds[kind].unit ? 1 : 0;
    char *keys = strchr(place, '?');
    if (keys)
        *keys++ = '\0';
    if (kinds[kind].host) {
        if (read_host(place, spec, error) != 0)
            return -1;
    } else if (read_device(place, spec, error) != 0) {
        return -1;
    }
    unsigned seen = 0;
    for (char *rest = keys, *pair; rest && (pair = strsep(&rest, "&")) != NULL;)
        if (read_key(kind, pair, spec, &seen, error) != 0)
            return -1;
    return 0;
}
