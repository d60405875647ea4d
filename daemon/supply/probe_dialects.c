/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/probe_private.h"

#include "base/clock.h"
#include "supply/scpi.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ASKED_OUTPUTS = 8, NO_SUCH_OUTPUT = 63 };

static const double QUESTION_S = 0.8;
static const double ARRAY_S = 3;
static const double ARRAY_PAUSE_S = 0.2;

/* What questions alone tell about the outputs. */
struct manners {
    int listed;   /* outputs that a channel list names; 0: it takes none */
    int selected; /* by INST:NSEL?; 0: has none */
    int numbered; /* outputs that can be selected; 0: not told */
    bool arrays;
};

static struct profile *load(const char *name, enum line_end end, struct error *error)
{
    struct profile *profile = profile_load(name, error);
    if (!profile)
        return NULL;
    /* Nothing is cleared that somebody might still want to read. */
    profile->scpi.clear[0] = '\0';
    if (end == LINE_END_CRLF && profile->scpi.terminator == LINE_END_LF)
        profile->scpi.terminator = end;
    return profile;
}

/* Answered, and the error queue empty afterwards (where there is one). */
static bool ask_clean(struct connection *connection, const char *message, char reply[SCPI_REPLY])
{
    if (connection->scpi->out_of_step && scpi_resynchronise(connection) != 0)
        return false;
    enum answer answer = scpi_ask_within(connection, message, false, QUESTION_S, reply);
    if (answer != ANSWER_WHOLE) {
        connection->scpi->out_of_step = true;
        if (answer == ANSWER_GONE || scpi_resynchronise(connection) != 0)
            return false;
    }
    int errors = scpi_take_errors(connection, NULL, 0);
    if (connection->scpi->out_of_step && scpi_resynchronise(connection) != 0)
        return false;
    return answer == ANSWER_WHOLE && errors <= 0;
}

static bool number_of(struct connection *connection, const char *message, double *number)
{
    char reply[SCPI_REPLY];
    return ask_clean(connection, message, reply) &&
           scpi_text_number(reply, message, 'V', number) == SCPI_NUMBER;
}

static bool reads_listed(struct connection *connection, int output)
{
    char message[40];
    double number = 0;
    snprintf(message, sizeof message, "MEAS:VOLT? (@%d)", output);
    return number_of(connection, message, &number);
}

/* A supply that answers for an output nobody has does not look at the list. */
static int count_listed(struct connection *connection)
{
    if (!reads_listed(connection, 1) || reads_listed(connection, NO_SUCH_OUTPUT))
        return 0;
    int count = 1;
    while (count < MOST_ASKED_OUTPUTS && reads_listed(connection, count + 1))
        count++;
    return count;
}

static int whole(double number, int most)
{
    return number >= 1 && number <= most && floor(number) == number ? (int)number : 0;
}

static void count_selected(struct connection *connection, struct manners *manners)
{
    double number = 0;
    if (!number_of(connection, "INST:NSEL?", &number))
        return;
    manners->selected = whole(number, MOST_OUTPUTS);
    if (manners->selected == 0)
        return;
    char reply[SCPI_REPLY];
    char *fields[MOST_OUTPUTS];
    /* INSTrument:CATalog? lists the names of all there are (SCPI-1999, 10.2). */
    if (ask_clean(connection, "INST:CAT?", reply))
        manners->numbered = (int)scpi_text_split(reply, fields, MOST_OUTPUTS);
    else if (number_of(connection, "INST:NSEL? MAX", &number))
        manners->numbered = whole(number, MOST_OUTPUTS);
}

/* Is the reply of this kind: a block of definite length, or numbers in a row? */
static bool is_array(const char *bytes, size_t count)
{
    size_t commas = 0;
    for (size_t i = 0; i < count; i++)
        commas += bytes[i] == ',';
    return count > 3 && ((bytes[0] == '#' && bytes[1] > '0' && bytes[1] <= '9') || commas >= 2);
}

/* The reply may be long and binary: taken from the link by itself. */
static bool offers_arrays(struct connection *connection)
{
    static const char question[] = "MEAS:ARR:CURR?";
    if (connection->scpi->out_of_step && scpi_resynchronise(connection) != 0)
        return false;
    if (scpi_send(connection, question, false) != ANSWER_WHOLE)
        return false;
    char head[512];
    size_t count = 0;
    double deadline_s = clock_monotonic_s() + ARRAY_S;
    double until_s = clock_monotonic_s() + 4 * ARRAY_S;
    while (clock_monotonic_s() < until_s) {
        char bytes[2048];
        long got = link_read(connection->link, bytes, sizeof bytes, deadline_s);
        if (got <= 0)
            break;
        for (long i = 0; i < got && count < sizeof head; i++)
            head[count++] = bytes[i];
        deadline_s = clock_monotonic_s() + ARRAY_PAUSE_S;
    }
    connection->scpi->out_of_step = true;
    connection->scpi->late = count == 0;
    bool back = scpi_resynchronise(connection) == 0;
    if (back)
        scpi_take_errors(connection, NULL, 0);
    return back && is_array(head, count);
}

