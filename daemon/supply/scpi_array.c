/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Arrays of conversions (SCPI-1999 vol. 2, 3.8.2, MEASure:ARRay and FETCh:ARRay), as
 * lists of numbers or definite-length blocks (IEEE 488.2, 8.7.9), which may hold any
 * byte and are read by their length. A block without one (#0) needs an END that
 * neither a serial port nor a socket has, and is refused.
 */
#include "supply/scpi.h"

#include "base/clock.h"
#include "supply/scpi_text.h"

#include <ctype.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* An array that comes sooner than its conversions take is another one's; clocks
 * differ by so much. */
static const double SOONER_SHARE = 0.05;
static const double SOONER_S = 0.001;
static const double LONGEST_ARRAY_S = 0.2;

static double float_at(const char *bytes, size_t size, bool little)
{
    uint64_t bits = 0;
    for (size_t i = 0; i < size; i++)
        bits = bits << 8 | (unsigned char)bytes[little ? size - 1 - i : i];
    if (size == sizeof(float)) {
        uint32_t low = (uint32_t)bits;
        float number = 0;
        memcpy(&number, &low, sizeof number);
        return (double)number;
    }
    double number = 0;
    memcpy(&number, &bits, sizeof number);
    return number;
}

/* SCPI-1999's not-a-number and infinities are numbers in a block. */
static double told(double number)
{
    return fabs(number) < 9e36 ? number : (double)NAN;
}

static void drop(struct scpi *scpi, size_t count)
{
    scpi->reply_chars += count;
    memmove(scpi->in, scpi->in + count, scpi->in_count - count);
    scpi->in_count -= count;
}

/* #<d><length><data>, then the end of the line. */
static enum answer take_block(struct connection *connection, size_t count, double values[])
{
    const struct scpi_profile *profile = &connection->profile->scpi;
    struct scpi *scpi = connection->scpi;
    size_t size = profile->array_form == ARRAY_F32 ? 4 : 8;
    const char *in = scpi->in;
    if ((scpi->in_count > 0 && in[0] != '#') ||
        (scpi->in_count > 1 && !(in[1] >= '1' && in[1] <= '9')))
        return ANSWER_CONFUSED;
    if (scpi->in_count < 2)
        return ANSWER_SILENT;
    size_t head = 2 + (size_t)(in[1] - '0');
    if (scpi->in_count < head)
        return ANSWER_SILENT;
    size_t length = 0;
    for (size_t i = 2; i < head; i++) {
        if (!isdigit((unsigned char)in[i]))
            return ANSWER_CONFUSED;
        length = 10 * length + (size_t)(in[i] - '0');
    }
    if (length != count * size)
        return ANSWER_CONFUSED;
    bool ended = scpi->reply_end != LINE_END_GAP;
    if (scpi->in_count < head + length + ended)
        return ANSWER_SILENT;
    if (ended && in[head + length] != '\n' && in[head + length] != '\r')
        return ANSWER_CONFUSED;
    for (size_t i = 0; i < count; i++)
        values[i] = told(float_at(in + head + i * size, size, profile->array_little));
    drop(scpi, head + length + ended);
    return ANSWER_WHOLE;
}

static enum answer take_list(struct connection *connection, size_t count, double values[])
{
    struct scpi *scpi = connection->scpi;
    size_t end = 0;
    while (end < scpi->in_count && scpi->in[end] != '\n' && scpi->in[end] != '\r')
        end++;
    if (end == scpi->in_count)
        return ANSWER_SILENT;
    if (memchr(scpi->in, '\0', end))
        return ANSWER_CONFUSED;
    scpi->in[end] = '\0';
    char *rest = scpi->in;
    size_t taken = 0;
    while (rest) {
        const char *field = strsep(&rest, ",");
        double number = 0;
        enum scpi_field kind = scpi_text_number(field, NULL, 0, &number);
        if (kind == SCPI_NO_NUMBER || taken == count)
            return ANSWER_CONFUSED;
        values[taken++] = kind == SCPI_NUMBER ? number : (double)NAN;
    }
    if (taken != count)
        return ANSWER_CONFUSED;
    drop(scpi, end + 1);
    return ANSWER_WHOLE;
}

enum answer scpi_take_array(struct connection *connection, size_t count, double values[])
{
    return connection->profile->scpi.array_form == ARRAY_LIST
               ? take_list(connection, count, values)
               : take_block(connection, count, values);
}

/* Sends a question and takes the array that answers it. */
static enum answer ask_array(struct supply *supply, const char *message, size_t count,
                             double patience_s, double values[])
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    enum answer answer = scpi_send(connection, message, false);
    if (answer != ANSWER_WHOLE)
        return answer;
    /* As many characters as a number may have at most. */
    double deadline_s =
        scpi->asked_s + connection->profile->reply_timeout_s + patience_s +
        link_character_s(&connection->spec) * (double)(strlen(message) + 15 * count + 12);
    do {
        while (scpi->in_count > 0 && isspace((unsigned char)scpi->in[0]))
            drop(scpi, 1);
        answer = scpi_take_array(connection, count, values);
        if (answer != ANSWER_SILENT)
            break;
        int more = scpi_more(connection, deadline_s);
        if (more < 0)
            return ANSWER_GONE;
        if (more == 0) {
            scpi->late = true;
            return ANSWER_SILENT;
        }
    } while (true);
    return answer == ANSWER_WHOLE ? scpi_nothing_more(connection) : answer;
}

