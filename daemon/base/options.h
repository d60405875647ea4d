/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A command's options as one table with bounds, read with getopt_long; an
 * unknown, shortened, doubled or ill-typed option is caught at start and --help
 * is printed from the same table.
 */
#ifndef WAKEDRAW_BASE_OPTIONS_H
#define WAKEDRAW_BASE_OPTIONS_H

#include <stdbool.h>
#include <stddef.h>

enum option_kind {
    OPTION_TEXT,   /* target: const char * */
    OPTION_NUMBER, /* target: double, within low..high */
    OPTION_SWITCH, /* target: bool, set to true */
    OPTION_TEXTS,  /* target: struct option_texts; may be given again and again */
};

struct option_texts {
    const char *items[64];
    size_t count;
};

struct command_option {
    const char *name;  /* "watch", for --watch */
    const char *value; /* "S" in the help; NULL for a switch */
    enum option_kind kind;
    void *target;     /* holds the default before, the user's value after */
    double low, high; /* for OPTION_NUMBER */
    const char *help; /* one line, with unit and default */
};

struct command_usage {
    const char *name;      /* "judge" */
    const char *arguments; /* "TRACE..." */
    const char *summary;   /* one line for the list of commands */
    const char *details;   /* paragraphs under the options; may be NULL */
    const struct command_option *options;
    size_t option_count;
    size_t least_arguments;
    size_t most_arguments; /* SIZE_MAX: no limit */
};

/* What options_read found. */
enum options_result { OPTIONS_READ, OPTIONS_HELP_SHOWN, OPTIONS_WRONG };

/* Reads argv (argv[0] is the command's name) into the targets; options may
 * stand anywhere, "--" ends them. The arguments left are argv[*first] and on.
 * OPTIONS_HELP_SHOWN: --help was printed to standard output, exit 0.
 * OPTIONS_WRONG: one line was printed to standard error, exit 64. */
enum options_result options_read(int argc, char **argv, const struct command_usage *usage,
                                 int *first);

#endif
