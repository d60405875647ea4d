/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi.h"

#include "base/clock.h"
#include "base/log.h"
#include "supply/scpi_text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ERRORS = 30, MOST_STRAY_LINES = 20, IDENTITY_ATTEMPTS = 4 };

/* Stands for a byte that no reply may hold. */
static const char NOISE = '\x7f';

/* A pause in which a supply that was talking has stopped. */
static const double QUIET_S = 0.04;
/* How long after the deadline a reply may be found that had come by then. */
static const double LATEST_LOOK_S = 0.005;

static const char *terminator(const struct connection *connection)
{
    static const char *const texts[] = {"\n", "\n", "\r", "\r\n", ""};
    return texts[connection->profile->scpi.terminator];
}

size_t scpi_terminator_chars(const struct connection *connection)
{
    return strlen(terminator(connection));
}

/* Drops blanks and line ends in front: the second half of a CR LF, mostly. */
static void skip_blanks(struct scpi *scpi)
{
    size_t blanks = 0;
    while (blanks < scpi->in_count && isspace((unsigned char)scpi->in[blanks]))
        blanks++;
    memmove(scpi->in, scpi->in + blanks, scpi->in_count - blanks);
    scpi->in_count -= blanks;
}

/* Reads once into the buffer: bytes, 0 for none by the deadline, -1 gone, -2 no
 * room left. */
static long receive(struct connection *connection, double deadline_s)
{
    struct scpi *scpi = connection->scpi;
    size_t room = sizeof scpi->in - scpi->in_count;
    if (room == 0)
        return -2;
    long got = link_read(connection->link, scpi->in + scpi->in_count, room, deadline_s);
    if (got > 0)
        scpi->in_count += (size_t)got;
    return got;
}

/* The one door to the wire: without control nothing goes out that does not ask. */
static enum answer write_message(struct connection *connection, const char *message, bool control)
{
    struct scpi *scpi = connection->scpi;
    if (!control && !scpi_text_only_asks(message))
        return ANSWER_CONFUSED;
    char text[SCPI_MESSAGE + 4];
    int length = snprintf(text, sizeof text, "%s%s", message, terminator(connection));
    if (length <= 0 || (size_t)length >= sizeof text)
        return ANSWER_CONFUSED;
    scpi->asked_s = clock_monotonic_s();
    scpi->answered_s = 0;
    scpi->reply_chars = 0;
    connection->transactions++;
    double deadline_s = scpi->asked_s + connection->profile->reply_timeout_s +
                        2 * length * link_character_s(&connection->spec);
    if (link_write(connection->link, text, (size_t)length, deadline_s) != 0)
        return ANSWER_GONE;
    return ANSWER_WHOLE;
}

enum answer scpi_send(struct connection *connection, const char *message, bool control)
{
    struct scpi *scpi = connection->scpi;
    if (connection_breaks_off(connection))
        return ANSWER_BROKEN_OFF;
    for (;;) {
        long got = receive(connection, 0);
        if (got == -1)
            return ANSWER_GONE;
        skip_blanks(scpi);
        if (scpi->in_count > 0)
            return ANSWER_CONFUSED;
        if (got <= 0)
            break;
    }
    return write_message(connection, message, control);
}

int scpi_send_now(struct connection *connection, const char *message, bool control)
{
    struct scpi *scpi = connection->scpi;
    while (receive(connection, 0) > 0 || scpi->in_count > 0) {
        scpi->in_count = 0;
        scpi->out_of_step = true;
    }
    bool sent = write_message(connection, message, control) == ANSWER_WHOLE;
    /* Where nothing ends a message, only a pause keeps it from the next. */
    if (connection->profile->scpi.terminator == LINE_END_GAP)
        clock_sleep_until(clock_monotonic_s() + connection->profile->scpi.reply_gap_s);
    return sent ? 0 : -1;
}

/* Where the first line in the buffer ends: its length, and with its end; false
 * where it is not whole yet. */
