/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/outside_file.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { MOST_NUMBERS = 20000 };

double *outside_numbers(const char *name, int first_line, size_t *count, size_t *columns)
{
    const char *folder = getenv("OUTSIDE_DATA");
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder ? folder : "../shared/outside", name);
    FILE *file = fopen(path, "r");
    if (!file) {
        if (errno != ENOENT && errno != ENOTDIR)
            fail_msg("%s: %s", path, strerror(errno));
        print_message("skipped: %s is not here\n", path);
        return NULL;
    }
    double *numbers = calloc(MOST_NUMBERS, sizeof *numbers);
    assert_non_null(numbers);
    *count = 0;
    *columns = 0;
    char line[1024];
    for (int at = 1; fgets(line, sizeof line, file); at++) {
        if (first_line == 0) {
            if (strncmp(line, "---", 3) == 0)
                first_line = at + 1;
            continue;
        }
        if (at < first_line)
            continue;
        char *text = line;
        size_t before = *count;
        for (;;) {
            char *end = NULL;
            double number = strtod(text, &end);
            if (end == text)
                break;
            if (*count == MOST_NUMBERS)
                fail_msg("%s: more than %d numbers", path, MOST_NUMBERS);
            numbers[(*count)++] = number;
            text = end;
        }
        if (text[strspn(text, " \t\r\n\x1a")] != '\0')
            fail_msg("%s:%d: \"%s\" is not a number", path, at, text);
        if (*columns == 0)
            *columns = *count - before;
    }
    fclose(file);
    return numbers;
}
