/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi.h"

#include "base/clock.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* How long a setting may take to be read back as set. */
static const double TAKES_EFFECT_S = 0.5;
static const double ASKED_AGAIN_S = 0.02;
static const double OFF_AGAIN_S = 0.1;

static enum supply_result tell(struct supply *supply, const char *message, double value,
                               struct error *error)
{
    struct connection *connection = supply->connection;
    char text[SCPI_MESSAGE];
    if (!scpi_text_fill(message, supply->output, value, text, sizeof text))
        return supply_fail(connection, SUPPLY_NO_READING, error, "\"%s\" is too long", message);
    enum answer answer = scpi_send(connection, text, true);
    if (answer == ANSWER_CONFUSED && scpi_resynchronise(connection) == 0)
        answer = scpi_send(connection, text, true);
    /* Where nothing ends a message, only a pause keeps it from the next. */
    if (connection->profile->scpi.terminator == LINE_END_GAP)
        clock_sleep_until(clock_monotonic_s() + connection->profile->scpi.reply_gap_s);
    if (answer == ANSWER_WHOLE)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_GONE, error, "\"%s\" could not be sent", text);
}

/* The supply's own complaint about what it was told, if it has one. */
static enum supply_result complaint(struct supply *supply, struct error *error)
{
    char text[160] = "";
    int count = scpi_take_errors(supply->connection, text, sizeof text);
    if (supply->connection->scpi->out_of_step && scpi_resynchronise(supply->connection) != 0)
        return supply_fail(supply->connection, SUPPLY_GONE, error, "fell silent");
    if (count <= 0)
        return SUPPLY_OK;
    return supply_fail(supply->connection, SUPPLY_NO_READING, error, "the supply refused: %s",
                       text);
}

static enum supply_result begin(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    if (connection->scpi->out_of_step && scpi_resynchronise(connection) != 0)
        return supply_fail(connection, SUPPLY_GONE, error, "does not come back into step");
    enum supply_result selected = scpi_select(supply, error);
    if (selected != SUPPLY_OK)
        return selected;
    return complaint(supply, NULL) == SUPPLY_GONE ? SUPPLY_GONE : SUPPLY_OK;
}

/* What asks for the output's state; "" where the supply does not tell. */
static void output_query(const struct supply *supply, char text[SCPI_MESSAGE])
{
    const char *query = supply->connection->profile->scpi.read_output;
    text[0] = '\0';
    if (supply->scpi_plan)
        snprintf(text, SCPI_MESSAGE, "%s", supply->scpi_plan->output);
    else if (query[0])
        scpi_text_fill(query, supply->output, 0, text, SCPI_MESSAGE);
}

bool scpi_tells_output(const struct supply *supply)
{
    const struct scpi_plan *plan = supply->scpi_plan;
    return plan ? plan->output[0] : supply->connection->profile->scpi.read_output[0];
}

/* Asks until the output is as wanted; off is sent again meanwhile. */
static enum supply_result read_back(struct supply *supply, bool on, struct error *error)
{
    struct connection *connection = supply->connection;
    char query[SCPI_MESSAGE];
    output_query(supply, query);
    double until_s = clock_monotonic_s() + TAKES_EFFECT_S;
    double again_s = clock_monotonic_s() + OFF_AGAIN_S;
    while (query[0]) {
        bool gone = false;
        int flag = scpi_ask_flag(connection, query, true, &gone);
        if (gone)
            return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
        if (flag == (on ? 1 : 0))
            return SUPPLY_OK;
        double now_s = clock_monotonic_s();
        if (now_s >= until_s)
            return supply_fail(connection, SUPPLY_NO_READING, error,
                               "the output was switched %s and still reads %s", on ? "on" : "off",
                               flag < 0 ? "nothing"
                               : flag   ? "on"
                                        : "off");
        if (!on && now_s >= again_s) {
            enum supply_result result = scpi_off(supply, error);
            if (result != SUPPLY_OK)
                return result;
            again_s = now_s + OFF_AGAIN_S;
        }
        clock_sleep_until(now_s + ASKED_AGAIN_S);
    }
    return SUPPLY_OK;
}

static enum supply_result cannot_switch(const struct connection *connection, struct error *error)
{
    return supply_fail(connection, SUPPLY_NO_READING, error,
                       "profile %s has no way to switch the output", connection->profile->name);
}

enum supply_result scpi_switch_output(struct supply *supply, bool on, struct error *error)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    const char *message = on ? profile->output_on : profile->output_off;
    if (!message[0])
        return cannot_switch(connection, error);
    enum supply_result result = begin(supply, error);
    if (result == SUPPLY_OK)
        result = tell(supply, message, 0, error);
    if (result == SUPPLY_OK)
        result = complaint(supply, error);
    return result == SUPPLY_OK ? read_back(supply, on, error) : result;
}

/* By itself and at once: what has come in is thrown away, what may still come is for
 * later, no error is asked for. */
