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
/* So often back in step without a reading in between: it is not. Open again. */
enum { MOST_REGAINED = 4 };

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

enum scpi_familiar scpi_check_form(struct supply *supply, enum scpi_quantity quantity,
                                   const char *field, const char *query, double value)
{
    struct scpi *scpi = supply->connection->scpi;
    bool gap = scpi->reply_end == LINE_END_GAP;
    enum scpi_familiar familiar =
        scpi_form_check(&supply->forms[quantity], scpi_text_past_words(field, query), value, !gap);
    if (gap && familiar == SCPI_STRANGE_SHORT) {
        scpi->out_of_step = true;
        scpi->late = true;
    }
    return familiar;
}

/* The state that numbers lead to which were read and are plausible. */
static enum scpi_outcome familiar_or(enum scpi_outcome state, enum scpi_familiar familiar)
{
    return familiar == SCPI_STRANGE || familiar == SCPI_STRANGE_SHORT ? SCPI_VALUES_STRANGE : state;
}

/* Takes the fields of a joined reply apart. */
static void read_values(struct supply *supply, const struct scpi_plan *plan, char *fields[],
                        struct scpi_values *values)
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    size_t at = 0;
    double number = 0;
    enum scpi_outcome state = SCPI_VALUES_GOOD;
    values->state = SCPI_VALUES_BAD;
    if (plan->select) {
        if (scpi_text_number(fields[at++], profile->query_selection, 0, &number) != SCPI_NUMBER)
            return;
        if (number < 1 || number > supply->connection->profile->outputs)
            return;
        values->selected = (int)number;
        state = familiar_or(state, scpi_check_form(supply, SCPI_SELECTED, fields[at - 1],
                                                   profile->query_selection, number));
    }
    const char *voltage_text = fields[at++];
    const char *current_text = fields[at++];
    enum scpi_field voltage =
        scpi_text_number(voltage_text, plan->voltage, 'V', &values->voltage_V);
    enum scpi_field current =
        scpi_text_number(current_text, plan->current, 'A', &values->current_A);
    if (voltage == SCPI_NO_NUMBER || current == SCPI_NO_NUMBER)
        return;
    if (plan->flags_joined && plan->output[0]) {
        values->output_on = scpi_output_flag(profile, fields[at++]);
        if (values->output_on == FLAG_UNKNOWN)
            return;
    }
    if (plan->flags_joined && plan->limited[0]) {
        if (scpi_text_number(fields[at++], plan->limited, 0, &number) != SCPI_NUMBER)
            return;
        values->limited = scpi_bit_flag(&profile->limited_bit, number);
        if (values->limited == FLAG_UNKNOWN)
            return;
        state = familiar_or(
            state, scpi_check_form(supply, SCPI_LIMITED, fields[at - 1], plan->limited, number));
    }
    if (voltage != SCPI_NUMBER || current != SCPI_NUMBER) {
        values->state = SCPI_VALUES_OVERFLOW;
        return;
    }
    if (!supply_voltage_plausible(supply, values->voltage_V) ||
        !supply_current_plausible(supply, values->current_A))
        return;
    state = familiar_or(state, scpi_check_form(supply, SCPI_VOLTAGE, voltage_text, plan->voltage,
                                               values->voltage_V));
    state = familiar_or(state, scpi_check_form(supply, SCPI_CURRENT, current_text, plan->current,
                                               values->current_A));
    values->state = state;
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
    /* Which of two lines is the answer is not known. */
    if (answer == ANSWER_WHOLE)
        answer = scpi_nothing_more(connection);
    if (answer == ANSWER_WHOLE)
        read_values(supply, plan, fields, values);
    connection->scpi->selected = values->state == SCPI_VALUES_BAD ? 0 : values->selected;
    return answer;
}

/* One of two questions. */
static enum answer ask_one(struct supply *supply, enum scpi_quantity quantity, const char *message,
                           char unit, double *number, struct scpi_values *values)
{
    char reply[SCPI_REPLY];
    enum answer answer = scpi_ask(supply->connection, message, supply->control, reply);
    if (answer == ANSWER_WHOLE)
        answer = scpi_nothing_more(supply->connection);
    if (answer != ANSWER_WHOLE)
        return answer;
    enum scpi_field field = scpi_text_number(reply, message, unit, number);
    bool plausible = quantity == SCPI_VOLTAGE ? supply_voltage_plausible(supply, *number)
                                              : supply_current_plausible(supply, *number);
    if (field == SCPI_NO_NUMBER || (field == SCPI_NUMBER && !plausible))
        values->state = SCPI_VALUES_BAD;
    else if (field != SCPI_NUMBER)
        values->state = SCPI_VALUES_OVERFLOW;
    else
        values->state =
            familiar_or(values->state, scpi_check_form(supply, quantity, reply, message, *number));
    return answer;
}

