/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi.h"

#include "base/clock.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* So many readings in a row without an answer, the conversation being sound:
 * find out anew how this supply wants to be asked. */
enum { FAILURES_BEFORE_NEW_PLAN = 3 };

enum known_flag scpi_limited_flag(const struct scpi_profile *profile, double number)
{
    if (!(number >= 0) || number > 65535 || floor(number) != number)
        return FLAG_UNKNOWN;
    if (profile->limited_bit < 0)
        return number != 0 ? FLAG_YES : FLAG_NO;
    return ((unsigned)number >> profile->limited_bit) & 1U ? FLAG_YES : FLAG_NO;
}

enum supply_result scpi_select(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    if (!profile->query_selection[0])
        return SUPPLY_OK;
    if (supply->control && profile->select[0]) {
        char message[SCPI_MESSAGE];
        scpi_text_fill(profile->select, supply->output, 0, message, sizeof message);
        if (scpi_send(connection, message, true) == ANSWER_GONE)
            return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
    }
    bool gone = false;
    double selected = 0;
    if (!scpi_ask_number(connection, profile->query_selection, false, 0, &selected, &gone))
        return supply_fail(connection, gone ? SUPPLY_GONE : SUPPLY_NO_READING, error,
                           "no answer to %s", profile->query_selection);
    connection->scpi->selected = (int)selected;
    if (selected == supply->output)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error,
                       "output %g is selected at the supply, not output %d%s", selected,
                       supply->output, supply->control ? "" : " (selecting needs control = on)");
}

/* Takes the fields of a joined reply apart. */
static void read_values(const struct supply *supply, const struct scpi_plan *plan, char *fields[],
                        struct scpi_values *values)
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    size_t at = 0;
    double number = 0;
    values->state = SCPI_VALUES_BAD;
    if (plan->select) {
        if (scpi_text_number(fields[at++], profile->query_selection, 0, &number) != SCPI_NUMBER)
            return;
        values->selected = (int)number;
    }
    enum scpi_field voltage =
        scpi_text_number(fields[at++], plan->voltage, 'V', &values->voltage_V);
    enum scpi_field current =
        scpi_text_number(fields[at++], plan->current, 'A', &values->current_A);
    if (voltage == SCPI_NO_NUMBER || current == SCPI_NO_NUMBER)
        return;
    if (plan->flags_joined && plan->output[0]) {
        int flag = scpi_text_flag(fields[at++]);
        if (flag < 0)
            return;
        values->output_on = flag ? FLAG_YES : FLAG_NO;
    }
    if (plan->flags_joined && plan->limited[0]) {
        if (scpi_text_number(fields[at++], plan->limited, 0, &number) != SCPI_NUMBER)
            return;
        values->limited = scpi_limited_flag(profile, number);
        if (values->limited == FLAG_UNKNOWN)
            return;
    }
    values->state =
        voltage == SCPI_NUMBER && current == SCPI_NUMBER ? SCPI_VALUES_GOOD : SCPI_VALUES_OVERFLOW;
    if (values->state == SCPI_VALUES_GOOD &&
        (!supply_voltage_plausible(supply, values->voltage_V) ||
         !supply_current_plausible(supply, values->current_A)))
        values->state = SCPI_VALUES_BAD;
}

/* The outputs of one connection are read in turn: where another one was, the
 * message selects ours first; the reply tells whether it is. */
static const char *select_first(const struct supply *supply, const struct scpi_plan *plan,
                                char text[SCPI_MESSAGE])
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    char select[SCPI_MESSAGE];
    if (plan->select && supply->control && profile->select[0] &&
        supply->connection->scpi->selected != supply->output &&
        scpi_text_fill(profile->select, supply->output, 0, select, sizeof select) &&
        scpi_text_join(select, plan->message, SCPI_JOIN_ROOT, text, SCPI_MESSAGE))
        return text;
    return plan->message;
}

enum answer scpi_ask_joined(struct supply *supply, const struct scpi_plan *plan,
                            struct scpi_values *values)
{
    struct connection *connection = supply->connection;
    *values = (struct scpi_values){.state = SCPI_VALUES_BAD,
                                   .selected = supply->output,
                                   .voltage_V = NAN,
                                   .current_A = NAN,
                                   .output_on = FLAG_UNKNOWN,
                                   .limited = FLAG_UNKNOWN};
    char lines[5][SCPI_REPLY];
    char *fields[8] = {0};
    size_t count = 0;
    char text[SCPI_MESSAGE];
    const char *message = select_first(supply, plan, text);
    enum answer answer = scpi_ask(connection, message, supply->control, lines[0]);
    for (size_t line = 0; answer == ANSWER_WHOLE; line++) {
        char *cut[8];
        size_t here = scpi_text_split(lines[line], cut, 8);
        if (here == 0 || count + here > plan->fields || (plan->lines > 1 && here != 1) ||
            (plan->lines == 1 && here != plan->fields))
            return ANSWER_WHOLE;
        for (size_t i = 0; i < here; i++)
            fields[count++] = cut[i];
        if (count == plan->fields)
            break;
        answer = scpi_line(connection, NULL,
                           connection->scpi->whole_s + connection->profile->reply_timeout_s,
                           lines[line + 1]);
    }
    if (answer == ANSWER_SILENT)
        connection->scpi->late = true;
    if (answer == ANSWER_WHOLE)
        read_values(supply, plan, fields, values);
    connection->scpi->selected = values->state == SCPI_VALUES_BAD ? 0 : values->selected;
    return answer;
}

