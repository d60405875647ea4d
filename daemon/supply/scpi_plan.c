/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi.h"

#include "base/clock.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Flags come with every reading where that costs no more than this share, or
 * where polling is at its ceiling anyway. */
static const double FLAGS_MAY_COST = 0.1;
static const double CEILING_S = 0.0008;
static const double SECOND_LINE_S = 0.3;
/* A question that a supply does not know stays unanswered, and each opening
 * waits for it: no longer than a sound answer could take. */
static const double OPTIONAL_S = 0.3;

enum { TRIALS = 3 };

static void fill(const struct supply *supply, const char *message, char text[SCPI_MESSAGE])
{
    text[0] = '\0';
    if (message[0])
        scpi_text_fill(message, supply->output, 0, text, SCPI_MESSAGE);
}

/* Asks for one number; *known: whether it is one that can be read. */
static enum answer ask_once(struct supply *supply, const char *message, char unit, double *number,
                            bool *known)
{
    char reply[SCPI_REPLY];
    *known = false;
    *number = NAN;
    enum answer answer = scpi_ask(supply->connection, message, supply->control, reply);
    if (answer == ANSWER_WHOLE)
        *known = scpi_text_number(reply, message, unit, number) != SCPI_NO_NUMBER;
    return answer;
}

/* After a trial that went wrong: back in step, its errors taken. */
static bool recovered(struct connection *connection, enum answer answer)
{
    if (answer == ANSWER_GONE || answer == ANSWER_BROKEN_OFF)
        return false;
    return scpi_resynchronise(connection) == 0;
}

/* Nothing new in the error queue (or there is no queue to ask). */
static bool no_errors(struct connection *connection)
{
    return scpi_take_errors(connection, NULL, 0) <= 0 && !connection->scpi->out_of_step;
}

static bool near(double a, double b, double least)
{
    return isnan(a) || isnan(b) || fabs(a - b) <= fmax(least, 0.1 * fmax(fabs(a), fabs(b)));
}

/* Does a second line follow the first? */
static size_t lines_of(struct supply *supply, const struct scpi_plan *plan, bool *gone)
{
    struct connection *connection = supply->connection;
    char reply[SCPI_REPLY];
    enum answer answer = scpi_ask(connection, plan->message, supply->control, reply);
    size_t lines = 0;
    while (answer == ANSWER_WHOLE) {
        char *fields[8];
        size_t count = scpi_text_split(reply, fields, 8);
        if (lines == 0 && count == plan->fields)
            return 1;
        if (count != 1 || ++lines == plan->fields)
            break;
        answer = scpi_line(connection, NULL, clock_monotonic_s() + SECOND_LINE_S, reply);
    }
    if (answer == ANSWER_GONE) {
        *gone = true;
        return 0;
    }
    if (lines == plan->fields)
        return lines;
    if (!recovered(connection, answer))
        *gone = true;
    return 0;
}

/* Tries `plan->message` a few times: it answers with the right fields, in
 * accord with the single questions, and leaves no error behind. *fastest_s of
 * the round trips. */
static bool holds(struct supply *supply, struct scpi_plan *plan, double *fastest_s, bool *gone)
{
    struct connection *connection = supply->connection;
    *fastest_s = INFINITY;
    plan->lines = lines_of(supply, plan, gone);
    if (*gone || plan->lines == 0)
        return false;
    bool agrees = !plan->voltage[0] || !plan->current[0];
    for (int trial = 0; trial < TRIALS; trial++) {
        struct scpi_values values;
        enum answer answer = scpi_ask_joined(supply, plan, &values);
        if (answer != ANSWER_WHOLE || values.state == SCPI_VALUES_BAD) {
            *gone = !recovered(connection, answer);
            return false;
        }
        *fastest_s = fmin(*fastest_s, connection->scpi->whole_s - connection->scpi->asked_s);
        double voltage_V = NAN;
        double current_A = NAN;
        bool known = false;
        /* The load may move between the questions: one accord is enough. */
        if (agrees)
            continue;
        answer = ask_once(supply, plan->voltage, 'V', &voltage_V, &known);
        if (answer == ANSWER_WHOLE)
            answer = ask_once(supply, plan->current, 'A', &current_A, &known);
        if (answer != ANSWER_WHOLE) {
            *gone = !recovered(connection, answer);
            return false;
        }
        agrees = near(values.voltage_V, voltage_V, 0.2) && near(values.current_A, current_A, 0.05);
    }
    return agrees && no_errors(connection);
}