/* Voltage and current by two questions. */
static enum answer ask_apart(struct supply *supply, const struct scpi_plan *plan,
                             struct scpi_values *values)
{
    struct scpi *scpi = supply->connection->scpi;
    *values = (struct scpi_values){.state = SCPI_VALUES_GOOD,
                                   .selected = supply->output,
                                   .voltage_V = NAN,
                                   .current_A = NAN,
                                   .output_on = FLAG_UNKNOWN,
                                   .limited = FLAG_UNKNOWN};
    enum answer answer =
        ask_one(supply, SCPI_VOLTAGE, plan->voltage, 'V', &values->voltage_V, values);
    double asked_s = scpi->asked_s;
    size_t chars = scpi->reply_chars;
    if (answer != ANSWER_WHOLE || values->state == SCPI_VALUES_BAD || scpi->out_of_step)
        return answer;
    enum scpi_outcome voltage = values->state;
    answer = ask_one(supply, SCPI_CURRENT, plan->current, 'A', &values->current_A, values);
    scpi->asked_s = asked_s;
    scpi->reply_chars += chars;
    /* What is worse of the two: the states stand in that order. */
    if (voltage > values->state)
        values->state = voltage;
    return answer;
}

static const struct scpi_values no_values = {.state = SCPI_VALUES_BAD};

static bool strange_setting(struct supply *supply, enum scpi_quantity quantity, const char *field,
                            const char *query, double value)
{
    return familiar_or(SCPI_VALUES_GOOD, scpi_check_form(supply, quantity, field, query, value)) !=
           SCPI_VALUES_GOOD;
}

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
        bool told =
            answer == ANSWER_WHOLE && scpi_text_split(reply, fields, 2) == 2 &&
            scpi_text_number(fields[0], plan->set_voltage, 'V', &voltage_V) == SCPI_NUMBER &&
            scpi_text_number(fields[1], plan->set_limit, 'A', &limit_A) == SCPI_NUMBER;
        if (answer == ANSWER_BROKEN_OFF)
            gone = true;
        else if (!told)
            connection->scpi->out_of_step = true;
        else if (strange_setting(supply, SCPI_SET_VOLTAGE, fields[0], plan->set_voltage,
                                 voltage_V) |
                 strange_setting(supply, SCPI_SET_LIMIT, fields[1], plan->set_limit, limit_A))
            return SUPPLY_OK; /* still due: asked again */
    } else {
        scpi_ask_number(connection, plan->set_voltage, false, 'V', &voltage_V, &gone);
        if (!gone)
            scpi_ask_number(connection, plan->set_limit, false, 'A', &limit_A, &gone);
    }
    /* Broken off, what is known stands. */
    if (gone || connection->broken_off)
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
    if (answer == ANSWER_GONE || answer == ANSWER_BROKEN_OFF)
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
        if (scpi->regained >= MOST_REGAINED || scpi_resynchronise(connection) != 0)
            return supply_fail(connection, SUPPLY_GONE, error,
                               "does not come back into step after a missing answer");
        scpi_take_errors(connection, NULL, 0);
        if (scpi->out_of_step)
            return supply_fail(connection, SUPPLY_NO_READING, error, "no answer to %s",
                               connection->profile->scpi.error);
    }
    if (supply->scpi_plan && scpi->failures >= FAILURES_BEFORE_NEW_PLAN) {
        scpi_plan_free(supply->scpi_plan);
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

static enum answer ask_values(struct supply *supply, const struct scpi_plan *plan,
                              struct scpi_values *values)
{
    return plan->message[0] ? scpi_ask_joined(supply, plan, values)
                            : ask_apart(supply, plan, values);
}

/* The values, asked for once more where they may be another question's, or are
 * written in another way than ever: once a supply has written so twice running,
 * that is a manner of its own. */
static enum answer ask_sure(struct supply *supply, const struct scpi_plan *plan,
                            struct scpi_values *values)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    enum answer answer = ANSWER_WHOLE;
    if (scpi->doubtful)
        answer = ask_values(supply, plan, values);
    if (answer != ANSWER_WHOLE || scpi->out_of_step)
        return answer;
    scpi->doubtful = false;
    answer = ask_values(supply, plan, values);
    if (answer != ANSWER_WHOLE || values->state != SCPI_VALUES_STRANGE || scpi->out_of_step)
        return answer;
    struct scpi_forms before[SCPI_QUANTITIES];
    memcpy(before, supply->forms, sizeof before);
    answer = ask_values(supply, plan, values);
    bool learned = false;
    for (int i = 0; i < SCPI_QUANTITIES; i++)
        learned = learned || before[i].count != supply->forms[i].count;
    if (answer == ANSWER_WHOLE && values->state < SCPI_VALUES_STRANGE && !learned)
        connection->garbled++;
    return answer;
}

