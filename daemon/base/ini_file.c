/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/ini_file.h"

#include "base/number.h"

#include <errno.h>
#include <ini.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

enum { LONGEST_LINE = 1000 };

struct reading_state {
    FILE *file;
    const char *path;
    long line;
    bool too_long;
    bool failed;
    ini_pair_handler *handler;
    void *context;
    struct error *error;
};

/* libinih's line limit is a global of the library, and shorter than a register
 * map's comment; it is set once, before any file is read. */
static void set_library_limits(void)
{
    ini_use_stack = false;
    ini_max_line = LONGEST_LINE + 3;
    ini_allow_multiline = false;
}

static char *next_line(char *text, int size, void *user)
{
    struct reading_state *state = user;
    if (state->failed || state->too_long || !fgets(text, size, state->file))
        return NULL;
    state->line++;
    size_t length = strlen(text);
    if (length > LONGEST_LINE && text[length - 1] != '\n') {
        state->too_long = true;
        return NULL;
    }
    return text;
}

static int hand_over(void *user, const char *section, const char *key, const char *value)
{
    struct reading_state *state = user;
    if (state->failed)
        return 1;
    struct ini_pair pair = {state->path, state->line, section, key, value};
    if (state->handler(state->context, &pair, state->error) != 0)
        state->failed = true;
    return 1;
}

int ini_file_read(const char *path, ini_pair_handler *handler, void *context, struct error *error)
{
    static pthread_once_t once = PTHREAD_ONCE_INIT;
    pthread_once(&once, set_library_limits);
    FILE *file = fopen(path, "re");
    if (!file)
        return error_set(error, EXIT_NO_INPUT, path, 0, NULL, "cannot open: %s", strerror(errno));
    struct reading_state state = {
        .file = file, .path = path, .handler = handler, .context = context, .error = error};
    int bad_line = ini_parse_stream(next_line, &state, hand_over, &state);
    bool broken = ferror(file) != 0;
    fclose(file);
    /* libinih reads on behind a line it cannot make out; the first error counts. */
    if (state.failed && (bad_line <= 0 || bad_line >= state.line))
        return -1;
    if (state.too_long)
        return error_set(error, EXIT_BAD_DATA, path, state.line, "at most 1000 bytes",
                         "found a longer line");
    if (bad_line > 0)
        return error_set(error, EXIT_BAD_DATA, path, bad_line,
                         "[SECTION], KEY = VALUE or a comment", "found neither");
    if (broken || bad_line < 0)
        return error_set(error, EXIT_IO, path, 0, NULL, "cannot be read to its end");
    return 0;
}

int ini_number(const struct ini_pair *pair, double low, double high, const char *unit,
               double *number, struct error *error)
{
    double value = 0;
    if (number_parse_whole(pair->value, &value) && value >= low && value <= high) {
        *number = value;
        return 0;
    }
    char expected[160];
    snprintf(expected, sizeof expected, "a number from %g to %g%s%s", low, high, unit[0] ? " " : "",
             unit);
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, expected, "%s: found \"%s\"",
                     pair->key, pair->value);
}

int ini_switch(const struct ini_pair *pair, bool *value, struct error *error)
{
    static const struct {
        const char *word;
        bool value;
    } words[] = {{"on", true},   {"yes", true}, {"true", true},   {"1", true},
                 {"off", false}, {"no", false}, {"false", false}, {"0", false}};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        if (strcasecmp(pair->value, words[i].word) == 0) {
            *value = words[i].value;
            return 0;
        }
    }
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "on or off", "%s: found \"%s\"",
                     pair->key, pair->value);
}