/* Voltage and current by two questions. */
static enum answer ask_apart(struct supply *supply, const struct scpi_plan *plan,
                             struct scpi_values *values)
{
    struct connection *connection = supply->connection;
    *values = (struct scpi_values){.state = SCPI_VALUES_BAD,
                                   .selected = supply->output,
                                   .voltage_V = NAN,
                                   .current_A = NAN,
                                   .output_on = FLAG_UNKNOWN,
                                   .limited = FLAG_UNKNOWN};
    char reply[SCPI_REPLY];
    enum answer answer = scpi_ask(connection, plan->voltage, supply->control, reply);
    if (answer != ANSWER_WHOLE)
        return answer;
    enum scpi_field voltage = scpi_text_number(reply, plan->voltage, 'V', &values->voltage_V);
    double asked_s = connection->scpi->asked_s;
    size_t chars = connection->scpi->reply_chars;
    if (voltage == SCPI_NO_NUMBER)
        return ANSWER_WHOLE;
    answer = scpi_ask(connection, plan->current, supply->control, reply);
    if (answer != ANSWER_WHOLE)
        return answer;
    enum scpi_field current = scpi_text_number(reply, plan->current, 'A', &values->current_A);
    connection->scpi->asked_s = asked_s;
    connection->scpi->reply_chars += chars;
    if (current == SCPI_NO_NUMBER)
        return ANSWER_WHOLE;
    if (voltage != SCPI_NUMBER || current != SCPI_NUMBER)
        values->state = SCPI_VALUES_OVERFLOW;
    else if (supply_voltage_plausible(supply, values->voltage_V) &&
             supply_current_plausible(supply, values->current_A))
        values->state = SCPI_VALUES_GOOD;
    return ANSWER_WHOLE;
}

static const struct scpi_values no_values = {.state = SCPI_VALUES_BAD};

/* Both set points, each NAN where it is not told. */
static enum supply_result ask_settings(struct supply *supply, double now_s, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi_plan *plan = supply->scpi_plan;
    double voltage_V = NAN;
    double limit_A = NAN;
    bool gone = false;
    if (!plan->set_voltage[0] && !plan->set_limit[0]) {
        supply->settings_due_s = INFINITY;
        return SUPPLY_OK;
    }
    if (plan->settings[0]) {
        char reply[SCPI_REPLY];
        char *fields[2];
        enum answer answer = scpi_ask(connection, plan->settings, false, reply);
        gone = answer == ANSWER_GONE;
        if (answer != ANSWER_WHOLE || scpi_text_split(reply, fields, 2) != 2 ||
            scpi_text_number(fields[0], plan->set_voltage, 'V', &voltage_V) != SCPI_NUMBER ||
            scpi_text_number(fields[1], plan->set_limit, 'A', &limit_A) != SCPI_NUMBER)
            connection->scpi->out_of_step = true;
    } else {
        scpi_ask_number(connection, plan->set_voltage, false, 'V', &voltage_V, &gone);
        if (!gone)
            scpi_ask_number(connection, plan->set_limit, false, 'A', &limit_A, &gone);
    }
    if (gone)
        return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
    if (connection->scpi->out_of_step) {
        voltage_V = NAN;
        limit_A = NAN;
    }
    supply_note_settings(supply, voltage_V, limit_A, now_s);
    return SUPPLY_OK;
}

/* What does not come with every reading, one question a reading at most. */
static enum supply_result ask_between(struct supply *supply, double voltage_V, struct error *error)
{
    struct scpi_plan *plan = supply->scpi_plan;
    double now_s = clock_monotonic_s();
    if (!plan->output[0] || (plan->flags_joined && plan->message[0]))
        supply->output_due_s = INFINITY;
    if (supply_output_due(supply, now_s) && !isnan(voltage_V)) {
        bool gone = false;
        int flag = scpi_ask_flag(supply->connection, plan->output, false, &gone);
        if (gone)
            return supply_fail(supply->connection, SUPPLY_GONE, error, "the link closed");
        supply_note_output(supply,
                           flag < 0 ? FLAG_UNKNOWN
                           : flag   ? FLAG_YES
                                    : FLAG_NO,
                           voltage_V, now_s);
        return SUPPLY_OK;
    }
    if (supply_settings_due(supply, now_s))
        return ask_settings(supply, now_s, error);
    return SUPPLY_OK;
}

