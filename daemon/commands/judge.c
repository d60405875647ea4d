/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "verdict/judge.h"
#include "base/error.h"
#include "base/options.h"
#include "base/text_file.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "commands/condition_options.h"
#include "commands/judge_unit.h"
#include "reference/reference_json.h"
#include "supply/profile.h"
#include "verdict/verdict_json.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

/* Exit statuses of the verdicts, beside those of base/error.h. */
enum { EXIT_ALL_GOOD = 0, EXIT_ANY_BAD = 1, EXIT_SOME_UNSURE = 2 };

struct outcome {
    bool any_bad, any_unsure;
    int unreadable; /* exit status of the first file that could not be read; 0: none */
};

static json_t *unreadable_json(const char *path, const struct error *error)
{
    return json_pack("{s:s, s:n, s:n, s:n, s:[], s:[], s:{s:s, s:I, s:s, s:s}}", "trace", path,
                     "verdict", "decided_at_s", "onset_s", "reasons", "phases", "error", "file",
                     error->file, "line", (json_int_t)error->line, "found", error->found,
                     "expected", error->expected);
}

/* By what the traces are judged. */
struct bench {
    const struct reference *reference;
    const struct accuracy *accuracy;
    const struct conditions *conditions;
};

static json_t *judge_file(const char *path, const struct bench *bench, struct judged_unit *unit,
                          struct outcome *outcome)
{
    struct error error = {0};
    struct trace trace = {0};
    if (trace_file_read(path, &trace, &error) != 0) {
        error_print(&error);
        if (!outcome->unreadable)
            outcome->unreadable = error.status == EXIT_BAD_DATA ? EXIT_BAD_DATA : EXIT_NO_INPUT;
        return unreadable_json(path, &error);
    }
    struct verdict verdict;
    struct phases phases = {0};
    int status = judged_unit_trace(unit, bench->conditions, bench->reference, bench->accuracy,
                                   &trace, &verdict, &phases);
    trace_clear(&trace);
    if (status != 0)
        return NULL;
    outcome->any_bad |= verdict.kind == VERDICT_BAD;
    outcome->any_unsure |= verdict.kind == VERDICT_UNSURE;
    json_t *line = json_pack("{s:s}", "trace", path);
    json_t *rest = verdict_to_json(&verdict);
    json_t *cut = phases_to_json(&phases, verdict.onset_s);
    phases_clear(&phases);
    if (!line || !rest || !cut || json_object_update(line, rest) != 0 ||
        json_object_set(line, "phases", cut) != 0) {
        json_decref(line);
        line = NULL;
    }
    json_decref(rest);
    json_decref(cut);
    return line;
}

/* Prints a line and frees it. EXIT_OK, or the exit status. */
static int print_line(json_t *line, const char *name)
{
    char *text = line ? json_dumps(line, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
    json_decref(line);
    if (!text) {
        fprintf(stderr, "wakedraw: memory is out at %s\n", name);
        return EXIT_SOFTWARE;
    }
    bool written = puts(text) >= 0 && fflush(stdout) == 0;
    free(text);
    return written ? EXIT_OK : EXIT_IO;
}

static int judge_all(char **paths, int count, const struct bench *bench, const char *unit_name)
{
    struct outcome outcome = {0};
    struct judged_unit unit = {.name = unit_name};
    int status = EXIT_OK;
    for (int i = 0; i < count && status == EXIT_OK; i++)
        status = print_line(judge_file(paths[i], bench, &unit, &outcome), paths[i]);
    if (status == EXIT_OK && unit_name)
        status = print_line(judged_unit_json(&unit, bench->reference, bench->accuracy), unit_name);
    judged_unit_clear(&unit);
    if (status != EXIT_OK)
        return status;
    if (outcome.unreadable)
        return outcome.unreadable;
    return outcome.any_bad ? EXIT_ANY_BAD : outcome.any_unsure ? EXIT_SOME_UNSURE : EXIT_ALL_GOOD;
}

static struct reference *load(const char *path, struct error *error)
{
    size_t length = 0;
    char *text = text_file_read(path, &length, error);
    if (!text)
        return NULL;
    struct reference *reference = reference_parse(text, length, path, error);
    free(text);
    return reference;
}

int command_judge(int argc, char **argv)
{
    const char *reference_path = NULL;
    const char *profile_name = NULL;
    const char *unit_name = NULL;
    struct condition_options on_bench = {0};
    const struct command_option options[] = {
        {"reference", "REF.json", OPTION_TEXT, &reference_path, 0, 0,
         "the module type's reference (needed)"},
        {"profile", "NAME", OPTION_TEXT, &profile_name, 0, 0,
         "the supply that read the traces; default: the one that taught the reference"},
        {"unit", "NAME", OPTION_TEXT, &unit_name, 0, 0,
         "all traces are power-ups of this unit: one line more, its verdict over all of them"},
        {"feeds", "LIST", OPTION_TEXT, &on_bench.feeds, 0, 0,
         "feeds that were live, as 30,15; here and below, not given: not compared"},
        {"revision", "NAME", OPTION_TEXT, &on_bench.revision, 0, 0, "the unit's revision"},
        {"set-up", "NAME", OPTION_TEXT, &on_bench.set_up, 0, 0,
         "what was around the module: harness, loads, lead set"},
    };
    const struct command_usage usage = {
        .name = "judge",
        .arguments = "TRACE...",
        .summary = "Judges power-ups: one JSON object a line for every TRACE (CSV), in order.",
        .details = "A reference taught with other feeds, of another revision or in another set-up\n"
                   "compares nothing: unsure, and it says which.\n"
                   "Exit: 0 all good, 1 any bad, 2 none bad but some unsure; 64 usage, 65 or 66\n"
                   "where a file could not be read (the others are judged all the same).",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 1,
        .most_arguments = SIZE_MAX};
    int first = 0;
    enum options_result read = options_read(argc, argv, &usage, &first);
    if (read != OPTIONS_READ)
        return read == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    if (!reference_path) {
        fputs("wakedraw judge: --reference is missing; see wakedraw judge --help\n", stderr);
        return EXIT_USAGE;
    }
    struct error error = {0};
    struct conditions conditions;
    struct reference *reference = NULL;
    if (condition_options_read(&on_bench, &conditions, &error) == 0)
        reference = load(reference_path, &error);
    struct profile *profile = NULL;
    if (reference && profile_name)
        profile = profile_load(profile_name, &error);
    int status = (int)error.status;
    const struct bench bench = {reference, profile ? profile_accuracy(profile) : NULL, &conditions};
    if (error.status != EXIT_OK)
        error_print(&error);
    else
        status = judge_all(argv + first, argc - first, &bench, unit_name);
    conditions_clear(&conditions);
    profile_destroy(profile);
    reference_destroy(reference);
    return status;
}
