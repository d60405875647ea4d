/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/scpi_device.h"

#include "simulate/scpi_call.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LONGEST_HEADER = 160, LONGEST_MNEMONIC = 12 };

struct scpi_device *scpi_device_create(struct output *outputs, int output_count,
                                       enum number_form form, const char *identity)
{
    struct scpi_device *device = calloc(1, sizeof *device);
    if (!device)
        return NULL;
    device->outputs = outputs;
    device->output_count = output_count;
    device->form = form;
    device->limit_bit = -1;
    snprintf(device->identity, sizeof device->identity, "%s", identity);
    scpi_status_init(&device->status);
    return device;
}

void scpi_device_destroy(struct scpi_device *device)
{
    free(device);
}

void scpi_device_limit_bit(struct scpi_device *device, int bit)
{
    device->limit_bit = bit;
}

void scpi_device_error(struct scpi_device *device, int code, const char *detail)
{
    scpi_status_error(&device->status, code, detail);
}

static bool is_blank(char c)
{
    return c == ' ' || (c > '\0' && c < ' ' && c != '\n');
}

static char *trimmed(char *text)
{
    while (is_blank(*text))
        text++;
    size_t length = strlen(text);
    while (length > 0 && is_blank(text[length - 1]))
        text[--length] = '\0';
    return text;
}

/* Cuts at the next separator outside quotes and parentheses; the rest, or NULL.
 * *open: a quote or parenthesis stays open. */
static char *cut(char *text, char separator, bool *open)
{
    char quote = '\0';
    int depth = 0;
    for (; *text; text++) {
        if (quote) {
            if (*text == quote)
                quote = '\0';
        } else if (*text == '"' || *text == '\'') {
            quote = *text;
        } else if (*text == '(') {
            depth++;
        } else if (*text == ')') {
            depth--;
        } else if (*text == separator && depth == 0) {
            *text = '\0';
            return text + 1;
        }
    }
    *open = quote != '\0' || depth != 0;
    return NULL;
}

/* Syntax of a program header; 0, or the error's number. */
static int header_error(const char *header)
{
    const char *text = header;
    size_t run = 0;
    if (*text == ':' || *text == '*')
        text++;
    if (!isalpha((unsigned char)*text))
        return isprint((unsigned char)*text) ? -102 : -101;
    for (; *text; text++) {
        if (isalnum((unsigned char)*text) || *text == '_') {
            if (++run > LONGEST_MNEMONIC)
                return -112;
        } else if (*text == ':' && header[0] != '*') {
            if (run == 0)
                return -102;
            run = 0;
        } else if (*text == '?' && text[1] == '\0') {
            return run == 0 ? -102 : 0;
        } else {
            return isprint((unsigned char)*text) ? -102 : -101;
        }
    }
    return run == 0 ? -102 : 0;
}

/* The header as from the root: what is left of the path above goes before it,
 * and its own path is kept for the next unit. Common commands leave the path as
 * it is. */
static bool full_header(const char *header, char path[LONGEST_HEADER], char full[LONGEST_HEADER])
{
    if (header[0] == '*')
        return snprintf(full, LONGEST_HEADER, "%s", header) < LONGEST_HEADER;
    int length = header[0] == ':' ? snprintf(full, LONGEST_HEADER, "%s", header + 1)
                                  : snprintf(full, LONGEST_HEADER, "%s%s", path, header);
    if (length >= LONGEST_HEADER)
        return false;
    const char *colon = strrchr(full, ':');
    snprintf(path, LONGEST_HEADER, "%.*s", colon ? (int)(colon - full + 1) : 0, full);
    return true;
}

static bool take_parameters(struct scpi_call *call, char *text)
{
    text = trimmed(text);
    if (*text == '\0')
        return true;
    bool open = false;
    while (text) {
        char *rest = cut(text, ',', &open);
        text = trimmed(text);
        int code = 0;
        if (*text == '\0')
            code = call->parameter_count == 0 || rest ? -102 : -109;
        else if (open)
            code = text[0] == '(' ? -102 : -151;
        else if (call->parameter_count == MOST_PARAMETERS)
            code = -108;
        if (code != 0) {
            scpi_call_error(call, code, text);
            return false;
        }
        call->parameters[call->parameter_count++] = text;
        text = rest;
    }
    return true;
}

static void run_unit(struct scpi_call *call, char *unit, char path[LONGEST_HEADER])
{
    char *end = unit;
    while (*end && !is_blank(*end))
        end++;
    char *parameters = *end ? end + 1 : end;
    *end = '\0';
    int code = header_error(unit);
    char full[LONGEST_HEADER];
    if (code == 0 && !full_header(unit, path, full))
        code = -110;
    if (code != 0) {
        scpi_call_error(call, code, unit);
        return;
    }
    size_t length = strlen(full);
    call->query = full[length - 1] == '?';
    if (call->query)
        full[length - 1] = '\0';
    if (take_parameters(call, parameters))
        scpi_call_run(call, full);
}

size_t scpi_device_message(struct scpi_device *device, const char *message, size_t length,
                           double time_s, char response[SCPI_LONGEST_RESPONSE])
{
    char copy[SCPI_LONGEST_MESSAGE];
    response[0] = '\0';
    device->takes_s = 0;
    if (length >= sizeof copy) {
        scpi_status_error(&device->status, -363, NULL);
        return 0;
    }
    memcpy(copy, message, length);
    copy[length] = '\0';
    if (strlen(copy) != length) {
        scpi_status_error(&device->status, -101, NULL);
        return 0;
    }
    char path[LONGEST_HEADER] = "";
    size_t used = 0;
    bool open = false, indefinite = false;
    for (char *unit = copy, *rest = NULL; unit; unit = rest) {
        rest = cut(unit, ';', &open);
        unit = trimmed(unit);
        if (*unit == '\0')
            continue;
        bool query = unit[strcspn(unit, " \t?")] == '?';
        if (query && indefinite) {
            scpi_status_error(&device->status, -440, unit);
            break;
        }
        indefinite = indefinite || strncasecmp(unit, "*IDN?", 5) == 0;
        struct scpi_call call = {.device = device,
                                 .time_s = time_s,
                                 .suffix = -1,
                                 .response = response,
                                 .response_length = used,
                                 .response_waiting = used > 0};
        if (used > 0)
            scpi_call_reply(&call, ";");
        size_t before = call.response_length;
        run_unit(&call, unit, path);
        if (call.overflowed) {
            /* The output buffer is full and the input is not read on: neither
             * side can go on. */
            scpi_status_error(&device->status, -430, NULL);
            response[0] = '\0';
            return 0;
        }
        if (call.response_length > before)
            used = call.response_length;
        response[used] = '\0';
        /* After a command error the parser has lost the thread. */
        if (call.error_code <= -100 && call.error_code > -200)
            break;
    }
    scpi_device_refresh(device, time_s);
    return used;
}
