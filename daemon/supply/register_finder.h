/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Which registers of an undocumented Modbus supply hold what. The user turns the
 * front panel to what is asked for; all registers there are get read in each such
 * step, three times over; what follows the panel in every step is what it is
 * taken for, in the one form (width, word order, scale) that fits them all. Several
 * registers that hold the same are told as such, after one more step for them. Pure.
 *
 *   finder = finder_create(...); finder_registers(finder, ...);
 *   while (finder_next(finder, &step)) { ... finder_add(finder, &answer, words); }
 *   finder_finding(finder, FINDER_VOLTAGE, &finding); finder_profile(finder, ...);
 */
#ifndef WAKEDRAW_SUPPLY_REGISTER_FINDER_H
#define WAKEDRAW_SUPPLY_REGISTER_FINDER_H

#include "base/error.h"
#include "supply/profile_content.h"

#include <stddef.h>
#include <stdint.h>

enum {
    FINDER_MOST_REGISTERS = 8192,
    FINDER_MOST_STEPS = 14,
    FINDER_LOOKS = 3, /* in each step */
};

/* What is at the ends of the leads: nothing; a resistor that is known; the leads
 * joined; something else, of which the panel tells what it draws. */
enum finder_load { FINDER_NOTHING, FINDER_RESISTOR, FINDER_JOINED, FINDER_OTHER };

struct finder_supply {
    double rated_voltage_V, rated_current_A; /* what it can give */
    double most_voltage_V, most_current_A;   /* what is allowed now; asked for at most */
    double step_V, step_A;                   /* the last digit of its panel */
    enum finder_load load;                   /* what can be connected when it is asked for */
    double load_ohm, load_W;                 /* of a resistor */
};

struct finder_step {
    int number, of; /* from 1; how many there will be as far as is known */
    double set_voltage_V, set_limit_A;
    bool output_on, limited; /* limited: the limit is to hold */
    enum finder_load connected;
    char words[400]; /* all of it, to be shown */
};

/* What the panel shows; NAN: as asked, or not told. */
struct finder_answer {
    double set_voltage_V, set_limit_A;       /* as set */
    double shown_voltage_V, shown_current_A; /* as measured */
};

struct finder_register {
    int function, address; /* 3 or 4 */
};

enum finder_quantity {
    FINDER_VOLTAGE,
    FINDER_CURRENT,
    FINDER_SET_VOLTAGE,
    FINDER_SET_LIMIT,
    FINDER_OUTPUT_ON,
    FINDER_LIMITED,
    FINDER_QUANTITIES,
};

struct finder_finding {
    enum finder_state {
        FINDER_NOT_YET, /* too few steps, or several that another step would tell apart */
        FINDER_FOUND,
        FINDER_NONE, /* no register follows */
    } state;
    struct register_quantity quantity; /* of the first four */
    struct register_flag flag;         /* of the last two */
    int registers;                     /* how many fit */
    double needs;                      /* above this number the word order shows; 0: it is known */
    char words[240];                   /* for people: where, in which form, what else */
};

struct finder;

/* NULL with the error filled (EXIT_USAGE, the field at fault in `file`). */
struct finder *finder_create(const struct finder_supply *supply, struct error *error);
void finder_destroy(struct finder *finder);

/* What there is to read, in order of function and address; once, before the first
 * step. -1: too many, or memory is out. */
int finder_registers(struct finder *finder, const struct finder_register *registers, size_t count);

/* What the user is to do next; false: there is nothing more that would help. */
bool finder_next(const struct finder *finder, struct finder_step *step);

/* What was read in that step: the words of all registers, look after look. -1 where
 * the answer does not fit what is allowed (error filled) or there is no room. */
int finder_add(struct finder *finder, const struct finder_answer *answer, const uint16_t *words,
               struct error *error);

/* The last step again: it was not as it should have been. */
void finder_take_back(struct finder *finder);

void finder_finding(const struct finder *finder, enum finder_quantity quantity,
                    struct finder_finding *finding);
const char *finder_quantity_name(enum finder_quantity quantity); /* "set voltage" */

/* Enough for a profile that reads: voltage and current. */
bool finder_is_enough(const struct finder *finder);

/* The profile as text, malloc'd; NULL: not enough, or memory is out. `link` is
 * named in its head. */
char *finder_profile(const struct finder *finder, const char *link);

#endif
