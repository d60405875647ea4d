/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The SCPI conversation: one message out, its reply back, strictly in turn;
 * and back in step after anything else. Private to this room.
 */
#ifndef WAKEDRAW_SUPPLY_SCPI_H
#define WAKEDRAW_SUPPLY_SCPI_H

#include "supply/supply_private.h"

enum { SCPI_REPLY = 512, SCPI_MESSAGE = 500 };

struct scpi {
    char in[16384]; /* received, not yet taken */
    size_t in_count;
    enum line_end reply_end;
    bool out_of_step;  /* resynchronise before the next question */
    bool babbles;      /* bytes come without end */
    bool late;         /* a reply may still come */
    bool remote;       /* was taken into remote state by us */
    double asked_s;    /* when the last message had been handed over */
    double answered_s; /* when the first byte of its reply came */
    double whole_s;    /* when its reply was whole */
    size_t reply_chars;
    int failures;  /* of readings, in a row */
    int regained;  /* how often it came into step since a reading was had */
    bool doubtful; /* the first answer after that may be to a question before it */
    int selected;  /* the output last told to be selected; 0: not known */
};

enum answer {
    ANSWER_WHOLE,
    ANSWER_SILENT,     /* nothing, or no whole line, within the time */
    ANSWER_CONFUSED,   /* bytes that nobody asked for, a line without end */
    ANSWER_BROKEN_OFF, /* connection_hurry: nothing went out */
    ANSWER_GONE,
};

/* Sends the message, which without control may only ask. */
enum answer scpi_send(struct connection *connection, const char *message, bool control);

/* How many characters end a message. */
size_t scpi_terminator_chars(const struct connection *connection);
/* Sends it at once, whatever has come in or is still to come: only for what cannot wait.
 * -1: the link is gone. */
int scpi_send_now(struct connection *connection, const char *message, bool control);

/* The next line that is neither empty nor the message's own echo (`sent` may
 * be NULL), its end taken off. */
enum answer scpi_line(struct connection *connection, const char *sent, double deadline_s,
                      char reply[SCPI_REPLY]);

/* Waits for more bytes of a reply: 1 for some, 0 for none by the deadline, -1: the link
 * is gone. */
int scpi_more(struct connection *connection, double deadline_s);

/* After the last line of an answer: has more come? */
enum answer scpi_nothing_more(struct connection *connection);

/* scpi_send, then scpi_line within the profile's timeout (or a shorter one). */
enum answer scpi_ask_within(struct connection *connection, const char *message, bool control,
                            double timeout_s, char reply[SCPI_REPLY]);
enum answer scpi_ask(struct connection *connection, const char *message, bool control,
                     char reply[SCPI_REPLY]);

/* After silence or confusion: waits out what is under way, throws it away, and
 * asks who is there until the identity comes back. 0, or -1: gone or someone
 * else; close and open again. */
int scpi_resynchronise(struct connection *connection);

/* Takes entries from the error queue until it is empty (30 at most); how many
 * there were, -1 where the supply has no such query or does not answer it. The
 * first one's text goes into `text` (may be NULL). */
int scpi_take_errors(struct connection *connection, char *text, size_t size);

/* One number, or a state of 0 or 1, for a query; false where there is none to
 * be had (the conversation is back in step then, or `gone` is set). */
bool scpi_ask_number(struct connection *connection, const char *message, bool control, char unit,
                     double *number, bool *gone);
/* The output's state: 0, 1, or -1. */
int scpi_ask_flag(struct connection *connection, const char *message, bool control, bool *gone);