/* The whole message: selection, reading, and the flags if they are to join. */
static bool compose(const struct supply *supply, struct scpi_plan *plan, const char *read,
                    bool flags, bool plain)
{
    const char *parts[4];
    size_t count = 0;
    plan->fields = 2;
    if (plan->select) {
        parts[count++] = supply->connection->profile->scpi.query_selection;
        plan->fields++;
    }
    parts[count++] = read;
    if (flags && plan->output[0]) {
        parts[count++] = plan->output;
        plan->fields++;
    }
    if (flags && plan->limited[0]) {
        parts[count++] = plan->limited;
        plan->fields++;
    }
    plan->flags_joined = flags;
    snprintf(plan->message, sizeof plan->message, "%s", parts[0]);
    for (size_t i = 1; i < count; i++) {
        char joined[SCPI_MESSAGE];
        if (!scpi_text_join(plan->message, parts[i], plain ? SCPI_JOIN_PLAIN : SCPI_JOIN_ROOT,
                            joined, sizeof joined))
            return false;
        memcpy(plan->message, joined, sizeof joined);
    }
    return true;
}

/* Which messages can bring voltage and current in one round trip, likeliest and
 * shortest first; how many. */
static size_t candidates(const struct scpi_plan *plan, const char *given,
                         char texts[3][SCPI_MESSAGE], bool plain[3])
{
    size_t count = 0;
    bool paths = strchr(plan->voltage, ':') != NULL || strchr(given, ':') != NULL;
    if (given[0]) {
        snprintf(texts[count], SCPI_MESSAGE, "%s", given);
        plain[count++] = !paths;
        return count;
    }
    static const enum scpi_join joins[] = {SCPI_JOIN_PATH, SCPI_JOIN_ROOT};
    for (size_t i = 0; paths && i < 2; i++)
        if (scpi_text_join(plan->voltage, plan->current, joins[i], texts[count], SCPI_MESSAGE))
            plain[count++] = false;
    if (!paths &&
        scpi_text_join(plan->voltage, plan->current, SCPI_JOIN_PLAIN, texts[count], SCPI_MESSAGE))
        plain[count++] = true;
    return count;
}

/* Asks for a state or a number that the supply need not tell; *good: it does. */
static enum answer ask_optional(struct connection *connection, const char *message, char unit,
                                const struct state_bit *bit, bool *good)
{
    double timeout_s = fmin(OPTIONAL_S, connection->profile->reply_timeout_s);
    enum known_flag state = FLAG_UNKNOWN;
    char reply[SCPI_REPLY];
    double number = 0;
    enum answer answer = bit ? scpi_ask_state(connection, message, bit, false, timeout_s, &state)
                             : scpi_ask_within(connection, message, false, timeout_s, reply);
    *good = answer == ANSWER_WHOLE &&
            (bit ? state != FLAG_UNKNOWN
                 : scpi_text_number(reply, message, unit, &number) == SCPI_NUMBER);
    /* Were it only slow, who-is-there would find its answer in front. */
    connection->scpi->late = false;
    return answer;
}

/* Drops the optional questions that the supply does not answer. */
static bool try_optional(struct supply *supply, struct scpi_plan *plan)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    struct {
        char *message;
        char unit;
        const struct state_bit *bit;
    } optional[] = {{plan->output, 0, &profile->output_bit},
                    {plan->limited, 0, &profile->limited_bit},
                    {plan->set_voltage, 'V', NULL},
                    {plan->set_limit, 'A', NULL},
                    {plan->protection, 'V', NULL}};
    for (size_t i = 0; i < sizeof optional / sizeof *optional; i++) {
        if (!optional[i].message[0])
            continue;
        bool good = false;
        enum answer answer =
            ask_optional(connection, optional[i].message, optional[i].unit, optional[i].bit, &good);
        if (answer != ANSWER_WHOLE && !recovered(connection, answer))
            return false;
        if (!no_errors(connection) || !good)
            optional[i].message[0] = '\0';
        if (connection->scpi->out_of_step && !recovered(connection, ANSWER_SILENT))
            return false;
    }
    return true;
}

static bool try_settings(struct supply *supply, struct scpi_plan *plan)
{
    struct connection *connection = supply->connection;
    if (!plan->set_voltage[0] || !plan->set_limit[0] || !plan->message[0] || plan->lines != 1)
        return true;
    enum scpi_join join = strchr(plan->message, ':') != NULL ? SCPI_JOIN_ROOT : SCPI_JOIN_PLAIN;
    if (!scpi_text_join(plan->set_voltage, plan->set_limit, join, plan->settings, SCPI_MESSAGE))
        plan->settings[0] = '\0';
    if (!plan->settings[0])
        return true;
    char reply[SCPI_REPLY];
    char *fields[2];
    double number = 0;
    enum answer answer = scpi_ask(connection, plan->settings, false, reply);
    bool good = answer == ANSWER_WHOLE && scpi_text_split(reply, fields, 2) == 2 &&
                scpi_text_number(fields[0], plan->set_voltage, 'V', &number) == SCPI_NUMBER &&
                scpi_text_number(fields[1], plan->set_limit, 'A', &number) == SCPI_NUMBER;
    if (good && no_errors(connection))
        return true;
    plan->settings[0] = '\0';
    return recovered(connection, answer);
}

