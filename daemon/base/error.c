/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/error.h"

#include <stdarg.h>
#include <stdio.h>

int error_set(struct error *error, enum exit_status status, const char *file, long line,
              const char *expected, const char *found, ...)
{
    if (!error)
        return -1;
    error->status = status;
    error->line = line;
    snprintf(error->file, sizeof error->file, "%s", file ? file : "");
    snprintf(error->expected, sizeof error->expected, "%s", expected ? expected : "");
    va_list arguments;
    va_start(arguments, found);
    vsnprintf(error->found, sizeof error->found, found, arguments);
    va_end(arguments);
    return -1;
}

char *error_text(const struct error *error, char *text, unsigned long size)
{
    char place[560] = "";
    if (error->file[0] && error->line > 0)
        snprintf(place, sizeof place, "%s:%ld: ", error->file, error->line);
    else if (error->file[0])
        snprintf(place, sizeof place, "%s: ", error->file);
    snprintf(text, size, "%s%s%s%s", place, error->found, error->expected[0] ? ", expected " : "",
             error->expected);
    return text;
}

void error_print(const struct error *error)
{
    char text[1200];
    fprintf(stderr, "wakedraw: %s\n", error_text(error, text, sizeof text));
}
