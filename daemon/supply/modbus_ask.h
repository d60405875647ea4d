/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Reading registers of a unit of which nothing is known yet, on a line whose
 * rate may be wrong: functions 3 and 4 (Modbus application protocol V1.1b3, 6.3
 * and 6.4) and nothing else, as RTU frames or behind the TCP header. What has no
 * sound checksum, another number or another length is no answer.
 */
#ifndef WAKEDRAW_SUPPLY_MODBUS_ASK_H
#define WAKEDRAW_SUPPLY_MODBUS_ASK_H

#include "link/link.h"

#include <stdbool.h>
#include <stdint.h>

struct modbus_asker {
    struct link *link; /* open; not owned */
    struct link_spec spec;
    double timeout_s; /* from the request's end to the answer's first byte */
    double ended_s;   /* of the last frame */
    bool late;        /* an answer may still come */
    uint16_t number;  /* of the last request, over TCP */
    uint64_t requests;
};

enum modbus_answer {
    MODBUS_ANSWER_WORDS,
    MODBUS_ANSWER_EXCEPTION,
    MODBUS_ANSWER_OTHER_UNIT, /* of a unit asked earlier; on a line it may be noise */
    MODBUS_ANSWER_NOISE,
    MODBUS_ANSWER_SILENCE,
    MODBUS_ANSWER_GONE,
};

/* One question (`function` 3 or 4, `count` 1 to 125) to `unit` and its answer.
 * *code, which may be NULL: an exception's number, or the other unit's. */
enum modbus_answer modbus_ask(struct modbus_asker *asker, int unit, int function, int address,
                              int count, uint16_t *words, int *code);

#endif