static bool find_line(const struct scpi *scpi, size_t *length, size_t *taken)
{
    for (size_t i = 0; i < scpi->in_count; i++) {
        char at = scpi->in[i];
        bool ends = at == '\n' || at == '\r';
        if (scpi->reply_end == LINE_END_LF || scpi->reply_end == LINE_END_CRLF)
            ends = at == '\n';
        else if (scpi->reply_end == LINE_END_CR)
            ends = at == '\r';
        if (scpi->reply_end == LINE_END_GAP || !ends)
            continue;
        *length = i;
        *taken = i + 1;
        return true;
    }
    return false;
}

static bool take_line(struct scpi *scpi, bool rest, char reply[SCPI_REPLY])
{
    size_t length = scpi->in_count;
    size_t taken = scpi->in_count;
    if (!rest && !find_line(scpi, &length, &taken))
        return false;
    scpi->reply_chars += taken;
    while (length > 0 && isspace((unsigned char)scpi->in[length - 1]))
        length--;
    if (length >= SCPI_REPLY)
        length = SCPI_REPLY - 1;
    memcpy(reply, scpi->in, length);
    reply[length] = '\0';
    /* A zero byte or another control character is noise on the line. */
    for (size_t i = 0; i < length; i++)
        if (!isprint((unsigned char)reply[i]) && reply[i] != '\t')
            reply[i] = NOISE;
    memmove(scpi->in, scpi->in + taken, scpi->in_count - taken);
    scpi->in_count -= taken;
    return true;
}

/* Where nothing but a silence ends a line, the echo stands in front of the answer. */
static void drop_echo(char *reply, const char *sent)
{
    size_t length = strlen(sent);
    if (strncmp(reply, sent, length) == 0)
        memmove(reply, reply + length, strlen(reply + length) + 1);
}

enum answer scpi_line(struct connection *connection, const char *sent, double deadline_s,
                      char reply[SCPI_REPLY])
{
    struct scpi *scpi = connection->scpi;
    bool gap = scpi->reply_end == LINE_END_GAP;
    for (;;) {
        size_t before = scpi->in_count;
        skip_blanks(scpi);
        scpi->reply_chars += before - scpi->in_count;
        bool whole = !gap && take_line(scpi, false, reply);
        if (!whole) {
            double until_s = deadline_s;
            if (gap && scpi->in_count > 0)
                until_s = clock_monotonic_s() + connection->profile->scpi.reply_gap_s;
            long got = receive(connection, until_s);
            if (got > 0 && scpi->answered_s == 0)
                scpi->answered_s = clock_monotonic_s();
            if (got == -1)
                return ANSWER_GONE;
            if (got == -2)
                return ANSWER_CONFUSED;
            if (got == 0 && !(gap && scpi->in_count > 0))
                return ANSWER_SILENT;
            if (got > 0)
                continue;
            whole = take_line(scpi, true, reply);
        }
        scpi->whole_s = clock_monotonic_s();
        if (gap && sent)
            drop_echo(reply, sent);
        if (whole && reply[0] && !(sent && strcmp(reply, sent) == 0))
            return ANSWER_WHOLE;
    }
}

enum answer scpi_nothing_more(struct connection *connection)
{
    if (receive(connection, 0) == -1)
        return ANSWER_GONE;
    skip_blanks(connection->scpi);
    return connection->scpi->in_count > 0 ? ANSWER_CONFUSED : ANSWER_WHOLE;
}

int scpi_more(struct connection *connection, double deadline_s)
{
    long got = receive(connection, deadline_s);
    if (got > 0 && connection->scpi->answered_s == 0)
        connection->scpi->answered_s = clock_monotonic_s();
    if (got > 0)
        connection->scpi->whole_s = clock_monotonic_s();
    return got > 0 ? 1 : got == 0 ? 0 : -1;
}

