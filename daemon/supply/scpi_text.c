/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/scpi_text.h"

#include "base/number.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

const char *scpi_text_past_words(const char *field, const char *query)
{
    field += strspn(field, " \t");
    if (!query)
        return field;
    size_t stem = strcspn(query, "?");
    if (stem == 0 || strncasecmp(field, query, stem) != 0)
        return field;
    const char *after = field + stem;
    if (*after != ' ' && *after != '\t')
        return field;
    return after + strspn(after, " \t");
}

enum scpi_field scpi_text_number(const char *field, const char *query, char unit, double *number)
{
    const char *start = scpi_text_past_words(field, query);
    double value = 0;
    const char *end = NULL;
    if (!number_parse(start, &value, &end))
        return SCPI_NO_NUMBER;
    end += strspn(end, " \t");
    if (unit && toupper((unsigned char)*end) == toupper((unsigned char)unit))
        end++;
    if (end[strspn(end, " \t\r\n")])
        return SCPI_NO_NUMBER;
    double size = fabs(value);
    if (size > 9.905e37 && size < 9.915e37)
        return SCPI_NAN;
    if (size >= 9.895e37)
        return SCPI_INFINITE;
    *number = value;
    return SCPI_NUMBER;
}

int scpi_text_flag(const char *field)
{
    field += strspn(field, " \t");
    size_t length = strcspn(field, " \t\r\n");
    if (length == 2 && strncasecmp(field, "ON", 2) == 0)
        return 1;
    if (length == 3 && strncasecmp(field, "OFF", 3) == 0)
        return 0;
    double number = 0;
    if (!number_parse_whole(field, &number) || (number != 0 && number != 1))
        return -1;
    return number != 0;
}

size_t scpi_text_split(char *reply, char *fields[], size_t most)
{
    if (!reply[0])
        return 0;
    size_t count = 0;
    char quote = 0;
    char *start = reply;
    for (char *at = reply;; at++) {
        if (*at && (*at == quote || (!quote && (*at == '"' || *at == '\''))))
            quote = quote ? 0 : *at;
        if (*at && (quote || (*at != ';' && *at != ',')))
            continue;
        bool last = !*at;
        *at = '\0';
        if (count < most)
            fields[count] = start;
        count++;
        start = at + 1;
        if (last)
            return count;
    }
}

bool scpi_text_error(const char *reply, int *code, char *text, size_t size)
{
    double number = 0;
    const char *end = NULL;
    if (!number_parse(reply, &number, &end) || fabs(number) > 99999 || floor(number) != number)
        return false;
    end += strspn(end, " \t");
    if (*end != ',')
        return false;
    const char *message = end + 1 + strspn(end + 1, " \t\"");
    size_t length = strcspn(message, "\"\r\n");
    *code = (int)number;
    if (size > 0)
        snprintf(text, size, "%.*s", (int)length, message);
    return true;
}

static bool part_asks(const char *part, size_t length)
{
    while (length > 0 && isspace((unsigned char)*part)) {
        part++;
        length--;
    }
    size_t word = 0;
    while (word < length && !isspace((unsigned char)part[word]))
        word++;
    if (word == 4 && strncasecmp(part, "*CLS", 4) == 0)
        return word == length || strspn(part + word, " \t") >= length - word;
    if (word < 2 || part[word - 1] != '?')
        return false;
    /* A second question mark or a line end inside would begin another message. */
    for (size_t i = 0; i + 1 < length; i++)
        if ((i != word - 1 && part[i] == '?') || part[i] == '\n' || part[i] == '\r')
            return false;
    return part[length - 1] != '\n' && part[length - 1] != '\r';
}

bool scpi_text_only_asks(const char *message)
{
    const char *start = message;
    char quote = 0;
    for (const char *at = message;; at++) {
        if (*at && (*at == quote || (!quote && (*at == '"' || *at == '\''))))
            quote = quote ? 0 : *at;
        if (*at && (quote || *at != ';'))
            continue;
        if (quote || !part_asks(start, (size_t)(at - start)))
            return false;
        if (!*at)
            return true;
        start = at + 1;
    }
}

static void print_value(double value, char text[40])
{
    char whole[40];
    number_print(round(value * 1e6) / 1e6, whole);
    if (!strchr(whole, 'e')) {
        snprintf(text, 40, "%s", whole);
        return;
    }
    /* No exponent: small firmware reads plain decimals only. */
    long long millionths = llround(value * 1e6);
    unsigned long long size = (unsigned long long)llabs(millionths);
    snprintf(text, 40, "%s%llu.%06llu", millionths < 0 ? "-" : "", size / 1000000, size % 1000000);
}

bool scpi_text_fill(const char *message, int output, double value, char *text, size_t size)
{
    char number[40];
    size_t used = 0;
    while (*message) {
        const char *insert = NULL;
        if (strncmp(message, "{output}", 8) == 0) {
            snprintf(number, sizeof number, "%d", output);
            insert = number;
            message += 8;
        } else if (strncmp(message, "{value}", 7) == 0) {
            print_value(value, number);
            insert = number;
            message += 7;
        }
        size_t length = insert ? strlen(insert) : 1;
        if (used + length >= size)
            return false;
        if (insert)
            memcpy(text + used, insert, length);
        else
            text[used] = *message++;
        used += length;
    }
    text[used] = '\0';
    return used > 0;
}

bool scpi_text_template_ok(const char *message, bool valued)
{
    while ((message = strpbrk(message, "{}")) != NULL) {
        if (strncmp(message, "{output}", 8) == 0)
            message += 8;
        else if (valued && strncmp(message, "{value}", 7) == 0)
            message += 7;
        else
            return false;
    }
    return true;
}

/* Length of the path in front of the first word's last colon, that included. */
static size_t path_length(const char *query)
{
    size_t length = 0;
    for (size_t i = 0; query[i] && !isspace((unsigned char)query[i]) && query[i] != '?'; i++)
        if (query[i] == ':')
            length = i + 1;
    return length;
}

bool scpi_text_join(const char *first, const char *second, enum scpi_join join, char *text,
                    size_t size)
{
    if (!first[0] || !second[0])
        return false;
    if (first[0] == ':')
        first++;
    if (second[0] == ':')
        second++;
    const char *between = ";";
    /* The path that a following part inherits is the last part's of the first. */
    const char *last = strrchr(first, ';');
    if (join == SCPI_JOIN_PATH) {
        size_t path = path_length(first);
        if (last || path == 0 || path != path_length(second) ||
            strncasecmp(first, second, path) != 0)
            return false;
        second += path;
    } else if (join == SCPI_JOIN_ROOT) {
        if (second[0] == '*')
            return false;
        between = ";:";
    }
    int length = snprintf(text, size, "%s%s%s", first, between, second);
    return length > 0 && (size_t)length < size;
}

bool scpi_text_same_setting(double set, double read)
{
    return fabs(set - read) <= 0.02 + 0.005 * fabs(set);
}
