/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "http/path.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

static int hex_digit(char digit)
{
    if (digit >= '0' && digit <= '9')
        return digit - '0';
    if (digit >= 'a' && digit <= 'f')
        return digit - 'a' + 10;
    if (digit >= 'A' && digit <= 'F')
        return digit - 'A' + 10;
    return -1;
}

/* The length of the UTF-8 sequence that starts here; 0: none does. Overlong
 * forms, surrogates and what lies past U+10FFFF are none (RFC 3629). */
static size_t sequence_length(const unsigned char *text)
{
    unsigned char first = text[0];
    size_t length = first < 0x80 ? 1 : first < 0xC2 ? 0 : first < 0xE0 ? 2 : first < 0xF0 ? 3 : 4;
    if (first > 0xF4)
        return 0;
    for (size_t i = 1; i < length; i++)
        if ((text[i] & 0xC0) != 0x80)
            return 0;
    if ((first == 0xE0 && text[1] < 0xA0) || (first == 0xED && text[1] > 0x9F) ||
        (first == 0xF0 && text[1] < 0x90) || (first == 0xF4 && text[1] > 0x8F))
        return 0;
    return length;
}

static bool is_plain_text(const char *text)
{
    const unsigned char *at = (const unsigned char *)text;
    while (*at) {
        size_t length = sequence_length(at);
        if (length == 0 || *at < 0x20 || *at == 0x7F)
            return false;
        at += length;
    }
    return true;
}

static bool decode(char *text, bool plus_is_blank)
{
    char *to = text;
    for (const char *from = text; *from; from++) {
        char letter = *from;
        if (letter == '%') {
            int high = hex_digit(from[1]);
            int low = high < 0 ? -1 : hex_digit(from[2]);
            if (low < 0 || (high == 0 && low == 0))
                return false;
            letter = (char)(high * 16 + low);
            from += 2;
        } else if (plus_is_blank && letter == '+') {
            letter = ' ';
        }
        *to++ = letter;
    }
    *to = '\0';
    return is_plain_text(text);
}

static enum path_result read_segments(char *text, struct path *path)
{
    if (*text == '\0')
        return PATH_OK;
    for (char *segment = text; segment;) {
        char *slash = strchr(segment, '/');
        if (slash)
            *slash++ = '\0';
        if (path->count == PATH_MOST_SEGMENTS)
            return PATH_TOO_MANY;
        if (!decode(segment, false))
            return PATH_MALFORMED;
        path->segments[path->count++] = segment;
        segment = slash;
    }
    return PATH_OK;
}

static enum path_result read_parameters(char *text, struct path *path)
{
    static char nothing[] = "";
    for (char *parameter = text; parameter;) {
        char *next = strchr(parameter, '&');
        if (next)
            *next++ = '\0';
        if (*parameter) {
            char *value = strchr(parameter, '=');
            if (value)
                *value++ = '\0';
            if (path->parameter_count == PATH_MOST_PARAMETERS)
                return PATH_TOO_MANY;
            if (!decode(parameter, true) || (value && !decode(value, true)))
                return PATH_MALFORMED;
            path->keys[path->parameter_count] = parameter;
            path->values[path->parameter_count++] = value ? value : nothing;
        }
        parameter = next;
    }
    return PATH_OK;
}

enum path_result path_read(const char *target, struct path *path)
{
    path->count = 0;
    path->parameter_count = 0;
    size_t length = strnlen(target, sizeof path->text);
    if (length >= sizeof path->text)
        return PATH_TOO_LONG;
    if (target[0] != '/')
        return PATH_MALFORMED;
    memcpy(path->text, target, length + 1);
    char *question = strchr(path->text, '?');
    if (question)
        *question++ = '\0';
    enum path_result result = read_segments(path->text + 1, path);
    return result != PATH_OK || !question ? result : read_parameters(question, path);
}

const char *path_parameter(const struct path *path, const char *key)
{
    for (size_t i = 0; i < path->parameter_count; i++)
        if (strcmp(path->keys[i], key) == 0)
            return path->values[i];
    return NULL;
}