enum answer scpi_ask_within(struct connection *connection, const char *message, bool control,
                            double timeout_s, char reply[SCPI_REPLY])
{
    enum answer answer = scpi_send(connection, message, control);
    if (answer != ANSWER_WHOLE)
        return answer;
    double deadline_s = connection->scpi->asked_s + timeout_s +
                        link_character_s(&connection->spec) * (double)strlen(message);
    answer = scpi_line(connection, message, deadline_s, reply);
    connection->scpi->late = answer == ANSWER_SILENT;
    /* It came while this process was kept from looking: of what instant it
     * tells is no longer known. */
    if (answer == ANSWER_WHOLE && connection->scpi->whole_s > deadline_s + LATEST_LOOK_S)
        return ANSWER_SILENT;
    return answer;
}

enum answer scpi_ask(struct connection *connection, const char *message, bool control,
                     char reply[SCPI_REPLY])
{
    return scpi_ask_within(connection, message, control, connection->profile->reply_timeout_s,
                           reply);
}

/* Waits for the line to fall quiet and throws away what came, `longest_s` at
 * most. -1: gone, or it never falls quiet, or broken off. */
static int wait_for_quiet(struct connection *connection, double longest_s)
{
    struct scpi *scpi = connection->scpi;
    double until_s = clock_monotonic_s() + longest_s;
    long got = 1;
    while (got > 0 && clock_monotonic_s() < until_s) {
        if (connection_breaks_off(connection))
            return -1;
        scpi->in_count = 0;
        double pause_s = QUIET_S + 4 * link_character_s(&connection->spec);
        got = receive(connection, clock_monotonic_s() + pause_s);
    }
    scpi->in_count = 0;
    scpi->babbles = got > 0;
    return got == 0 ? link_drain(connection->link) : -1;
}

/* Where one question is open, its reply may still come: waits for it as long
 * again as for any reply. Then for quiet. */
static int wait_out(struct connection *connection)
{
    struct scpi *scpi = connection->scpi;
    double timeout_s = connection->profile->reply_timeout_s;
    char reply[SCPI_REPLY];
    double until_s = clock_monotonic_s() + timeout_s;
    while (scpi->late) {
        if (connection_breaks_off(connection))
            return -1;
        double slice_s = fmin(until_s, clock_monotonic_s() + QUIET_S);
        enum answer answer = scpi_line(connection, NULL, slice_s, reply);
        if (answer == ANSWER_GONE)
            return -1;
        scpi->late = answer == ANSWER_SILENT && slice_s < until_s;
    }
    return wait_for_quiet(connection, timeout_s);
}

/* Asks who is there and passes over whatever else comes first. *lines: how much
 * that was. */
static bool hears_identity(struct connection *connection, int *lines)
{
    struct scpi *scpi = connection->scpi;
    const char *identify = connection->profile->scpi.identify;
    scpi->in_count = 0;
    *lines = 0;
    if (scpi_send(connection, identify, false) != ANSWER_WHOLE)
        return false;
    double deadline_s = clock_monotonic_s() + connection->profile->reply_timeout_s +
                        200 * link_character_s(&connection->spec);
    char reply[SCPI_REPLY];
    for (; *lines < MOST_STRAY_LINES; ++*lines) {
        if (scpi_line(connection, identify, deadline_s, reply) != ANSWER_WHOLE)
            return false;
        if (strncmp(reply, connection->identity, sizeof connection->identity - 1) == 0)
            return true;
    }
    return false;
}

int scpi_resynchronise(struct connection *connection)
{
    struct scpi *scpi = connection->scpi;
    if (wait_out(connection) != 0)
        return -1;
    bool known = connection->profile->scpi.identify[0] && connection->identity[0];
    for (int attempt = 0; known; attempt++) {
        int lines = 0;
        if (hears_identity(connection, &lines))
            break;
        /* Something is there, if not yet in step: once more. */
        bool something = lines > 0 || scpi->in_count > 0;
        if (attempt == 1 || !something || wait_out(connection) != 0)
            return -1;
    }
    if (wait_for_quiet(connection, connection->profile->reply_timeout_s) != 0)
        return -1;
    scpi->out_of_step = false;
    scpi->doubtful = true;
    scpi->regained++;
    connection->resynchronised++;
    return 0;
}

