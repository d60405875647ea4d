/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's own reading of a profile file: what it speaks, how
 * finely it reads back, where its registers are, which messages it knows. It is
 * written from the documented format and shares no code with the side that
 * asks, so that the two can disagree.
 *
 * Keys that only the asking side needs (time-outs, accuracy) are passed over.
 */
#ifndef WAKEDRAW_SIMULATE_SUPPLY_MAP_H
#define WAKEDRAW_SIMULATE_SUPPLY_MAP_H

#include "base/error.h"

#include <stdbool.h>

enum word_type { WORD_U16, WORD_S16, WORD_U32, WORD_S32, WORD_F32 };

struct map_quantity {
    bool known;
    int function; /* it is read by: 3 or 4 */
    int address;
    enum word_type type;
    bool low_word_first, low_byte_first;
    double scale; /* register x scale = volts or amperes */
};

enum { MAP_MOST_VALUES = 4 };

/* `width` bits of a register from `bit` on; 1 bit of a coil or discrete input. */
struct map_flag {
    bool known;
    int function; /* it is read by: 1 to 4; of what is written: 1 or 3 */
    int address, bit, width;
    bool inverted;
    int values[MAP_MOST_VALUES], value_count; /* these numbers mean yes; 0: all but 0 */
};

enum message_name {
    MESSAGE_IDENTIFY,
    MESSAGE_ERROR,
    MESSAGE_READ,
    MESSAGE_READ_VOLTAGE,
    MESSAGE_READ_CURRENT,
    MESSAGE_READ_OUTPUT,
    MESSAGE_READ_LIMITED,
    MESSAGE_QUERY_VOLTAGE,
    MESSAGE_QUERY_LIMIT,
    MESSAGE_SET_VOLTAGE,
    MESSAGE_SET_LIMIT,
    MESSAGE_OUTPUT_ON,
    MESSAGE_OUTPUT_OFF,
    MESSAGE_QUERY_PROTECTION,
    MESSAGE_SET_PROTECTION,
    MESSAGE_QUERY_SELECTION,
    MESSAGE_SELECT,
    MESSAGE_REMOTE,
    MESSAGE_LOCAL,
    MESSAGE_COUNT,
};

/* END_GAP: nothing but a silence ("none" for messages, "gap" for replies). */
enum message_end { END_LF, END_CR, END_CRLF, END_GAP };

struct supply_map {
    char path[512];
    bool modbus;                       /* else SCPI */
    double resolution_A, resolution_V; /* 0: not stated */
    double rated_V, rated_A;           /* 0: not stated */
    int outputs;
    /* modbus */
    int function; /* 3 holding or 4 input registers for what is read */
    int output_step, coil_step;
    struct map_quantity voltage, current, set_voltage, set_limit, set_protection;
    struct map_quantity query_voltage, query_limit, query_protection;
    struct map_flag output_on, limited, set_output;
    int set_output_function; /* 5, or what set_function says */
    int output_values[2];    /* on, off */
    bool remote_known;       /* nothing else is written before this is */
    int remote_address, remote_value, remote_function;
    /* scpi */
    char messages[MESSAGE_COUNT][120]; /* "": not stated, or none */
    int output_bit, limited_bit;       /* -1: the number is 0 or 1 */
    double array_interval_s;           /* 0: no arrays */
    int array_float_bytes;             /* 0: a list */
    bool array_little;
    bool output_inverted, limited_inverted, state_byte;
    enum message_end message_end, reply_end;
};

/* A profile's name or path. -1 with file, line, key and what was expected. */
int supply_map_read(const char *name_or_path, struct supply_map *map, struct error *error);

#endif
