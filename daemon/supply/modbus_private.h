/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The Modbus conversation, for reading (modbus.c) and for setting (modbus_set.c).
 */
#ifndef WAKEDRAW_SUPPLY_MODBUS_PRIVATE_H
#define WAKEDRAW_SUPPLY_MODBUS_PRIVATE_H

#include "supply/modbus_frame.h"
#include "supply/modbus_map.h"
#include "supply/supply_private.h"

struct modbus {
    struct modbus_frames *frames; /* on the link that is open */
    double silence_s;             /* between two frames on a line */
    double ended_s;               /* of the last frame */
    bool out_of_step;
    bool late;       /* an answer may still come */
    bool remote;     /* was taken into remote state by us */
    bool urgent;     /* what goes out now is off */
    bool unanswered; /* the last question was, or not soundly */
    uint16_t number; /* of the last question, over TCP */
    int exception;   /* the last one's code */
    int regained;    /* how often it came into step since a reading was had */
    bool doubtful;   /* the first answer after that may be to a question before it */
};

/* Exception codes (application protocol V1.1b3, 7) that are told apart. */
enum {
    MODBUS_ILLEGAL_FUNCTION = 1,
    MODBUS_ILLEGAL_ADDRESS = 2,
    MODBUS_ILLEGAL_VALUE = 3,
    MODBUS_ACKNOWLEDGE = 5,
    MODBUS_BUSY = 6,
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
    struct register_block settings; /* both set points, unless there is a gap between */
    bool settings_apart;
    int voltage_block, current_block, output_block, limited_block;
};

enum outcome {
    OUTCOME_GOOD,
    OUTCOME_EXCEPTION,
    OUTCOME_SILENT,
    OUTCOME_GARBLED,
    OUTCOME_BROKEN_OFF, /* nothing went out */
    OUTCOME_GONE,
};

/* One question and its answer (modbus_wire.c). Without control no function goes
 * out that is not for reading. Functions 1 to 4; of 1 and 2 a word is 0 or 1. */
enum outcome modbus_read_words(struct connection *connection, int function, int address, int count,
                               uint16_t *words);

/* Functions 5, 6, 15 and 16; of 5 and 15 a word is 0 or 1. */
enum outcome modbus_write_words(struct connection *connection, bool control, int function,
                                int address, int count, const uint16_t *words);
const char *modbus_exception_text(int code);

enum outcome modbus_read_block(struct connection *connection, struct register_block *block);

/* Into remote state, or back out of it, where an output may be switched. */
enum outcome modbus_write_state(struct connection *connection, const struct register_word *state);

/* What switches this output, with a plan or without. */
struct register_flag modbus_output_switch(const struct supply *supply);

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
enum supply_result modbus_off(struct supply *supply, struct error *error);
enum supply_result modbus_confirm_off(struct supply *supply, struct error *error);
enum supply_result modbus_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error);

#endif
