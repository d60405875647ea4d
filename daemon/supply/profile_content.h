/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What stands in a profile, for those who speak by it: the supply room and the
 * simulated supply. Everyone else takes profile.h. daemon/profiles/README.md
 * says what each key means.
 */
#ifndef WAKEDRAW_SUPPLY_PROFILE_CONTENT_H
#define WAKEDRAW_SUPPLY_PROFILE_CONTENT_H

#include "supply/profile.h"

#include <stdbool.h>

enum profile_speaks { PROFILE_SCPI, PROFILE_MODBUS };

/* How a message or a reply ends. AUTO: learned from the first reply; GAP: by
 * nothing but a silence (after a reply, of reply_gap_s). */
enum line_end { LINE_END_AUTO, LINE_END_LF, LINE_END_CR, LINE_END_CRLF, LINE_END_GAP };

/* How an array of conversions is told: numbers with commas between, or a
 * definite-length block of binary floats (IEEE 488.2, 8.7.9). */
enum array_form { ARRAY_LIST, ARRAY_F32, ARRAY_F64 };

/* Which bit of a number tells a state; -1: the number itself, not 0. */
struct state_bit {
    int bit;
    bool inverted;
};

/* Messages, "" where the supply has none. {output} stands for the output's
 * number, {value} for a number in SI units. */
struct scpi_profile {
    char identify[120], clear[120], error[120];
    char read[120], read_voltage[120], read_current[120], read_output[120], read_limited[120];
    char query_voltage[120], query_limit[120], set_voltage[120], set_limit[120];
    char output_on[120], output_off[120];
    char query_protection[120], set_protection[120];
    char query_selection[120], select[120];
    char remote[120], local[120];
    struct state_bit output_bit, limited_bit; /* of read_output's and read_limited's number */
    bool state_byte; /* both are answered by one byte instead of a number in digits */
    /* Conversions taken one after the other by the supply; {count} stands for how
     * many. array_current asks for the currents of the same acquisition. */
    char array_voltage[120], array_current[120], query_array_interval[120];
    int array_count;
    double array_interval_s; /* from one conversion to the next; NAN: asked for */
    enum array_form array_form;
    bool array_little; /* the low byte of a float comes first */
    enum line_end terminator, reply_end;
    double reply_gap_s;
};

enum register_type {
    REGISTER_U16,
    REGISTER_S16,
    REGISTER_U32,
    REGISTER_S32,
    REGISTER_F32,
};

struct register_quantity {
    bool known;
    int function; /* it is read by: 3 or 4 */
    int address;  /* as sent, from 0 */
    enum register_type type;
    bool little;  /* the low word comes first */
    bool swapped; /* in each register the low byte comes first */
    double scale; /* number in the register x scale = volts or amperes */
};

enum { MOST_STATES = 4 };

/* A state: one bit of a register, some neighbouring bits of it, all of it; or
 * one coil or discrete input. */
struct register_flag {
    bool known;
    int function; /* it is read by: 1 coils, 2 discrete inputs, 3 or 4 */
    int address;
    int bit;  /* the lowest one of it; 0: the register's lowest */
    int bits; /* how many, up to 16; 0 stands for 1 */
    bool inverted;
    int values[MOST_STATES]; /* the bits as a number: these mean yes */
    int value_count;         /* 0: any number but 0 does */
};

/* One register or coil and what is written to it. */
struct register_word {
    bool known;
    int address, value;
};

struct modbus_profile {
    int function;     /* 3 or 4, of what states no function of its own; 0: nothing does */
    int set_function; /* 6 or 16, for writing set points */
    /* query_*: where a set point is read back; not known: where it is written.
     * The protection is against overvoltage. */
    struct register_quantity voltage, current, set_voltage, set_limit, set_protection;
    struct register_quantity query_voltage, query_limit, query_protection;
    struct register_flag output_on, limited;
    /* Written by set_output_function (5, 6 or 16), read by its `function` (1, 3)
     * where only some bits of the register are ours. output_words: on, off. */
    struct register_flag set_output;
    int set_output_function, output_words[2];
    struct register_word remote, local; /* with control: written at opening, at closing */
    int remote_function;                /* 5, 6 or 16 */
    int output_step;                    /* registers from one output's map to the next */
    int coil_step;                      /* the same of coils and discrete inputs */
    double byte_timeout_s;
    double silence_s; /* between frames on a line; 0: the specification's */
};

struct profile {
    char path[512];
    char name[64];
    char description[160];
    enum profile_speaks speaks;
    struct accuracy accuracy;
    double rated_voltage_V, rated_current_A; /* NAN: not stated */
    int outputs;                             /* how many it has */
    double reply_timeout_s;
    struct scpi_profile scpi;
    struct modbus_profile modbus;
};

enum { MOST_ARRAY = 1000 };

/* How many registers a type takes: 1 or 2. */
int register_width(enum register_type type);

/* The file that a profile's name or path stands for, into path. -1 with the
 * error filled (EXIT_NO_INPUT) where none is found. */
int profile_find(const char *name_or_path, char *path, unsigned long size, struct error *error);

/* Where installed profiles are looked for, in order; how many. */
int profile_directories(char directories[4][512]);

#endif
