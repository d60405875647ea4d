/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "record/record_content.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Quoted where it must be (RFC 4180), and where a spreadsheet would take it for a
 * formula. */
static void print_text(FILE *stream, const char *text)
{
    bool formula = text[0] != '\0' && strchr("=+-@\t\r", text[0]) != NULL;
    if (!formula && strpbrk(text, "\",\r\n") == NULL) {
        fputs(text, stream);
        return;
    }
    fputs(formula ? "\"'" : "\"", stream);
    for (; *text; text++) {
        if (*text == '"')
            fputc('"', stream);
        fputc(*text, stream);
    }
    fputc('"', stream);
}

static void print_value(FILE *stream, const json_t *value)
{
    if (json_is_string(value))
        print_text(stream, json_string_value(value));
    else if (json_is_integer(value))
        fprintf(stream, "%lld", (long long)json_integer_value(value));
    else if (json_is_real(value))
        fprintf(stream, "%.10g", json_real_value(value));
}

static void print_row(FILE *stream, const char *kind, const json_t *entry, const char *const *keys)
{
    fputs(kind, stream);
    for (; *keys; keys++) {
        fputc(',', stream);
        if (**keys)
            print_value(stream, json_object_get(entry, *keys));
    }
    fputs("\r\n", stream);
}

static int print_all(FILE *stream, const json_t *content)
{
    static const char *const power_up[] = {
        "stage", "started_at", "id", "supply", "verdict", "final_draw_A", "code", "reason",
        "",      "",           "",   "",       NULL};
    static const char *const reading[] = {"stage", "at",   "",      "",     "",     "",  "",
                                          "",      "what", "value", "unit", "hand", NULL};
    fputs("kind,stage,at,power_up,supply,verdict,final_draw_A,code,reason,what,value,unit,hand\r\n",
          stream);
    const json_t *list = json_object_get(content, "power_ups");
    for (size_t i = 0; i < json_array_size(list); i++)
        print_row(stream, "power-up", json_array_get(list, i), power_up);
    list = json_object_get(content, "meter_readings");
    for (size_t i = 0; i < json_array_size(list); i++)
        print_row(stream, "meter reading", json_array_get(list, i), reading);
    return ferror(stream) ? -1 : 0;
}

char *record_to_csv(const json_t *content, size_t *length)
{
    char *text = NULL;
    FILE *stream = open_memstream(&text, length);
    if (!stream)
        return NULL;
    int status = print_all(stream, content);
    if (fclose(stream) == 0 && status == 0)
        return text;
    free(text);
    return NULL;
}