int scpi_take_errors(struct connection *connection, char *text, size_t size)
{
    const char *query = connection->profile->scpi.error;
    if (!query[0])
        return -1;
    char reply[SCPI_REPLY];
    for (int count = 0; count < MOST_ERRORS; count++) {
        int code = 0;
        char message[120];
        enum answer answer = scpi_ask(connection, query, false, reply);
        if (answer == ANSWER_BROKEN_OFF)
            return -1;
        if (answer != ANSWER_WHOLE || !scpi_text_error(reply, &code, message, sizeof message)) {
            connection->scpi->out_of_step = true;
            return -1;
        }
        if (code == 0)
            return count;
        connection->supply_errors++;
        if (count == 0 && text)
            snprintf(text, size, "%d, \"%s\"", code, message);
    }
    return MOST_ERRORS;
}

static bool answered(struct connection *connection, const char *message, bool control,
                     char reply[SCPI_REPLY], bool *gone)
{
    enum answer answer = scpi_ask(connection, message, control, reply);
    if (answer == ANSWER_WHOLE)
        return true;
    if (answer == ANSWER_BROKEN_OFF || answer == ANSWER_GONE || scpi_resynchronise(connection) != 0)
        *gone = true;
    return false;
}

bool scpi_ask_number(struct connection *connection, const char *message, bool control, char unit,
                     double *number, bool *gone)
{
    char reply[SCPI_REPLY];
    return message[0] && answered(connection, message, control, reply, gone) &&
           scpi_text_number(reply, message, unit, number) == SCPI_NUMBER;
}

/* A CR that an LF follows was not the end of the line. */
static void learn_line_end(struct connection *connection)
{
    struct scpi *scpi = connection->scpi;
    if (scpi->reply_end != LINE_END_AUTO)
        return;
    double deadline_s = clock_monotonic_s() + 0.02 + 3 * link_character_s(&connection->spec);
    while (scpi->in_count == 0 && receive(connection, deadline_s) > 0) {
    }
    if (scpi->in_count > 0 && scpi->in[0] == '\n')
        scpi->reply_end = LINE_END_LF;
}

static int refuse_identity(const struct connection *connection, enum answer answer,
                           struct error *error)
{
    const char *query = connection->profile->scpi.identify;
    double timeout_s = connection->profile->reply_timeout_s;
    const char *place = connection->spec.text;
    if (connection->scpi->babbles || answer == ANSWER_CONFUSED)
        return error_set(error, EXIT_UNAVAILABLE, place, 0, NULL,
                         "bytes come in that nobody asked for");
    if (answer == ANSWER_GONE)
        return error_set(error, EXIT_UNAVAILABLE, place, 0, NULL,
                         "the link closed while %s was asked", query);
    return error_set(error, EXIT_UNAVAILABLE, place, 0, NULL,
                     connection->scpi->in_count ? "no whole line came for %s within %g s"
                                                : "no answer to %s within %g s",
                     query, timeout_s);
}

/* The first reply may belong to an older question: two in a row must agree. */
static int identify(struct connection *connection, struct error *error)
{
    const char *query = connection->profile->scpi.identify;
    char before[SCPI_REPLY] = "";
    char reply[SCPI_REPLY] = "";
    enum answer answer = ANSWER_SILENT;
    for (int attempt = 0; attempt < IDENTITY_ATTEMPTS; attempt++) {
        answer = scpi_ask(connection, query, false, reply);
        if (answer == ANSWER_GONE)
            return refuse_identity(connection, answer, error);
        if (answer == ANSWER_WHOLE) {
            learn_line_end(connection);
            if (strcmp(before, reply) == 0)
                break;
            snprintf(before, sizeof before, "%s", reply);
        } else if (attempt > 0) {
            return refuse_identity(connection, answer, error);
        }
        if (wait_for_quiet(connection, connection->profile->reply_timeout_s) != 0)
            return refuse_identity(connection, ANSWER_GONE, error);
        if (attempt == IDENTITY_ATTEMPTS - 1)
            return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0,
                             "the same answer each time", "%s was answered \"%.60s\"", query,
                             reply);
    }
    for (const char *at = reply; *at; at++)
        if (*at == NOISE)
            return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0,
                             "printable text (baud rate, parity?)", "%s was answered with noise",
                             query);
    snprintf(connection->identity, sizeof connection->identity, "%.159s", reply);
    return 0;
}

