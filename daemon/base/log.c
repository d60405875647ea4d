/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/log.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <systemd/sd-daemon.h>

/* The line is made first and written in one call, so that lines of several
 * threads never mix. */
static void put(const char *priority, const char *format, va_list arguments)
{
    char line[1024];
    vsnprintf(line, sizeof line, format, arguments);
    const char *in_front = getenv("JOURNAL_STREAM") ? priority : "";
    fprintf(stderr, "%swakedraw: %s\n", in_front, line);
}

void log_info(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    put(SD_INFO, format, arguments);
    va_end(arguments);
}

void log_warning(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    put(SD_WARNING, format, arguments);
    va_end(arguments);
}

void log_failure(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    put(SD_ERR, format, arguments);
    va_end(arguments);
}
