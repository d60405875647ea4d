/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * States that a supply tells: words, numbers, a bit of a number, a bit of a byte.
 */
#include "supply/scpi.h"

#include "base/clock.h"
#include "supply/scpi_text.h"

#include <math.h>

enum known_flag scpi_bit_flag(const struct state_bit *bit, double number)
{
    if (!(number >= 0) || number > 2147483647 || floor(number) != number)
        return FLAG_UNKNOWN;
    bool set = bit->bit < 0 ? number != 0 : ((unsigned)number >> bit->bit) & 1U;
    return set != bit->inverted ? FLAG_YES : FLAG_NO;
}

enum known_flag scpi_output_flag(const struct scpi_profile *profile, const char *field)
{
    double number = 0;
    if (profile->output_bit.bit >= 0)
        return scpi_text_number(field, NULL, 0, &number) == SCPI_NUMBER
                   ? scpi_bit_flag(&profile->output_bit, number)
                   : FLAG_UNKNOWN;
    int flag = scpi_text_flag(field);
    return flag < 0 ? FLAG_UNKNOWN : flag ? FLAG_YES : FLAG_NO;
}

/* One byte by the deadline, and the end of the reply where replies have one. */
static enum answer take_byte(struct connection *connection, double deadline_s, unsigned char *byte)
{
    struct scpi *scpi = connection->scpi;
    bool ended = scpi->reply_end != LINE_END_GAP && scpi->reply_end != LINE_END_AUTO;
    size_t wanted = !ended ? 1 : scpi->reply_end == LINE_END_CRLF ? 3 : 2;
    char end = scpi->reply_end == LINE_END_CR ? '\r' : '\n';
    while (scpi->in_count < wanted) {
        int more = scpi_more(connection, deadline_s);
        if (more < 0)
            return ANSWER_GONE;
        if (more == 0) {
            scpi->late = true;
            return ANSWER_SILENT;
        }
    }
    scpi->reply_chars += wanted;
    *byte = (unsigned char)scpi->in[0];
    bool sound = scpi->in_count == wanted && (!ended || scpi->in[wanted - 1] == end);
    scpi->in_count = 0;
    return sound ? ANSWER_WHOLE : ANSWER_CONFUSED;
}

static enum answer ask_byte(struct connection *connection, const char *message, bool control,
                            double timeout_s, double *number)
{
    unsigned char byte = 0;
    enum answer answer = scpi_send(connection, message, control);
    if (answer == ANSWER_WHOLE)
        answer = take_byte(connection, connection->scpi->asked_s + timeout_s, &byte);
    *number = byte;
    return answer;
}

enum answer scpi_ask_state(struct connection *connection, const char *message,
                           const struct state_bit *bit, bool control, double timeout_s,
                           enum known_flag *state)
{
    const struct scpi_profile *profile = &connection->profile->scpi;
    char reply[SCPI_REPLY];
    double number = NAN;
    *state = FLAG_UNKNOWN;
    if (profile->state_byte) {
        enum answer answer = ask_byte(connection, message, control, timeout_s, &number);
        if (answer == ANSWER_WHOLE)
            *state = scpi_bit_flag(bit, number);
        return answer;
    }
    enum answer answer = scpi_ask_within(connection, message, control, timeout_s, reply);
    if (answer != ANSWER_WHOLE)
        return answer;
    if (bit == &profile->output_bit)
        *state = scpi_output_flag(profile, reply);
    else if (scpi_text_number(reply, message, 0, &number) == SCPI_NUMBER)
        *state = scpi_bit_flag(bit, number);
    return answer;
}

int scpi_ask_flag(struct connection *connection, const char *message, bool control, bool *gone)
{
    enum known_flag state = FLAG_UNKNOWN;
    if (!message[0])
        return -1;
    enum answer answer = scpi_ask_state(connection, message, &connection->profile->scpi.output_bit,
                                        control, connection->profile->reply_timeout_s, &state);
    if (answer != ANSWER_WHOLE && (answer == ANSWER_GONE || answer == ANSWER_BROKEN_OFF ||
                                   scpi_resynchronise(connection) != 0))
        *gone = true;
    return answer != ANSWER_WHOLE || state == FLAG_UNKNOWN ? -1 : state == FLAG_YES;
}
