/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/ini_file.h"

#include "base/number.h"

#include <errno.h>
#include <ini.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

enum {
    LONGEST_LINE = 1000,
    LONGEST_SECTION = 49, /* what libinih keeps of a section's name */
};

struct reading_state {
    FILE *file;
    const char *path;
    long line;
    char *text; /* of the line being read */
    size_t text_size;
    bool failed;
    char section[LONGEST_SECTION + 1]; /* its line has come, no pair of it yet; "" */
    long section_line;
    ini_pair_handler *handler;
    void *context;
    struct error *error;
};

/* libinih's limits are globals of the library, and shorter than a register
 * map's comment; they are set once, before any file is read. */
static void set_library_limits(void)
{
    ini_use_stack = false;
    ini_max_line = LONGEST_LINE + 3;
    ini_initial_alloc = LONGEST_LINE + 3;
    ini_allow_multiline = false;
    ini_stop_on_first_error = true;
}

static char *bad_line(struct reading_state *state, const char *expected, const char *found)
{
    state->failed = true;
    error_set(state->error, EXIT_BAD_DATA, state->path, state->line, expected, "found %s", found);
    return NULL;
}

/* What stands behind the bracket of a section's line; NULL: it is none. */
static const char *section_in(const char *line)
{
    const char *at = line + (strncmp(line, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0);
    at += strspn(at, " \t");
    return *at == '[' ? at + 1 : NULL;
}

/* libinih says nothing of a section without a pair. */
static void hand_over_empty(struct reading_state *state)
{
    if (!state->section[0] || state->failed)
        return;
    struct ini_pair pair = {state->path, state->section_line, state->section, "", ""};
    if (state->handler(state->context, &pair, state->error) != 0)
        state->failed = true;
    state->section[0] = '\0';
}

static void begin_section(struct reading_state *state, const char *name)
{
    hand_over_empty(state);
    size_t length = strcspn(name, "]");
    if (name[length] != ']')
        return; /* libinih says so */
    snprintf(state->section, sizeof state->section, "%.*s", (int)length, name);
    state->section_line = state->line;
}

static char *next_line(char *text, int size, void *user)
{
    struct reading_state *state = user;
    if (state->failed)
        return NULL;
    ssize_t got = getline(&state->text, &state->text_size, state->file);
    if (got < 0)
        return NULL;
    state->line++;
    size_t length = strcspn(state->text, "\r\n");
    if (strlen(state->text) != (size_t)got)
        return bad_line(state, "text", "a zero byte");
    if (length > LONGEST_LINE || got >= size)
        return bad_line(state, "at most 1000 bytes", "a longer line");
    const char *section = section_in(state->text);
    if (section && strcspn(section, "]") > LONGEST_SECTION)
        return bad_line(state, "at most 49 bytes", "a longer section name");
    if (section)
        begin_section(state, section);
    if (state->failed)
        return NULL;
    memcpy(text, state->text, (size_t)got + 1);
    return text;
}

static int hand_over(void *user, const char *section, const char *key, const char *value)
{
    struct reading_state *state = user;
    if (state->failed)
        return 1;
    state->section[0] = '\0';
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
    struct stat about;
    if (fstat(fileno(file), &about) == 0 && S_ISDIR(about.st_mode)) {
        fclose(file);
        return error_set(error, EXIT_NO_INPUT, path, 0, NULL, "cannot open: %s", strerror(EISDIR));
    }
    struct reading_state state = {
        .file = file, .path = path, .handler = handler, .context = context, .error = error};
    int first_bad = ini_parse_stream(next_line, &state, hand_over, &state);
    bool broken = ferror(file) != 0;
    if (first_bad == 0 && !broken)
        hand_over_empty(&state);
    fclose(file);
    free(state.text);
    if (state.failed)
        return -1;
    if (first_bad > 0)
        return error_set(error, EXIT_BAD_DATA, path, first_bad,
                         "[SECTION], KEY = VALUE or a comment", "found neither");
    if (broken || first_bad < 0)
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
