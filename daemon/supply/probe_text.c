/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/probe_private.h"

#include "base/clock.h"
#include "supply/line_walk.h"
#include "supply/scpi_text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { LONGEST = 400, SHORTEST_NAME = 4 };

static const double WAIT_S = 0.4;
static const double PATIENT_S = 2;
static const double PAUSE_S = 0.06;
static const double BABBLE_S = 1.5;

enum heard { HEARD_NOTHING, HEARD_NOISE, HEARD_TEXT, HEARD_GONE };

/* A message and what ends it; the older dialect ends none, and may not know *IDN?. */
static const struct question {
    const char *text;
    enum line_end end;
    bool number; /* of the answer */
} questions[] = {
    {"*IDN?\n", LINE_END_LF, false},
    {"*IDN?\r\n", LINE_END_CRLF, false},
    {"*IDN?", LINE_END_GAP, false},
    {"VOUT1?", LINE_END_GAP, true},
};
enum { QUESTIONS = sizeof questions / sizeof *questions };

/* Is it a name or a number, and not what a wrong rate makes of one? */
static bool makes_sense(const struct question *question, const char *text)
{
    size_t length = strlen(text);
    size_t plain = 0;
    double number = 0;
    for (size_t i = 0; i < length; i++) {
        if (!isprint((unsigned char)text[i]))
            return false;
        plain += isalnum((unsigned char)text[i]) != 0;
    }
    if (question->number)
        return scpi_text_number(text, "VOUT1?", 'V', &number) == SCPI_NUMBER;
    return length >= SHORTEST_NAME && 2 * plain >= length;
}

/* The first line of what came, an echo of the question passed over. */
static void first_line(const char *message, char *text)
{
    size_t echoed = strcspn(message, "\r\n");
    if (strncmp(text, message, echoed) == 0)
        memmove(text, text + echoed, strlen(text + echoed) + 1);
    size_t blanks = strspn(text, " \t\r\n");
    memmove(text, text + blanks, strlen(text + blanks) + 1);
    text[strcspn(text, "\r\n")] = '\0';
}

/* Asks once and listens until it is quiet again. */
static enum heard hear(struct link *link, const struct link_spec *spec,
                       const struct question *question, double wait_s, char answer[LONGEST])
{
    char bytes[LONGEST];
    size_t count = 0;
    double character_s = link_character_s(spec);
    size_t length = strlen(question->text);
    answer[0] = '\0';
    if (link_drain(link) != 0 ||
        link_write(link, question->text, length, clock_monotonic_s() + 1) != 0)
        return HEARD_GONE;
    double begun_s = clock_monotonic_s();
    double deadline_s = begun_s + wait_s + (double)length * character_s;
    for (;;) {
        char more[LONGEST];
        long got = link_read(link, more, sizeof more, deadline_s);
        if (got < 0)
            return HEARD_GONE;
        if (got == 0)
            break;
        size_t room = sizeof bytes - 1 - count;
        size_t taken = (size_t)got < room ? (size_t)got : room;
        memcpy(bytes + count, more, taken);
        count += taken;
        deadline_s = clock_monotonic_s() + PAUSE_S + 4 * character_s;
        if (clock_monotonic_s() - begun_s > wait_s + BABBLE_S)
            return HEARD_NOISE;
    }
    if (count == 0)
        return HEARD_NOTHING;
    for (size_t i = 0; i < count; i++)
        if (bytes[i] == '\0')
            bytes[i] = '\x01'; /* noise, not an end */
    bytes[count] = '\0';
    memcpy(answer, bytes, count + 1);
    first_line(question->text, answer);
    if (!answer[0])
        return HEARD_NOTHING; /* but our own echo */
    return makes_sense(question, answer) ? HEARD_TEXT : HEARD_NOISE;
}

struct text_walk {
    const struct supply_probing *probing;
    struct link *link;
    struct link_spec spec;        /* as the port stands */
    const struct question *asked; /* and answered */
    int noisy_baud;
};

/* The same sense twice is an answer. */
static enum heard hear_twice(struct text_walk *walk, const struct question *question, double wait_s)
{
    char first[LONGEST];
    char second[LONGEST];
    enum heard heard = hear(walk->link, &walk->spec, question, wait_s, first);
    /* The first may have gone to end what noise or another ending had begun. */
    if (heard == HEARD_NOTHING && question->end == LINE_END_CRLF)
        heard = hear(walk->link, &walk->spec, question, wait_s, first);
    if (heard == HEARD_TEXT)
        heard = hear(walk->link, &walk->spec, question, wait_s, second);
    if (heard == HEARD_TEXT && !question->number && strcmp(first, second) != 0)
        return HEARD_NOISE;
    return heard;
}

