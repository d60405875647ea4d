/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/dialect.h"

#include "base/number.h"
#include "simulate/scpi_call.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LONGEST_PART = 240 };

/* What each message is in plain SCPI; %d is the output, %s the value. */
static const char *const meanings[MESSAGE_COUNT] = {
    [MESSAGE_IDENTIFY] = "*IDN?",
    [MESSAGE_ERROR] = ":SYST:ERR?",
    [MESSAGE_READ] = ":MEAS:VOLT? (@%d);:MEAS:CURR? (@%d)",
    [MESSAGE_READ_VOLTAGE] = ":MEAS:VOLT? (@%d)",
    [MESSAGE_READ_CURRENT] = ":MEAS:CURR? (@%d)",
    [MESSAGE_READ_OUTPUT] = ":OUTP? (@%d)",
    [MESSAGE_READ_LIMITED] = ":STAT:QUES:COND?",
    [MESSAGE_QUERY_VOLTAGE] = ":VOLT? (@%d)",
    [MESSAGE_QUERY_LIMIT] = ":CURR? (@%d)",
    [MESSAGE_SET_VOLTAGE] = ":VOLT %s,(@%d)",
    [MESSAGE_SET_LIMIT] = ":CURR %s,(@%d)",
    [MESSAGE_OUTPUT_ON] = ":OUTP ON,(@%d)",
    [MESSAGE_OUTPUT_OFF] = ":OUTP OFF,(@%d)",
    [MESSAGE_QUERY_PROTECTION] = ":VOLT:PROT? (@%d)",
    [MESSAGE_SET_PROTECTION] = ":VOLT:PROT %s,(@%d)",
    [MESSAGE_QUERY_SELECTION] = ":INST:NSEL?",
    [MESSAGE_SELECT] = ":INST:NSEL %d",
    [MESSAGE_REMOTE] = ":SYST:REM",
    [MESSAGE_LOCAL] = ":SYST:LOC",
};

/* The pattern's text with 1 for {output} and {value}: is its header SCPI's? */
static bool is_plain(const char *pattern)
{
    char text[200];
    size_t count = 0;
    while (*pattern && count + 1 < sizeof text) {
        if (*pattern == '{') {
            text[count++] = '1';
            pattern += strcspn(pattern, "}");
            pattern += *pattern == '}';
        } else {
            text[count++] = *pattern++;
        }
    }
    text[count] = '\0';
    text[strcspn(text, " ;")] = '\0';
    size_t length = strlen(text);
    bool query = length > 0 && text[length - 1] == '?';
    if (query)
        text[length - 1] = '\0';
    return scpi_knows(text[0] == ':' ? text + 1 : text, query);
}

void dialect_init(struct dialect *dialect, const struct supply_map *map, int outputs)
{
    *dialect = (struct dialect){.map = map, .outputs = outputs};
    for (int i = 0; i < MESSAGE_COUNT; i++) {
        dialect->own[i] = map->messages[i][0] != '\0' && !is_plain(map->messages[i]);
        dialect->any = dialect->any || dialect->own[i];
    }
}

struct filled {
    int output; /* 0: the pattern names none */
    char value[40];
};

/* Text against a pattern with {output} and {value}; letters in either case. */
static bool matches(const char *pattern, const char *text, struct filled *filled)
{
    while (*pattern) {
        if (strncmp(pattern, "{output}", 8) == 0) {
            char *end = NULL;
            long output = strtol(text, &end, 10);
            if (!isdigit((unsigned char)*text) || output < 1 || output > 99)
                return false;
            filled->output = (int)output;
            text = end;
            pattern += 8;
        } else if (strncmp(pattern, "{value}", 7) == 0) {
            const char *end = NULL;
            double value = 0;
            if (!number_parse(text, &value, &end) || (size_t)(end - text) >= sizeof filled->value)
                return false;
            snprintf(filled->value, sizeof filled->value, "%.*s", (int)(end - text), text);
            text = end;
            pattern += 7;
        } else {
            if (*text == '\0' || toupper((unsigned char)*pattern) != toupper((unsigned char)*text))
                return false;
            pattern++;
            text++;
        }
    }
    return *text == '\0';
}