/* What the supply lets on by itself; false where nobody answers there. */
static bool look_at_manners(const struct link_spec *spec, enum line_end end,
                            struct manners *manners, char identity[160], struct error *error)
{
    struct profile *profile = load("scpi", end, error);
    struct connection *connection = profile ? connection_create(profile, spec, error) : NULL;
    bool opened = connection && connection_open(connection, error) == 0;
    if (opened) {
        snprintf(identity, 160, "%s", connection->identity);
        manners->listed = count_listed(connection);
        count_selected(connection, manners);
        manners->arrays = offers_arrays(connection);
    }
    connection_destroy(connection);
    profile_destroy(profile);
    return opened;
}

/* Candidates in the order in which they are tried, for those manners. */
static size_t order(const struct manners *manners, bool terse_first, const char *names[5])
{
    size_t count = 0;
    if (terse_first)
        names[count++] = "terse";
    /* A list names its output with each question: nobody can select it away. Where
     * there is one output alone, the plain way tells more. */
    if (manners->listed > 1)
        names[count++] = "scpi-channel-list";
    if (manners->selected > 0 && manners->numbered != 1)
        names[count++] = "scpi-nselect";
    names[count++] = "scpi";
    if (manners->listed == 1)
        names[count++] = "scpi-channel-list";
    if (!terse_first)
        names[count++] = "terse";
    return count;
}

static void add_note(struct supply_finding *finding, const char *text)
{
    size_t used = strlen(finding->note);
    snprintf(finding->note + used, sizeof finding->note - used, "%s%s", used ? "; " : "", text);
}

static void describe(struct supply_finding *finding, const struct profile *profile,
                     const struct manners *manners, const struct reading *reading)
{
    char text[160];
    snprintf(finding->profile, sizeof finding->profile, "%s", profile->name);
    snprintf(text, sizeof text, "reads %.4g V, %.4g A", reading->voltage_V, reading->current_A);
    add_note(finding, text);
    finding->outputs = 1;
    if (strcmp(profile->name, "scpi-channel-list") == 0)
        finding->outputs = manners->listed;
    else if (strcmp(profile->name, "scpi-nselect") == 0)
        finding->outputs = manners->numbered;
    else if (strcmp(profile->name, "terse") == 0)
        finding->outputs = 0;
    if (finding->outputs > profile->outputs) {
        snprintf(text, sizeof text, "it has %d outputs: copy the profile and write outputs = %d",
                 finding->outputs, finding->outputs);
        add_note(finding, text);
    }
    if (profile->scpi.terminator == LINE_END_CRLF)
        add_note(finding, "answers only after CR LF: copy the profile and write terminator = CRLF");
    if (manners->arrays) {
        finding->arrays = true;
        add_note(finding, "answers MEAS:ARR:CURR? with an array: scpi-array, copied with its own "
                          "array_interval_s and array_form, reads faster");
    }
}

int probe_dialects(const struct link_spec *spec, enum line_end end, bool nameless,
                   struct supply_finding *finding, struct error *error)
{
    struct manners manners = {0};
    char identity[160] = "";
    const char *names[5];
    bool terse_first = end == LINE_END_GAP;
    bool there = terse_first || look_at_manners(spec, end, &manners, identity, error);
    /* Nobody there, or in use: the profiles would find no more. On a line that
     * answered a moment ago they may. */
    if (!there && spec->kind != LINK_SERIAL)
        return -1;
    size_t count = order(&manners, terse_first, names);
    for (size_t i = 0; i < count; i++) {
        struct error problem = {0};
        struct reading reading;
        struct profile *profile = load(names[i], end, &problem);
        int output = strcmp(names[i], "scpi-nselect") == 0 ? manners.selected : 1;
        if (profile && nameless)
            profile->scpi.identify[0] = '\0';
        bool good = profile && output <= profile->outputs &&
                    probe_reads(profile, spec, output, &reading, identity, &problem);
        if (good) {
            snprintf(finding->answer, sizeof finding->answer, "%s",
                     identity[0] ? identity : "answers readings, does not say who it is");
            describe(finding, profile, &manners, &reading);
            if (nameless)
                add_note(finding, "knows no *IDN?: copy the profile and write identify = none");
        }
        profile_destroy(profile);
        if (good)
            return 0;
        if (problem.status != EXIT_OK)
            *error = problem;
    }
    if (!identity[0])
        return -1;
    snprintf(finding->answer, sizeof finding->answer, "%s", identity);
    add_note(finding, "answers *IDN?, but none of the installed profiles reads it: write one "
                      "(daemon/profiles/README.md)");
    return 0;
}