static bool plausible(const struct supply *supply, const struct scpi_array *array)
{
    for (size_t i = 0; i < array->count; i++)
        if ((!isnan(array->values_V[i]) && !supply_voltage_plausible(supply, array->values_V[i])) ||
            (!isnan(array->values_A[i]) && !supply_current_plausible(supply, array->values_A[i])))
            return false;
    return true;
}

/* The acquisition began once the whole question was there, and was over before the
 * first byte of the reply: what is between beyond its own length is halved. */
static bool place_in_time(const struct connection *connection, struct scpi_array *array,
                          double asked_s, double answered_s)
{
    double character_s = link_character_s(&connection->spec);
    size_t chars = strlen(array->voltage) + scpi_terminator_chars(connection);
    double begun_s = asked_s + character_s * (double)chars;
    double length_s = (double)array->count * array->interval_s;
    double slack_s = answered_s - character_s - begun_s - length_s;
    if (slack_s < -fmax(SOONER_S, SOONER_SHARE * length_s))
        return false;
    array->first_s = begun_s + 0.5 * slack_s + 0.5 * array->interval_s;
    return true;
}

static void note_cost(struct connection *connection, const struct scpi_array *array,
                      size_t reply_chars, double asked_s)
{
    const struct scpi *scpi = connection->scpi;
    struct wire_cost cost = {
        .query_chars = (double)(strlen(array->voltage) + strlen(array->current) +
                                2 * scpi_terminator_chars(connection)),
        .reply_chars = (double)reply_chars,
        .acquisition_s = (double)array->count * array->interval_s,
        .readings = (int)array->count,
    };
    connection_note_round_trip(connection, scpi->whole_s - asked_s, scpi->whole_s, &cost);
}

enum answer scpi_array_fill(struct supply *supply, struct scpi_array *array)
{
    struct connection *connection = supply->connection;
    struct scpi *scpi = connection->scpi;
    if (array->next < array->count)
        return ANSWER_WHOLE;
    double length_s = (double)array->count * array->interval_s;
    enum answer answer = ask_array(supply, array->voltage, array->count, length_s, array->values_V);
    if (answer != ANSWER_WHOLE)
        return answer;
    double asked_s = scpi->asked_s;
    double answered_s = scpi->answered_s;
    size_t chars = scpi->reply_chars;
    answer = ask_array(supply, array->current, array->count, 0, array->values_A);
    if (answer != ANSWER_WHOLE)
        return answer;
    if (!plausible(supply, array) || !place_in_time(connection, array, asked_s, answered_s))
        return ANSWER_CONFUSED;
    note_cost(connection, array, chars + scpi->reply_chars, asked_s);
    array->next = 0;
    return ANSWER_WHOLE;
}

