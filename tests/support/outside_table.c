/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/outside_table.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static double *numbers_of(const char *path, const char *text, size_t *count)
{
    size_t most = 1;
    for (const char *c = text; *c; c++)
        most += *c == ',';
    double *numbers = calloc(most, sizeof *numbers);
    assert_non_null(numbers);
    *count = 0;
    for (;;) {
        char *end = NULL;
        numbers[(*count)++] = strtod(text, &end);
        if (end == text || (*end != ',' && *end != '\n'))
            fail_msg("%s: \"%.20s\" is not a number", path, text);
        if (*end == '\n')
            return numbers;
        text = end + 1;
    }
}

double *outside_column(const char *path, const char *set, const char *column, size_t *count)
{
    FILE *file = fopen(path, "r");
    if (!file)
        fail_msg("%s: %s (tests run in the project's folder)", path, strerror(errno));
    char name[80];
    snprintf(name, sizeof name, "%s,%s,", set, column);
    double *numbers = NULL;
    char *line = NULL;
    size_t size = 0;
    while (!numbers && getline(&line, &size, file) > 0)
        if (strncmp(line, name, strlen(name)) == 0)
            numbers = numbers_of(path, line + strlen(name), count);
    free(line);
    fclose(file);
    if (!numbers)
        fail_msg("%s: no line begins with \"%s\"", path, name);
    return numbers;
}
