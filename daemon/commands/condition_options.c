/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "commands/condition_options.h"

#include <jansson.h>
#include <stdio.h>
#include <string.h>

enum { LONGEST = 500 }; /* as in a reference */

static int out_of_memory(const char *option, struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, option, 0, NULL, "memory is out");
}

/* Whether a JSON text can hold it. */
static bool is_utf8(const char *text)
{
    json_t *value = json_string(text);
    json_decref(value);
    return value != NULL;
}

static int check_text(const char *option, const char *text, struct error *error)
{
    if (text[0] && strlen(text) <= LONGEST && is_utf8(text))
        return 0;
    return error_set(error, EXIT_USAGE, option, 0, "1 to 500 bytes of UTF-8", "found \"%.60s\"",
                     text);
}

static int read_text(const char *option, const char *text, char **to, struct error *error)
{
    if (!text)
        return 0;
    if (check_text(option, text, error) != 0)
        return -1;
    *to = strdup(text);
    return *to ? 0 : out_of_memory(option, error);
}

int condition_options_read(const struct condition_options *options, struct conditions *conditions,
                           struct error *error)
{
    *conditions = (struct conditions){0};
    enum feeds_result read = FEEDS_READ;
    if (options->feeds)
        read =
            is_utf8(options->feeds) ? feeds_read(options->feeds, &conditions->feeds) : FEEDS_WRONG;
    if (read == FEEDS_NO_MEMORY)
        return out_of_memory("--feeds", error);
    if (read == FEEDS_WRONG)
        return error_set(error, EXIT_USAGE, "--feeds", 0,
                         "1 to 16 live feeds with commas between, as 30,15", "found \"%.60s\"",
                         options->feeds);
    if (read_text("--revision", options->revision, &conditions->revision, error) != 0)
        return -1;
    return read_text("--set-up", options->set_up, &conditions->set_up, error);
}
