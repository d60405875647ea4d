/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The Modbus conversation, for reading (modbus.c) and for setting (modbus_set.c).
 */
#ifndef WAKEDRAW_SUPPLY_MODBUS_PRIVATE_H
#define WAKEDRAW_SUPPLY_MODBUS_PRIVATE_H

#include "supply/modbus_map.h"
#include "supply/supply_private.h"

#include <modbus.h>

struct modbus {
    modbus_t *context;
    double silence_s; /* between two frames on a line */
    double ended_s;   /* of the last frame */
    bool out_of_step;
    bool late;   /* an answer may still come */
    bool remote; /* was taken into remote state by us */
};

enum { MOST_BLOCKS = 4 };

/* How an output is read: one block with all of it, or apart. At this output's
 * addresses; a block's number is -1 where nothing of it comes with a reading. */
struct modbus_plan {
    struct register_quantity voltage, current, set_voltage, set_limit;
    struct register_quantity query_voltage, query_limit, query_protection; /* read back here */
    struct register_flag output_on, limited, set_output;
    struct register_block blocks[MOST_BLOCKS];
    int block_count;
    int voltage_block, current_block, output_block, limited_block;
};

enum outcome { OUTCOME_GOOD, OUTCOME_EXCEPTION, OUTCOME_SILENT, OUTCOME_GARBLED, OUTCOME_GONE };

/* Around a request of the library. The one door to the wire: without control no function
 * goes out that is not for reading; the silence is kept and what is stale thrown away. Then
 * how it went. */
enum outcome modbus_begin(struct connection *connection, int function, bool control);
enum outcome modbus_end(struct connection *connection, int result);

enum outcome modbus_read_words(struct connection *connection, int function, int address, int count,
                               uint16_t *words);
/* By function 5, 6 or 16; one word for the first two. */
enum outcome modbus_write_words(struct connection *connection, bool control, int function,
                                int address, int count, const uint16_t *words);
enum outcome modbus_read_block(struct connection *connection, struct register_block *block);

/* Finds out which blocks the supply gives (modbus_plan.c); GOOD: the supply has its plan. */
enum outcome modbus_find_plan(struct supply *supply);
enum outcome modbus_read_flag(struct supply *supply, const struct register_flag *flag,
                              enum known_flag *state);
enum outcome modbus_read_set_point(struct supply *supply, const struct register_quantity *quantity,
                                   double *number);

/* In step and with a plan; `known`: the map has the register. */
enum supply_result modbus_ready(struct supply *supply, bool known, struct error *error);

/* Fills the error with what an outcome means. */
enum supply_result modbus_failed(struct supply *supply, enum outcome outcome, struct error *error);

enum supply_result modbus_switch_output(struct supply *supply, bool on, struct error *error);
enum supply_result modbus_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error);

#endif