enum supply_result scpi_off(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    char messages[3][SCPI_MESSAGE];
    int count = 0;
    if (!profile->output_off[0])
        return cannot_switch(connection, error);
    /* Some listen to nobody before. */
    if (profile->remote[0] && !connection->scpi->remote) {
        snprintf(messages[count++], SCPI_MESSAGE, "%s", profile->remote);
        connection->scpi->remote = true;
    }
    /* Whatever was selected last: a hand may have selected another since. */
    if (profile->query_selection[0] && profile->select[0]) {
        scpi_text_fill(profile->select, supply->output, 0, messages[count++], SCPI_MESSAGE);
        connection->scpi->selected = 0;
    }
    scpi_text_fill(profile->output_off, supply->output, 0, messages[count++], SCPI_MESSAGE);
    for (int i = 0; i < count; i++)
        if (scpi_send_now(connection, messages[i], supply->control) != 0)
            return supply_fail(connection, SUPPLY_GONE, error, "\"%s\" could not be sent",
                               messages[i]);
    return SUPPLY_OK;
}

enum supply_result scpi_confirm_off(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    enum supply_result result = SUPPLY_OK;
    if (connection->scpi->out_of_step && scpi_resynchronise(connection) != 0)
        result = supply_fail(connection, SUPPLY_GONE, error, "does not come back into step");
    if (result == SUPPLY_OK)
        result = scpi_select(supply, error);
    if (result == SUPPLY_OK)
        result = read_back(supply, false, error);
    /* Its own word on why, if it has one, is worth more. */
    struct error why = {0};
    if (result == SUPPLY_NO_READING && complaint(supply, &why) == SUPPLY_NO_READING)
        *error = why;
    return result;
}

/* Sets one value and reads it back. */
static enum supply_result set_one(struct supply *supply, const char *message, const char *query,
                                  char unit, double value, double *read_back, struct error *error)
{
    struct connection *connection = supply->connection;
    enum supply_result result = tell(supply, message, value, error);
    if (result == SUPPLY_OK)
        result = complaint(supply, error);
    if (result != SUPPLY_OK)
        return result;
    char text[SCPI_MESSAGE];
    scpi_text_fill(query, supply->output, 0, text, sizeof text);
    double until_s = clock_monotonic_s() + TAKES_EFFECT_S;
    for (;;) {
        bool gone = false;
        bool known = scpi_ask_number(connection, text, true, unit, read_back, &gone);
        if (gone)
            return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
        if (known && scpi_text_same_setting(value, *read_back))
            return SUPPLY_OK;
        if (clock_monotonic_s() >= until_s)
            return known
                       ? supply_fail(connection, SUPPLY_NO_READING, error,
                                     "set to %g %c, reads back %g %c", value, unit, *read_back,
                                     unit)
                       : supply_fail(connection, SUPPLY_NO_READING, error, "no answer to %s", text);
        clock_sleep_until(clock_monotonic_s() + ASKED_AGAIN_S);
    }
}

static void protection_query(const struct supply *supply, char text[SCPI_MESSAGE])
{
    const char *query = supply->connection->profile->scpi.query_protection;
    text[0] = '\0';
    if (supply->scpi_plan)
        snprintf(text, SCPI_MESSAGE, "%s", supply->scpi_plan->protection);
    else if (query[0])
        scpi_text_fill(query, supply->output, 0, text, SCPI_MESSAGE);
}

/* A voltage above the overvoltage protection would only trip it. Whoever told it when the
 * readings were planned has to tell it now. */
static enum supply_result below_protection(struct supply *supply, double voltage_V,
                                           struct error *error)
{
    struct connection *connection = supply->connection;
    char text[SCPI_MESSAGE];
    bool gone = false;
    double protection_V = NAN;
    protection_query(supply, text);
    if (!text[0])
        return SUPPLY_OK;
    bool told = scpi_ask_number(connection, text, true, 'V', &protection_V, &gone);
    if (gone)
        return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
    if (!told && supply->scpi_plan)
        return supply_fail(connection, SUPPLY_NO_READING, error, "no answer to %s", text);
    if (!told)
        return complaint(supply, NULL) == SUPPLY_GONE ? SUPPLY_GONE : SUPPLY_OK;
    if (!(protection_V > 0 && voltage_V > protection_V))
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error,
                       "%g V is above the supply's overvoltage protection of %g V", voltage_V,
                       protection_V);
}

enum supply_result scpi_set(struct supply *supply, double voltage_V, double limit_A,
                            struct error *error)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    if (!profile->set_voltage[0] || !profile->set_limit[0] || !profile->query_voltage[0] ||
        !profile->query_limit[0])
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "profile %s cannot set and read back voltage and limit",
                           connection->profile->name);
    double read_V = NAN;
    double read_A = NAN;
    enum supply_result result = begin(supply, error);
    if (result == SUPPLY_OK)
        result = below_protection(supply, voltage_V, error);
    /* The limit first: a higher voltage never stands over an old, wider limit. */
    if (result == SUPPLY_OK)
        result =
            set_one(supply, profile->set_limit, profile->query_limit, 'A', limit_A, &read_A, error);
    if (result == SUPPLY_OK)
        result = set_one(supply, profile->set_voltage, profile->query_voltage, 'V', voltage_V,
                         &read_V, error);
    supply_note_settings(supply, read_V, read_A, clock_monotonic_s());
    if (result != SUPPLY_OK)
        supply->settings_due_s = 0;
    return result;
}