bool scpi_array_next(struct supply *supply, struct scpi_array *array, struct reading *reading)
{
    while (array->next < array->count) {
        size_t i = array->next++;
        double time_s = array->first_s + (double)i * array->interval_s;
        if (time_s <= array->last_s)
            continue;
        array->last_s = time_s;
        reading->time_s = time_s;
        reading->voltage_V = array->values_V[i];
        reading->current_A = array->values_A[i];
        reading->valid = !isnan(reading->voltage_V) && !isnan(reading->current_A);
        supply_complete(supply, reading, FLAG_UNKNOWN, FLAG_UNKNOWN);
        return true;
    }
    return false;
}

/* The message with this output's number and how many conversions. */
static void fill(const struct supply *supply, const char *message, char text[SCPI_MESSAGE])
{
    char counted[SCPI_MESSAGE];
    const char *at = strstr(message, "{count}");
    if (at)
        snprintf(counted, sizeof counted, "%.*s%d%s", (int)(at - message), message,
                 supply->connection->profile->scpi.array_count, at + strlen("{count}"));
    else
        snprintf(counted, sizeof counted, "%s", message);
    scpi_text_fill(counted, supply->output, 0, text, SCPI_MESSAGE);
}

static bool near(const double values[], size_t count, double single, double least)
{
    double sum = 0;
    size_t known = 0;
    for (size_t i = 0; i < count; i++)
        if (!isnan(values[i])) {
            sum += values[i];
            known++;
        }
    if (known == 0 || isnan(single))
        return false;
    double mean = sum / (double)known;
    return fabs(mean - single) <= fmax(least, 0.1 * fmax(fabs(mean), fabs(single)));
}

/* The interval as the supply tells it, else as stated; NAN: neither will do. */
static double interval_of(struct supply *supply, bool *gone)
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    double interval_s = profile->array_interval_s;
    if (profile->query_array_interval[0]) {
        char text[SCPI_MESSAGE];
        scpi_text_fill(profile->query_array_interval, supply->output, 0, text, sizeof text);
        double said_s = NAN;
        if (scpi_ask_number(supply->connection, text, false, 's', &said_s, gone))
            interval_s = said_s;
        else if (!*gone)
            scpi_take_errors(supply->connection, NULL, 0);
    }
    return interval_s >= 1e-6 && interval_s * profile->array_count <= LONGEST_ARRAY_S ? interval_s
                                                                                      : (double)NAN;
}

/* Is the array's mean what a single reading says, before or after it? */
static bool agrees(struct supply *supply, const struct scpi_plan *plan, struct scpi_array *array,
                   bool *gone)
{
    struct connection *connection = supply->connection;
    double voltage_V = NAN;
    double current_A = NAN;
    for (int trial = 0; trial < 3 && !*gone; trial++) {
        scpi_ask_number(connection, plan->voltage, false, 'V', &voltage_V, gone);
        if (!*gone)
            scpi_ask_number(connection, plan->current, false, 'A', &current_A, gone);
        if (*gone)
            return false;
        array->next = array->count;
        enum answer answer = scpi_array_fill(supply, array);
        if (answer != ANSWER_WHOLE) {
            *gone = answer == ANSWER_GONE || answer == ANSWER_BROKEN_OFF ||
                    scpi_resynchronise(connection) != 0;
            continue;
        }
        if (near(array->values_V, array->count, voltage_V, 0.2) &&
            near(array->values_A, array->count, current_A, 0.05))
            return scpi_take_errors(connection, NULL, 0) <= 0 && !connection->scpi->out_of_step;
    }
    return false;
}

struct scpi_array *scpi_array_make(struct supply *supply, const struct scpi_plan *plan, bool *gone)
{
    const struct scpi_profile *profile = &supply->connection->profile->scpi;
    double interval_s = interval_of(supply, gone);
    struct scpi_array *array = *gone || isnan(interval_s) ? NULL : calloc(1, sizeof *array);
    if (!array)
        return NULL;
    array->count = (size_t)profile->array_count;
    array->interval_s = interval_s;
    fill(supply, profile->array_voltage, array->voltage);
    fill(supply, profile->array_current, array->current);
    bool good = agrees(supply, plan, array, gone);
    array->next = array->count;
    if (good && !*gone)
        return array;
    /* What a supply does not know leaves an error behind. */
    if (!*gone)
        scpi_take_errors(supply->connection, NULL, 0);
    free(array);
    return NULL;
}
