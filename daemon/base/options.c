/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/options.h"

#include "base/number.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_OPTIONS = 40, HELP = 1000 };

static void print_help(const struct command_usage *usage)
{
    printf("Usage: wakedraw %s%s%s%s\n%s\n\nOptions:\n", usage->name,
           usage->option_count ? " [OPTION...]" : "", usage->arguments[0] ? " " : "",
           usage->arguments, usage->summary);
    for (size_t i = 0; i < usage->option_count; i++) {
        const struct command_option *option = &usage->options[i];
        char head[80];
        snprintf(head, sizeof head, "--%s%s%s", option->name, option->value ? " " : "",
                 option->value ? option->value : "");
        printf("  %-28s %s\n", head, option->help);
    }
    printf("  %-28s %s\n", "--help", "this text");
    if (usage->details)
        printf("\n%s\n", usage->details);
}

static bool wrong(const struct command_usage *usage, const char *what, const char *which)
{
    fprintf(stderr, "wakedraw %s: %s%s; see wakedraw %s --help\n", usage->name, what, which,
            usage->name);
    return false;
}

static bool store(const struct command_usage *usage, const struct command_option *option,
                  const char *text)
{
    switch (option->kind) {
    case OPTION_SWITCH:
        *(bool *)option->target = true;
        return true;
    case OPTION_TEXT:
        *(const char **)option->target = text;
        return true;
    case OPTION_TEXTS: {
        struct option_texts *texts = option->target;
        if (texts->count == sizeof texts->items / sizeof *texts->items)
            return wrong(usage, "given too often: --", option->name);
        texts->items[texts->count++] = text;
        return true;
    }
    case OPTION_NUMBER:
        break;
    }
    double number = 0;
    if (number_parse_whole(text, &number) && number >= option->low && number <= option->high) {
        *(double *)option->target = number;
        return true;
    }
    char what[200];
    snprintf(what, sizeof what, "--%s: found \"%.60s\", expected a number from %g to %g",
             option->name, text, option->low, option->high);
    return wrong(usage, what, "");
}

enum options_result options_read(int argc, char **argv, const struct command_usage *usage,
                                 int *first)
{
    struct option table[MOST_OPTIONS + 2] = {{0}};
    size_t count = usage->option_count < MOST_OPTIONS ? usage->option_count : MOST_OPTIONS;
    for (size_t i = 0; i < count; i++) {
        table[i] = (struct option){
            .name = usage->options[i].name,
            .has_arg = usage->options[i].kind == OPTION_SWITCH ? no_argument : required_argument,
            .val = (int)i};
    }
    table[count] = (struct option){.name = "help", .has_arg = no_argument, .val = HELP};
    bool given[MOST_OPTIONS] = {false};
    optind = 0; /* glibc: start afresh, also for a second command line in one process */
    opterr = 0;
    for (;;) {
        int before = optind > 0 ? optind : 1;
        int found = getopt_long(argc, argv, ":", table, NULL);
        if (found == -1)
            break;
        if (found == HELP) {
            print_help(usage);
            return OPTIONS_HELP_SHOWN;
        }
        if (found == '?' || found == ':') {
            const char *word = optind > 0 && optind <= argc ? argv[optind - 1] : argv[before];
            wrong(usage, found == '?' ? "unknown option " : "a value is missing after ", word);
            return OPTIONS_WRONG;
        }
        const struct command_option *option = &usage->options[found];
        if (given[found] && option->kind != OPTION_TEXTS && option->kind != OPTION_SWITCH) {
            wrong(usage, "given twice: --", option->name);
            return OPTIONS_WRONG;
        }
        given[found] = true;
        if (!store(usage, option, optarg))
            return OPTIONS_WRONG;
    }
    size_t arguments = (size_t)(argc - optind);
    if (arguments < usage->least_arguments || arguments > usage->most_arguments) {
        wrong(usage,
              arguments < usage->least_arguments ? "missing: " : "too many arguments; takes ",
              usage->arguments[0] ? usage->arguments : "none");
        return OPTIONS_WRONG;
    }
    *first = optind;
    return OPTIONS_READ;
}
