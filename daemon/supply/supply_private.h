/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a connection, its outputs and the two ways of speaking share.
 */
#ifndef WAKEDRAW_SUPPLY_SUPPLY_PRIVATE_H
#define WAKEDRAW_SUPPLY_SUPPLY_PRIVATE_H

#include "supply/profile_content.h"
#include "supply/renewal.h"
#include "supply/scpi_form.h"
#include "supply/supply.h"
#include "supply/wire_pace.h"

#include <stdatomic.h>

enum { MOST_OUTPUTS = 64 };

/* A way of speaking. Each entry works on an open link. */
struct dialect {
    /* Before anything is said on a new link. */
    int (*begin)(struct connection *connection, struct error *error);
    /* What is heard first: identity filled, stale bytes cleared. */
    int (*open)(struct connection *connection, struct error *error);
    /* Last words before the link closes; may be called with the link gone. */
    void (*close)(struct connection *connection);
    enum supply_result (*read)(struct supply *supply, struct reading *reading, struct error *error);
    enum supply_result (*switch_output)(struct supply *supply, bool on, struct error *error);
    enum supply_result (*set)(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error);
    enum supply_result (*off)(struct supply *supply, struct error *error);
    enum supply_result (*confirm_off)(struct supply *supply, struct error *error);
    enum supply_result (*read_settings)(struct supply *supply, struct error *error);
    bool (*tells_output)(const struct supply *supply);
    void (*forget)(struct supply *supply); /* what was learned of an output: open again */
    void (*destroy)(struct connection *connection);
};

extern const struct dialect scpi_dialect;
extern const struct dialect modbus_dialect;

struct scpi;   /* scpi.h */
struct modbus; /* modbus.c */
struct scpi_plan;
struct modbus_plan;

struct connection {
    const struct profile *profile;
    struct link_spec spec;
    const struct dialect *dialect;
    struct link *link; /* NULL: not open */
    bool is_open;      /* and it answers */
    atomic_bool hurry; /* from another thread: nothing goes out but off */
    bool broken_off;   /* something did not go out for that */
    struct scpi *scpi; /* of the one dialect or the other */
    struct modbus *modbus;
    struct supply *outputs[MOST_OUTPUTS];
    int output_count;
    char identity[160], known_identity[160]; /* now, and when the plans were made */
    bool rests;
    struct link_known known; /* which USB device it was on */
    struct wire_pace pace;
    struct wire_cost cost; /* of the last reading */
    struct wire_rate rate;
    uint64_t transactions, timeouts, garbled, resynchronised, supply_errors, repeats;
};

struct supply {
    struct connection *connection;
    int output;
    bool control;
    struct scpi_plan *scpi_plan;
    struct modbus_plan *modbus_plan;
    struct scpi_forms forms[SCPI_QUANTITIES]; /* kept while it is the same supply */
    struct renewal renewal;
    double array_interval_s;           /* the supply times its conversions itself; 0: it does not */
    double set_voltage_V, set_limit_A; /* NAN: not known */
    double settings_due_s;             /* when they are to be asked for again */
    double settings_read_s;
    /* The output's state as last told, and the voltage it was told at. */
    enum known_flag output_on;
    double output_told_V, output_due_s;
    int output_word; /* Modbus: the register that switches, as last read; -1: not known */
    double output_word_s;
    int limited_agreed; /* the supply's own word against what the set points say */
};

/* Before each message and each wait for something that was not asked for: true, it
 * is to be left, for something more urgent. */
bool connection_breaks_off(struct connection *connection);

/* What was broken off failed for no other reason: SUPPLY_BROKEN_OFF, no error. */
enum supply_result connection_sort_out(struct connection *connection, enum supply_result result,
                                       struct error *error);

/* Counts a reading's round trip, whole at `whole_s`. */
void connection_note_round_trip(struct connection *connection, double seconds, double whole_s,
                                const struct wire_cost *cost);

/* A number that this supply can have read: within its ratings and a tenth. */
bool supply_voltage_plausible(const struct supply *supply, double voltage_V);
bool supply_current_plausible(const struct supply *supply, double current_A);

/* Fills in the flags that a reading did not bring: the output's last told state
 * while the voltage stands where it stood then; the limit from the set points.
 * `limited` is the supply's own word, if it has one. */
void supply_complete(struct supply *supply, struct reading *reading, enum known_flag output_on,
                     enum known_flag limited);

/* Is it time to ask for the output's state, or the set points, by themselves? */
bool supply_output_due(const struct supply *supply, double now_s);
bool supply_settings_due(const struct supply *supply, double now_s);
void supply_note_output(struct supply *supply, enum known_flag output_on, double voltage_V,
                        double now_s);
void supply_note_settings(struct supply *supply, double voltage_V, double limit_A, double now_s);

/* Fills the error with the connection's link in front; returns the result. */
enum supply_result supply_fail(const struct connection *connection, enum supply_result result,
                               struct error *error, const char *what, ...)
    __attribute__((format(printf, 4, 5)));

#endif
