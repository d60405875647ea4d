/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Where the simulated supply can be reached, as text:
 *
 *   tcp:HOST:PORT             serial:PATH
 *   modbus-tcp:HOST:PORT      modbus-rtu:PATH      modbus-rtu-tcp:HOST:PORT
 *
 * Port 0 takes a free one; PATH becomes a link to a pseudo-terminal. `?baud=N`
 * keeps that line rate, `?address=N` is the Modbus unit (1).
 */
#ifndef WAKEDRAW_SIMULATE_ENDPOINT_H
#define WAKEDRAW_SIMULATE_ENDPOINT_H

#include "base/error.h"

#include <stdbool.h>

enum endpoint_speech { SPEECH_SCPI, SPEECH_MODBUS_TCP, SPEECH_MODBUS_RTU };

struct endpoint {
    char kind[16]; /* "tcp", as given */
    enum endpoint_speech speech;
    bool terminal; /* a pseudo-terminal, else a TCP socket */
    char host[128];
    int port;
    char path[108];
    int address;
    double baud; /* 0: as fast as it goes */
};

/* -1 with what was found and what is expected. */
int endpoint_parse(const char *text, struct endpoint *endpoint, struct error *error);

#endif