/* How one reading of an output is asked for; found out once (scpi_plan.c). */
struct scpi_plan {
    char message[SCPI_MESSAGE]; /* asks for all at once; "" where it cannot be */
    char voltage[SCPI_MESSAGE], current[SCPI_MESSAGE];       /* by themselves */
    char output[SCPI_MESSAGE], limited[SCPI_MESSAGE];        /* "": the supply does not tell */
    char settings[SCPI_MESSAGE];                             /* both set points at once, or "" */
    char set_voltage[SCPI_MESSAGE], set_limit[SCPI_MESSAGE]; /* their queries, or "" */
    char protection[SCPI_MESSAGE];                           /* the same, with control */
    bool select;        /* the selection is read with every reading, and checked */
    bool flags_joined;  /* `message` asks for the output's state and the limit too */
    bool limited_apart; /* nothing else tells of the limit: asked with every reading */
    size_t fields, lines;
    struct scpi_array *array; /* NULL: read one by one */
};
void scpi_plan_free(struct scpi_plan *plan);

/* Conversions that the supply takes by itself, handed on one by one. */
struct scpi_array {
    char voltage[SCPI_MESSAGE], current[SCPI_MESSAGE];
    size_t count;
    double interval_s;
    double values_V[MOST_ARRAY], values_A[MOST_ARRAY], first_s;
    size_t next; /* of those not handed on yet; `count`: none */
    double last_s;
};

/* Tries whether the supply gives arrays, in accord with its single readings. NULL: it
 * does not (or *gone). */
struct scpi_array *scpi_array_make(struct supply *supply, const struct scpi_plan *plan, bool *gone);

/* Takes an acquisition where none is left to hand on; ANSWER_WHOLE: there is one now.
 * Then the next conversion of it. */
enum answer scpi_array_fill(struct supply *supply, struct scpi_array *array);
bool scpi_array_next(struct supply *supply, struct scpi_array *array, struct reading *reading);

/* An array as the profile says it is told, taken from what has come in: WHOLE, or
 * CONFUSED where it is none of so many numbers. SILENT: not all of it is there. */
enum answer scpi_take_array(struct connection *connection, size_t count, double values[]);

/* Tries out what the supply answers properly. NULL with the error filled: it
 * does not answer the readings at all (*gone: close the link). */
struct scpi_plan *scpi_plan_make(struct supply *supply, bool *gone, struct error *error);

/* With selection: is this output the selected one, selecting it if we may. */
enum supply_result scpi_select(struct supply *supply, struct error *error);

/* The fields of a joined reading: selection (if any), voltage, current, and
 * perhaps output and limited. */
struct scpi_values {
    enum scpi_outcome {
        SCPI_VALUES_GOOD,
        SCPI_VALUES_OVERFLOW,
        SCPI_VALUES_STRANGE, /* numbers, but not written as this supply writes them */
        SCPI_VALUES_BAD
    } state;
    int selected;
    double voltage_V, current_A;
    enum known_flag output_on, limited;
};
enum answer scpi_ask_joined(struct supply *supply, const struct scpi_plan *plan,
                            struct scpi_values *values);

/* Is the field written as this supply writes that quantity? What is missing at its
 * end may still come: the conversation is out of step then. */
enum scpi_familiar scpi_check_form(struct supply *supply, enum scpi_quantity quantity,
                                   const char *field, const char *query, double value);

/* What the answer to read_output or read_limited tells, by the profile's bit. */
enum known_flag scpi_output_flag(const struct scpi_profile *profile, const char *field);
enum known_flag scpi_bit_flag(const struct state_bit *bit, double number);

/* Asks for one of the two by itself, within so long: a number or a byte.
 * ANSWER_WHOLE with FLAG_UNKNOWN: an answer that tells no state. */
enum answer scpi_ask_state(struct connection *connection, const char *message,
                           const struct state_bit *bit, bool control, double timeout_s,
                           enum known_flag *state);

enum supply_result scpi_read(struct supply *supply, struct reading *reading, struct error *error);
enum supply_result scpi_switch_output(struct supply *supply, bool on, struct error *error);
enum supply_result scpi_off(struct supply *supply, struct error *error);
enum supply_result scpi_confirm_off(struct supply *supply, struct error *error);
enum supply_result scpi_read_settings(struct supply *supply, struct error *error);
bool scpi_tells_output(const struct supply *supply);
enum supply_result scpi_set(struct supply *supply, double voltage_V, double limit_A,
                            struct error *error);

#endif
