/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/endpoint.h"

#include "base/number.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    enum endpoint_speech speech;
    bool terminal;
} kinds[] = {
    {"tcp", SPEECH_SCPI, false},
    {"serial", SPEECH_SCPI, true},
    {"modbus-tcp", SPEECH_MODBUS_TCP, false},
    {"modbus-rtu", SPEECH_MODBUS_RTU, true},
    {"modbus-rtu-tcp", SPEECH_MODBUS_RTU, false},
};

static int whole_number(const char *text, double low, double high, double *number)
{
    return number_parse_whole(text, number) && *number >= low && *number <= high &&
                   *number == floor(*number)
               ? 0
               : -1;
}

static int read_options(char *options, const char *text, struct endpoint *endpoint,
                        struct error *error)
{
    char *place = NULL;
    for (char *one = strtok_r(options, "&", &place); one; one = strtok_r(NULL, "&", &place)) {
        double number = 0;
        if (strncmp(one, "baud=", 5) == 0) {
            if (whole_number(one + 5, 300, 921600, &number) != 0)
                return error_set(error, EXIT_USAGE, text, 0, "baud=300..921600", "found \"%s\"",
                                 one);
            endpoint->baud = number;
        } else if (strncmp(one, "address=", 8) == 0) {
            if (whole_number(one + 8, 1, 247, &number) != 0)
                return error_set(error, EXIT_USAGE, text, 0, "address=1..247", "found \"%s\"", one);
            endpoint->address = (int)number;
        } else if (strcmp(one, "parity=none") != 0 && strcmp(one, "stop=1") != 0) {
            return error_set(error, EXIT_USAGE, text, 0, "baud=N, address=N, parity=none or stop=1",
                             "found \"%s\"", one);
        }
    }
    return 0;
}

static int read_host(char *place, const char *text, struct endpoint *endpoint, struct error *error)
{
    char *colon = strrchr(place, ':');
    double port = 0;
    if (!colon || colon == place || whole_number(colon + 1, 0, 65535, &port) != 0)
        return error_set(error, EXIT_USAGE, text, 0, "HOST:PORT with a port from 0 to 65535",
                         "found \"%s\"", place);
    *colon = '\0';
    /* [::1]:5025 */
    size_t length = strlen(place);
    if (place[0] == '[' && place[length - 1] == ']') {
        place[length - 1] = '\0';
        place++;
    }
    if ((size_t)snprintf(endpoint->host, sizeof endpoint->host, "%s", place) >=
        sizeof endpoint->host)
        return error_set(error, EXIT_USAGE, text, 0, "a shorter name", "host name too long");
    endpoint->port = (int)port;
    return 0;
}

int endpoint_parse(const char *text, struct endpoint *endpoint, struct error *error)
{
    char copy[300];
    if ((size_t)snprintf(copy, sizeof copy, "%s", text) >= sizeof copy)
        return error_set(error, EXIT_USAGE, "link", 0, "at most 299 characters", "found more");
    char *colon = strchr(copy, ':');
    if (colon)
        *colon = '\0';
    for (size_t i = 0; colon && i < sizeof kinds / sizeof *kinds; i++) {
        if (strcmp(copy, kinds[i].name) != 0)
            continue;
        *endpoint = (struct endpoint){
            .speech = kinds[i].speech, .terminal = kinds[i].terminal, .address = 1};
        snprintf(endpoint->kind, sizeof endpoint->kind, "%s", kinds[i].name);
        char *place = colon + 1;
        char *question = strchr(place, '?');
        if (question) {
            *question = '\0';
            if (read_options(question + 1, text, endpoint, error) != 0)
                return -1;
        }
        if (!endpoint->terminal)
            return read_host(place, text, endpoint, error);
        size_t length = (size_t)snprintf(endpoint->path, sizeof endpoint->path, "%s", place);
        if (length == 0 || length >= sizeof endpoint->path)
            return error_set(error, EXIT_USAGE, text, 0, "a path of 1 to 107 characters",
                             "found %zu", length);
        return 0;
    }
    return error_set(error, EXIT_USAGE, text, 0,
                     "tcp:HOST:PORT, serial:PATH, modbus-tcp:HOST:PORT, modbus-rtu:PATH or "
                     "modbus-rtu-tcp:HOST:PORT",
                     "no such link");
}