/* In current limit: by a question of its own. The reading stays stamped as it is. */
static enum answer ask_limited(struct supply *supply, const struct scpi_plan *plan,
                               struct scpi_values *values)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    double asked_s = scpi->asked_s;
    double answered_s = scpi->answered_s;
    size_t chars = scpi->reply_chars;
    enum answer answer =
        scpi_ask_state(connection, plan->limited, &connection->profile->scpi.limited_bit, false,
                       connection->profile->reply_timeout_s, &values->limited);
    scpi->asked_s = asked_s;
    scpi->answered_s = answered_s;
    scpi->reply_chars += chars;
    return answer;
}

static struct wire_cost cost_of(const struct connection *connection, const struct scpi_plan *plan,
                                size_t query_chars, size_t messages)
{
    const struct scpi *scpi = connection->scpi;
    struct wire_cost cost = {.query_chars = (double)query_chars,
                             .reply_chars = (double)scpi->reply_chars};
    bool limited = plan->limited_apart;
    if (limited)
        cost.query_chars += (double)(strlen(plan->limited) + scpi_terminator_chars(connection));
    if (scpi->reply_end == LINE_END_GAP) {
        cost.gaps = (int)messages + (limited && !connection->profile->scpi.state_byte);
        cost.gap_s = cost.gaps * connection->profile->scpi.reply_gap_s;
    }
    return cost;
}

static enum supply_result read_array(struct supply *supply, struct scpi_array *array,
                                     struct reading *reading, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    bool held = array->next < array->count;
    enum answer answer = scpi_array_fill(supply, array);
    /* The first answer after a loss of step may be another question's. */
    if (answer == ANSWER_WHOLE && scpi->doubtful && !held) {
        array->next = array->count;
        answer = scpi_array_fill(supply, array);
    }
    if (answer != ANSWER_WHOLE)
        return no_answer(supply, answer, error);
    scpi->doubtful = false;
    scpi->failures = 0;
    scpi->regained = 0;
    if (!scpi_array_next(supply, array, reading))
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "its conversions are no later than the last ones");
    if (array->next == array->count &&
        ask_between(supply, reading->voltage_V, error) == SUPPLY_GONE && !connection->broken_off)
        scpi->out_of_step = true;
    return SUPPLY_OK;
}

enum supply_result scpi_read(struct supply *supply, struct reading *reading, struct error *error)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    enum supply_result ready = prepare(supply, error);
    if (ready != SUPPLY_OK)
        return ready;
    const struct scpi_plan *plan = supply->scpi_plan;
    if (plan->array)
        return read_array(supply, plan->array, reading, error);
    struct scpi_values values = no_values;
    size_t messages = plan->message[0] ? 1 : 2;
    size_t query_chars =
        (plan->message[0] ? strlen(plan->message) : strlen(plan->voltage) + strlen(plan->current)) +
        messages * scpi_terminator_chars(connection);
    if (!plan->message[0] && plan->select) {
        enum supply_result selected = scpi_select(supply, error);
        if (selected != SUPPLY_OK)
            return selected;
    }
    enum answer answer = ask_sure(supply, plan, &values);
    if (answer == ANSWER_WHOLE && values.state == SCPI_VALUES_STRANGE && !scpi->out_of_step) {
        connection->garbled++;
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "the answer is not written as this supply writes its numbers");
    }
    if (answer != ANSWER_WHOLE || values.state >= SCPI_VALUES_STRANGE)
        return no_answer(supply, answer, error);
    answer = plan->limited_apart ? ask_limited(supply, plan, &values) : ANSWER_WHOLE;
    if (answer != ANSWER_WHOLE)
        return no_answer(supply, answer, error);
    scpi->failures = 0;
    scpi->regained = 0;
    if (values.selected != supply->output) {
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "output %d is selected at the supply, not output %d%s", values.selected,
                           supply->output,
                           supply->control ? "" : " (selecting needs control = on)");
    }
    struct wire_cost cost = cost_of(connection, plan, query_chars, messages);
    connection_note_round_trip(connection, scpi->whole_s - scpi->asked_s, scpi->whole_s, &cost);
    reading->time_s = looked_at_s(connection, query_chars);
    reading->voltage_V = values.voltage_V;
    reading->current_A = values.current_A;
    reading->valid = values.state == SCPI_VALUES_GOOD;
    supply_complete(supply, reading, values.output_on, values.limited);
    /* A failure here is of the next question, not of this reading. */
    if (ask_between(supply, reading->voltage_V, error) == SUPPLY_GONE && !connection->broken_off)
        scpi->out_of_step = true;
    return SUPPLY_OK;
}

enum supply_result scpi_read_settings(struct supply *supply, struct error *error)
{
    enum supply_result result = prepare(supply, error);
    if (result == SUPPLY_OK)
        result = scpi_select(supply, error);
    return result == SUPPLY_OK ? ask_settings(supply, clock_monotonic_s(), error) : result;
}