/* Another name on another USB device: that is another supply, which took the port's
 * name. Another name on the same converter was put there by a hand. */
static int refuse_other(const struct connection *connection, struct error *error)
{
    const struct usb_device *known = &connection->known.usb;
    if (!connection->known_identity[0] || !known->known ||
        strcmp(connection->identity, connection->known_identity) == 0 ||
        usb_device_fits(link_usb_device(connection->link), known))
        return 0;
    char was[200];
    return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0,
                     "the supply that was on it: plug that in, or start wakedraw again",
                     "\"%.60s\" answers on another USB device than \"%.60s\" did (%s)",
                     connection->identity, connection->known_identity,
                     usb_device_text(known, was, sizeof was));
}

/* The same supply is back: how it wants to be asked is still known. */
static void keep_or_forget_plans(struct connection *connection)
{
    if (strcmp(connection->identity, connection->known_identity) == 0)
        return;
    if (connection->known_identity[0])
        log_warning("%s: \"%s\" answers where \"%s\" did: another supply", connection->spec.text,
                    connection->identity, connection->known_identity);
    for (int i = 0; i < connection->output_count; i++)
        connection->dialect->forget(connection->outputs[i]);
    memcpy(connection->known_identity, connection->identity, sizeof connection->identity);
}

static int scpi_begin(struct connection *connection, struct error *error)
{
    if (!connection->scpi)
        connection->scpi = calloc(1, sizeof *connection->scpi);
    if (!connection->scpi)
        return error_set(error, EXIT_SOFTWARE, connection->spec.text, 0, NULL, "memory is out");
    memset(connection->scpi, 0, sizeof *connection->scpi);
    connection->scpi->reply_end = connection->profile->scpi.reply_end;
    return 0;
}

static int scpi_open(struct connection *connection, struct error *error)
{
    struct scpi *scpi = connection->scpi;
    const struct scpi_profile *profile = &connection->profile->scpi;
    if (wait_for_quiet(connection, 1) != 0)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         scpi->babbles ? "bytes come in that nobody asked for"
                                       : "the link closed at once");
    bool control = false;
    for (int i = 0; i < connection->output_count; i++)
        control = control || connection->outputs[i]->control;
    if (profile->remote[0] && control) {
        scpi->remote = scpi_send(connection, profile->remote, true) == ANSWER_WHOLE;
    }
    if (profile->clear[0])
        scpi_send(connection, profile->clear, false);
    if (profile->identify[0] && identify(connection, error) != 0)
        return -1;
    if (refuse_other(connection, error) != 0)
        return -1;
    keep_or_forget_plans(connection);
    scpi_take_errors(connection, NULL, 0);
    if (scpi->out_of_step && scpi_resynchronise(connection) != 0)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         scpi->babbles ? "bytes come in that nobody asked for, after %s"
                                       : "fell silent after %s",
                         profile->error);
    return 0;
}

static void scpi_close(struct connection *connection)
{
    if (connection->scpi && connection->scpi->remote && connection->profile->scpi.local[0])
        scpi_send(connection, connection->profile->scpi.local, true);
}

static void scpi_destroy(struct connection *connection)
{
    free(connection->scpi);
    connection->scpi = NULL;
}

static void scpi_forget(struct supply *supply)
{
    scpi_plan_free(supply->scpi_plan);
    supply->scpi_plan = NULL;
    memset(supply->forms, 0, sizeof supply->forms);
}

const struct dialect scpi_dialect = {
    .begin = scpi_begin,
    .open = scpi_open,
    .close = scpi_close,
    .read = scpi_read,
    .switch_output = scpi_switch_output,
    .off = scpi_off,
    .confirm_off = scpi_confirm_off,
    .set = scpi_set,
    .read_settings = scpi_read_settings,
    .tells_output = scpi_tells_output,
    .forget = scpi_forget,
    .destroy = scpi_destroy,
};
