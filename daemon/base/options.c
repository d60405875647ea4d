/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/options.h"

#include "base/number.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Long options are numbered from where no character is. */
enum { MOST_OPTIONS = 40, FIRST = 1000, HELP = FIRST + MOST_OPTIONS };

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

/* getopt leaves a lone letter in optopt and has not yet passed its word. */
static void unknown(const struct command_usage *usage, int found, const char *word)
{
    char letter[] = {'-', (char)optopt, '\0'};
    if (found == ':')
        wrong(usage, "a value is missing after ", word);
    else if (optopt > 0 && optopt < FIRST)
        wrong(usage, "unknown option ", letter);
    else
        wrong(usage, optopt ? "takes no value: " : "unknown option ", word);
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
            .val = FIRST + (int)i};
    }
    table[count] = (struct option){.name = "help", .has_arg = no_argument, .val = HELP};
    bool given[MOST_OPTIONS] = {false};
    optind = 0; /* glibc: start afresh, also for a second command line in one process */
    opterr = 0;
    for (;;) {
        int found = getopt_long(argc, argv, ":", table, NULL);
        if (found == -1)
            break;
        if (found == '?' || found == ':') {
            unknown(usage, found, argv[optind - 1]);
            return OPTIONS_WRONG;
        }
        const char *name = found == HELP ? "help" : usage->options[found - FIRST].name;
        const char *word = argv[optarg && optarg == argv[optind - 1] ? optind - 2 : optind - 1];
        if (strcspn(word + 2, "=") != strlen(name)) {
            wrong(usage, "unknown option ", word);
            return OPTIONS_WRONG;
        }
        if (found == HELP) {
            print_help(usage);
            return OPTIONS_HELP_SHOWN;
        }
        const struct command_option *option = &usage->options[found - FIRST];
        if (given[found - FIRST] && option->kind != OPTION_TEXTS) {
            wrong(usage, "given twice: --", option->name);
            return OPTIONS_WRONG;
        }
        given[found - FIRST] = true;
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