/* Voltage and current by themselves, which every other way is checked against. */
static bool reads_apart(struct supply *supply, const struct scpi_plan *plan, bool *gone,
                        struct error *error)
{
    const char *messages[] = {plan->voltage, plan->current};
    for (int i = 0; i < 2; i++) {
        double number = 0;
        bool known = false;
        enum answer answer = ANSWER_SILENT;
        for (int attempt = 0; attempt < 2 && !known; attempt++) {
            answer = ask_once(supply, messages[i], "VA"[i], &number, &known);
            if (!known && !recovered(supply->connection, answer)) {
                *gone = true;
                break;
            }
        }
        if (known)
            continue;
        supply_fail(supply->connection, SUPPLY_NO_READING, error,
                    answer == ANSWER_WHOLE ? "the answer to %s is not a number" : "no answer to %s",
                    messages[i]);
        return false;
    }
    return true;
}

static bool find_joined(struct supply *supply, struct scpi_plan *plan, bool *gone)
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    char given[SCPI_MESSAGE];
    fill(supply, profile->read, given);
    char texts[3][SCPI_MESSAGE];
    bool plain[3];
    size_t count = candidates(plan, given, texts, plain);
    for (size_t i = 0; i < count && !*gone; i++) {
        double bare_s = 0;
        double flags_s = 0;
        struct scpi_plan bare = *plan;
        if (!compose(supply, &bare, texts[i], false, plain[i]) ||
            !holds(supply, &bare, &bare_s, gone))
            continue;
        struct scpi_plan flagged = *plan;
        if ((plan->output[0] || plan->limited[0]) && !profile->state_byte &&
            compose(supply, &flagged, texts[i], true, plain[i]) &&
            holds(supply, &flagged, &flags_s, gone) &&
            flags_s <= fmax(CEILING_S, (1 + FLAGS_MAY_COST) * bare_s))
            *plan = flagged;
        else
            *plan = bare;
        return true;
    }
    return false;
}

void scpi_plan_free(struct scpi_plan *plan)
{
    if (plan)
        free(plan->array);
    free(plan);
}

struct scpi_plan *scpi_plan_make(struct supply *supply, bool *gone, struct error *error)
{
    struct connection *connection = supply->connection;
    const struct scpi_profile *profile = &connection->profile->scpi;
    struct scpi_plan *plan = calloc(1, sizeof *plan);
    if (!plan) {
        error_set(error, EXIT_SOFTWARE, connection->spec.text, 0, NULL, "memory is out");
        return NULL;
    }
    fill(supply, profile->read_voltage, plan->voltage);
    fill(supply, profile->read_current, plan->current);
    fill(supply, profile->read_output, plan->output);
    fill(supply, profile->read_limited, plan->limited);
    fill(supply, profile->query_voltage, plan->set_voltage);
    fill(supply, profile->query_limit, plan->set_limit);
    /* Whoever sets nothing need not know it. */
    if (supply->control)
        fill(supply, profile->query_protection, plan->protection);
    plan->select = profile->query_selection[0] != '\0';
    bool apart = plan->voltage[0] && plan->current[0];
    bool good = !apart || reads_apart(supply, plan, gone, error);
    if (good && !try_optional(supply, plan)) {
        good = false;
        *gone = true;
    }
    if (good && !find_joined(supply, plan, gone) && !*gone && !apart) {
        good = false;
        supply_fail(connection, SUPPLY_NO_READING, error, "the answer to %s is not a reading",
                    profile->read);
    }
    if (good && !*gone && !try_settings(supply, plan))
        *gone = true;
    if (*gone && good)
        supply_fail(connection, SUPPLY_GONE, error,
                    "fell silent or closed while its readings were tried out");
    /* What was broken off found out nothing. */
    *gone = *gone || connection->broken_off;
    plan->limited_apart = plan->limited[0] && !(plan->flags_joined && plan->message[0]) &&
                          !(plan->set_voltage[0] && plan->set_limit[0]);
    if (good && !*gone && profile->array_voltage[0])
        plan->array = scpi_array_make(supply, plan, gone);
    supply->array_interval_s = plan->array ? plan->array->interval_s : 0;
    if (good && !*gone)
        return plan;
    scpi_plan_free(plan);
    return NULL;
}