static bool answers(struct text_walk *walk, const struct line_try *at)
{
    double wait_s = WAIT_S;
    if (at->patient)
        wait_s = PATIENT_S;
    else if (walk->probing->wait_s > 0)
        wait_s = walk->probing->wait_s;
    for (int i = 0; i < QUESTIONS; i++) {
        /* With patience, the plain ending and the nameless alone. */
        bool wanted = at->patient ? i == 0 || questions[i].number : !questions[i].number;
        if (!wanted)
            continue;
        enum heard heard = hear_twice(walk, &questions[i], wait_s);
        if (heard == HEARD_NOISE) {
            walk->noisy_baud = walk->spec.baud;
            return false; /* the other endings would bring noise, too */
        }
        if (heard != HEARD_TEXT)
            continue;
        walk->asked = &questions[i];
        /* The plain ending, where it was but kept from being understood. */
        if (questions[i].end == LINE_END_CRLF &&
            hear_twice(walk, &questions[0], wait_s) == HEARD_TEXT)
            walk->asked = &questions[0];
        else if (questions[i].end == LINE_END_CRLF)
            hear_twice(walk, &questions[i], wait_s);
        return true;
    }
    return false;
}

static int open_line(struct text_walk *walk, const struct line_try *at, struct error *error)
{
    struct link_spec spec = line_walk_spec(walk->probing->spec, at);
    bool same = walk->link && spec.baud == walk->spec.baud && spec.parity == walk->spec.parity &&
                spec.stop_bits == walk->spec.stop_bits;
    walk->spec = spec;
    if (walk->link)
        return same || link_set_line(walk->link, &spec) == 0 ? 0 : 1;
    walk->link = link_open(&spec, 2, error);
    return walk->link ? 0 : -1;
}

/* 1: a line answers, and walk->spec says which; 0: none; -1: the port is not to be had. */
static int walk_lines(struct text_walk *walk, const struct line_walk *lines, struct error *error)
{
    const struct supply_probing *probing = walk->probing;
    int result = 0;
    for (size_t i = 0; i < lines->count && result == 0; i++) {
        int opened = open_line(walk, &lines->tries[i], error);
        if (opened < 0)
            return -1;
        char what[80];
        probe_line_words(&walk->spec, what);
        if (probing->trying)
            probing->trying(probing->context, what, i, lines->count);
        if (opened == 0 && answers(walk, &lines->tries[i]))
            result = 1;
        if (link_is_gone(walk->link))
            return error_set(error, EXIT_UNAVAILABLE, probing->spec->text, 0, NULL,
                             "the port went away while its rates were walked");
    }
    return result;
}

static int find_line(const struct supply_probing *probing, struct link_spec *spec,
                     const struct question **asked, struct error *error)
{
    struct line_walk lines = {0};
    struct text_walk walk = {.probing = probing, .asked = &questions[0]};
    if (line_walk_make(probing->spec, &lines) != 0)
        return error_set(error, EXIT_SOFTWARE, probing->spec->text, 0, NULL, "memory is out");
    int result = walk_lines(&walk, &lines, error);
    link_close(walk.link);
    line_walk_clear(&lines);
    *spec = walk.spec;
    *asked = walk.asked;
    if (result != 0)
        return result < 0 ? -1 : 0;
    if (spec->kind == LINK_TCP)
        return error_set(error, EXIT_UNAVAILABLE, probing->spec->text, 0, NULL,
                         "nothing answers *IDN? in words, however it is ended; a Modbus unit? "
                         "then modbus-tcp: or modbus-rtu-tcp:");
    if (walk.noisy_baud)
        return error_set(error, EXIT_UNAVAILABLE, probing->spec->text, 0, NULL,
                         "nothing answers in words; noise comes at %d baud: another parity, or "
                         "a Modbus unit (modbus-rtu:%s)?",
                         walk.noisy_baud, probing->spec->place);
    return error_set(error, EXIT_UNAVAILABLE, probing->spec->text, 0, NULL,
                     "nothing answers *IDN? %s%s",
                     probing->spec->baud_given ? "at this rate" : "at any rate",
                     probing->spec->baud_given ? "" : "; a Modbus unit? then modbus-rtu:");
}

int probe_text(const struct supply_probing *probing, struct error *error)
{
    struct link_spec spec = *probing->spec;
    const struct question *asked = &questions[0];
    bool may_lack_ends = spec.kind == LINK_SERIAL || spec.kind == LINK_TCP;
    if (may_lack_ends && find_line(probing, &spec, &asked, error) != 0)
        return -1;
    struct supply_finding finding = {.spec = spec};
    line_walk_text(&spec, finding.link);
    if (probe_dialects(&spec, asked->end, asked->number, &finding, error) != 0)
        return -1;
    probing->found(probing->context, &finding);
    return 1;
}
