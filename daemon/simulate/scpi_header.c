/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_header.h"

#include <ctype.h>
#include <stddef.h>
#include <string.h>

enum { MOST_NODES = 8 };

struct node {
    const char *text;
    size_t length;
    bool optional, numbered;
};

static int pattern_nodes(const char *pattern, struct node nodes[MOST_NODES])
{
    int count = 0;
    bool optional = false;
    while (*pattern && count < MOST_NODES) {
        if (*pattern == '[')
            optional = true;
        else if (*pattern == ']')
            optional = false;
        if (!isalpha((unsigned char)*pattern)) {
            pattern++;
            continue;
        }
        size_t length = strcspn(pattern, ":[]#");
        nodes[count++] = (struct node){pattern, length, optional, pattern[length] == '#'};
        pattern += length;
    }
    return count;
}

static int header_nodes(const char *header, struct node nodes[MOST_NODES])
{
    int count = 0;
    for (;;) {
        size_t length = strcspn(header, ":");
        if (length == 0 || count == MOST_NODES)
            return -1;
        nodes[count++] = (struct node){header, length, false, false};
        if (header[length] == '\0')
            return count;
        header += length + 1;
    }
}

/* The long form or the short form (the capitals), nothing between. */
static bool same_mnemonic(const struct node *pattern, const char *text, size_t length)
{
    size_t capitals = 0;
    while (capitals < pattern->length && !islower((unsigned char)pattern->text[capitals]))
        capitals++;
    return (length == pattern->length || length == capitals) &&
           strncasecmp(pattern->text, text, length) == 0;
}

static bool same_node(const struct node *pattern, const struct node *given, int *suffix)
{
    size_t length = given->length;
    while (pattern->numbered && length > 0 && isdigit((unsigned char)given->text[length - 1]))
        length--;
    if (!same_mnemonic(pattern, given->text, length))
        return false;
    if (length < given->length) {
        int number = 0;
        for (size_t i = length; i < given->length && number < 1000; i++)
            number = number * 10 + (given->text[i] - '0');
        *suffix = number;
    }
    return true;
}

static bool match(const struct node *pattern, int pattern_count, const struct node *given,
                  int given_count, int *suffix)
{
    if (pattern_count == 0)
        return given_count == 0;
    int kept = *suffix;
    if (given_count > 0 && same_node(pattern, given, suffix) &&
        match(pattern + 1, pattern_count - 1, given + 1, given_count - 1, suffix))
        return true;
    *suffix = kept;
    return pattern->optional && match(pattern + 1, pattern_count - 1, given, given_count, suffix);
}

bool scpi_header_matches(const char *pattern, const char *header, int *suffix)
{
    struct node wanted[MOST_NODES], given[MOST_NODES];
    int wanted_count = pattern_nodes(pattern, wanted);
    int given_count = header_nodes(header, given);
    int found = -1;
    if (given_count < 0 || !match(wanted, wanted_count, given, given_count, &found))
        return false;
    *suffix = found;
    return true;
}