/* The supply had the whole question at `begun`, and its first byte came back at
 * `answered`: it looked in between. */
static double looked_at_s(const struct connection *connection, size_t query_chars)
{
    const struct scpi *scpi = connection->scpi;
    double begun_s = scpi->asked_s + link_character_s(&connection->spec) * (double)query_chars;
    if (scpi->answered_s == 0)
        return 0.5 * (scpi->asked_s + scpi->whole_s);
    if (begun_s > scpi->answered_s)
        begun_s = scpi->asked_s;
    return 0.5 * (begun_s + scpi->answered_s);
}

static enum supply_result no_answer(struct supply *supply, enum answer answer, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    if (answer == ANSWER_GONE)
        return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
    scpi->out_of_step = true;
    scpi->failures++;
    if (answer == ANSWER_SILENT) {
        connection->timeouts++;
        return supply_fail(connection, SUPPLY_NO_READING, error, "no answer within %g s",
                           connection->profile->reply_timeout_s);
    }
    connection->garbled++;
    return supply_fail(connection, SUPPLY_NO_READING, error,
                       answer == ANSWER_CONFUSED ? "bytes came that nobody asked for"
                                                 : "the answer is not a reading");
}

/* Back in step, and with a plan; SUPPLY_OK: go on. */
static enum supply_result prepare(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    if (scpi->out_of_step) {
        if (scpi_resynchronise(connection) != 0)
            return supply_fail(connection, SUPPLY_GONE, error,
                               "does not come back into step after a missing answer");
        scpi_take_errors(connection, NULL, 0);
        if (scpi->out_of_step)
            return supply_fail(connection, SUPPLY_NO_READING, error, "no answer to %s",
                               connection->profile->scpi.error);
    }
    if (supply->scpi_plan && scpi->failures >= FAILURES_BEFORE_NEW_PLAN) {
        free(supply->scpi_plan);
        supply->scpi_plan = NULL;
        scpi->failures = 0;
    }
    if (supply->scpi_plan)
        return SUPPLY_OK;
    enum supply_result selected = scpi_select(supply, error);
    if (selected != SUPPLY_OK)
        return selected;
    bool gone = false;
    supply->scpi_plan = scpi_plan_make(supply, &gone, error);
    if (supply->scpi_plan)
        return SUPPLY_OK;
    return gone ? SUPPLY_GONE : SUPPLY_NO_READING;
}

enum supply_result scpi_read(struct supply *supply, struct reading *reading, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    enum supply_result ready = prepare(supply, error);
    if (ready != SUPPLY_OK)
        return ready;
    const struct scpi_plan *plan = supply->scpi_plan;
    struct scpi_values values = no_values;
    size_t messages = plan->message[0] ? 1 : 2;
    size_t query_chars = strlen(plan->message) + scpi_terminator_chars(connection);
    enum answer answer = ANSWER_WHOLE;
    if (plan->message[0]) {
        answer = scpi_ask_joined(supply, plan, &values);
    } else {
        enum supply_result selected = plan->select ? scpi_select(supply, error) : SUPPLY_OK;
        if (selected != SUPPLY_OK)
            return selected;
        query_chars =
            strlen(plan->voltage) + strlen(plan->current) + 2 * scpi_terminator_chars(connection);
        answer = ask_apart(supply, plan, &values);
    }
    if (answer != ANSWER_WHOLE || values.state == SCPI_VALUES_BAD)
        return no_answer(supply, answer, error);
    scpi->failures = 0;
    if (values.selected != supply->output) {
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "output %d is selected at the supply, not output %d%s", values.selected,
                           supply->output,
                           supply->control ? "" : " (selecting needs control = on)");
    }
    struct wire_cost cost = {.query_chars = (double)query_chars,
                             .reply_chars = (double)scpi->reply_chars};
    if (scpi->reply_end == LINE_END_GAP) {
        cost.gaps = (int)messages;
        cost.gap_s = cost.gaps * connection->profile->scpi.reply_gap_s;
    }
    connection_note_round_trip(connection, scpi->whole_s - scpi->asked_s, scpi->whole_s, &cost);
    reading->time_s = looked_at_s(connection, query_chars);
    reading->voltage_V = values.voltage_V;
    reading->current_A = values.current_A;
    reading->valid = values.state == SCPI_VALUES_GOOD;
    supply_complete(supply, reading, values.output_on, values.limited);
    /* A failure here is of the next question, not of this reading. */
    if (ask_between(supply, reading->voltage_V, error) == SUPPLY_GONE)
        scpi->out_of_step = true;
    return SUPPLY_OK;
}
