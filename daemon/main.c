/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/error.h"
#include "commands/commands.h"

#include <signal.h>
#include <stdio.h>
#include <string.h>

#ifndef WAKEDRAW_VERSION
#define WAKEDRAW_VERSION "0.1.0"
#endif

static const struct {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *summary;
} commands[] = {
    {"serve", command_serve, "watch the supplies, judge what wakes, serve the page"},
#if __has_include("simulate/simulator.h") /* the program is whole without it */
    {"simulate", command_simulate, "be a bench supply with a module on its output"},
#endif
    {"identify", command_identify, "ask a link what answers there"},
    {"build-reference", command_build_reference, "make a module type's reference from known-goods"},
    {"judge", command_judge, "judge power-ups against a reference"},
    {"segment", command_segment, "cut a trace into its phases"},
    {"import", command_import, "put references and power-ups into a store"},
    {"verify-records", command_verify_records, "check that records are as they were written"},
    {"export", command_export, "take references and power-ups out of a store"},
};

static void print_help(FILE *stream)
{
    fputs("Usage: wakedraw COMMAND [OPTION...] [ARGUMENT...]\n"
          "Catches what a module draws as it wakes, and says good, bad or unsure, and why.\n\n"
          "Commands (wakedraw COMMAND --help tells all):\n",
          stream);
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
        fprintf(stream, "  %-16s %s\n", commands[i].name, commands[i].summary);
}

int main(int argc, char **argv)
{
    /* A peer that closes its end is an error of that write, not of the process. */
    signal(SIGPIPE, SIG_IGN);
    if (argc < 2) {
        print_help(stderr);
        return EXIT_USAGE;
    }
    if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0) {
        print_help(stdout);
        return EXIT_OK;
    }
    if (strcmp(argv[1], "--version") == 0) {
        puts("wakedraw " WAKEDRAW_VERSION);
        return EXIT_OK;
    }
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
        if (strcmp(argv[1], commands[i].name) == 0) {
            int status = commands[i].run(argc - 1, argv + 1);
            if (fflush(stdout) != 0 && status == EXIT_OK)
                status = EXIT_IO;
            return status;
        }
    }
    fprintf(stderr, "wakedraw: unknown command \"%s\"; see wakedraw --help\n", argv[1]);
    return EXIT_USAGE;
}