static int put_plain(enum message_name name, const struct filled *filled, char *plain, size_t size)
{
    const char *form = meanings[name];
    int output = filled->output > 0 ? filled->output : 1;
    char number[12];
    snprintf(number, sizeof number, "%d", output);
    size_t count = 0;
    for (; *form && count + 1 < size; form++) {
        const char *piece = NULL;
        if (strncmp(form, "%d", 2) == 0)
            piece = number;
        else if (strncmp(form, "%s", 2) == 0)
            piece = filled->value;
        if (!piece) {
            plain[count++] = *form;
            continue;
        }
        count += (size_t)snprintf(plain + count, size - count, "%s", piece);
        form++;
    }
    plain[count < size ? count : size - 1] = '\0';
    return *form == '\0' && count < size ? (int)count : -1;
}

static int switch_all(const struct dialect *dialect, enum message_name name, char *plain,
                      size_t size)
{
    size_t used = 0;
    for (int output = 1; output <= dialect->outputs; output++) {
        struct filled filled = {.output = output};
        if (used > 0 && used + 1 < size)
            plain[used++] = ';';
        int count = put_plain(name, &filled, plain + used, size - used);
        if (count < 0)
            return -1;
        used += (size_t)count;
    }
    return (int)used;
}

/* One part; what the dialect does not state is passed on. -1: no room. */
static int translate_part(const struct dialect *dialect, const char *part, char *plain, size_t size,
                          bool *found)
{
    for (int i = 0; i < MESSAGE_COUNT; i++) {
        struct filled filled = {0};
        if (dialect->own[i] && matches(dialect->map->messages[i], part, &filled)) {
            *found = true;
            if ((i == MESSAGE_OUTPUT_ON || i == MESSAGE_OUTPUT_OFF) && filled.output == 0)
                return switch_all(dialect, (enum message_name)i, plain, size);
            return put_plain((enum message_name)i, &filled, plain, size);
        }
    }
    *found = false;
    int count = snprintf(plain, size, "%s", part);
    return count >= 0 && (size_t)count < size ? count : -1;
}

bool dialect_asks_state(const struct dialect *dialect, const char *message, size_t length,
                        int *output)
{
    static const enum message_name names[] = {MESSAGE_READ_OUTPUT, MESSAGE_READ_LIMITED};
    const int bits[] = {dialect->map->output_bit, dialect->map->limited_bit};
    char copy[SCPI_LONGEST_MESSAGE];
    while (length > 0 && strchr(" \t\r", message[length - 1]))
        length--;
    if (length >= sizeof copy || memchr(message, '\0', length))
        return false;
    memcpy(copy, message, length);
    copy[length] = '\0';
    for (size_t i = 0; i < 2; i++) {
        struct filled filled = {.output = 1};
        if (bits[i] < 0 || !dialect->own[names[i]] ||
            !matches(dialect->map->messages[names[i]], copy, &filled))
            continue;
        *output = filled.output;
        return filled.output <= dialect->outputs;
    }
    return false;
}

size_t dialect_translate(const struct dialect *dialect, const char *message, size_t length,
                         char *plain, size_t size)
{
    char copy[SCPI_LONGEST_MESSAGE];
    while (length > 0 && strchr(" \t\r", message[length - 1]))
        length--;
    if (length >= sizeof copy || memchr(message, '\0', length))
        return 0;
    memcpy(copy, message, length);
    copy[length] = '\0';
    bool found = false;
    int count = translate_part(dialect, copy, plain, size, &found);
    if (found || count < 0)
        return count < 0 ? 0 : (size_t)count;
    size_t used = 0;
    char *place = NULL;
    for (char *part = strtok_r(copy, ";", &place); part; part = strtok_r(NULL, ";", &place)) {
        if (used > 0 && used + 1 < size)
            plain[used++] = ';';
        count = translate_part(dialect, part, plain + used, size - used, &found);
        if (count < 0)
            return 0;
        used += (size_t)count;
    }
    return used;
}
