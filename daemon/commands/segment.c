/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "signature/segment.h"
#include "base/error.h"
#include "base/options.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "signature/phase_json.h"

#include <jansson.h>
#include <stdio.h>

static int print_phases(const char *path, const struct phases *phases)
{
    json_t *object = json_pack("{s:s?, s:o}", "trace", path, "phases", phase_json(phases, 0));
    if (!object) {
        fprintf(stderr, "wakedraw: %s: memory is out, or its name is not UTF-8\n", path);
        return EXIT_SOFTWARE;
    }
    int failed = json_dumpf(object, stdout, JSON_COMPACT | JSON_REAL_PRECISION(15));
    json_decref(object);
    if (failed != 0 || putchar('\n') == EOF || fflush(stdout) != 0) {
        fprintf(stderr, "wakedraw: standard output cannot be written\n");
        return EXIT_IO;
    }
    return EXIT_OK;
}

int command_segment(int argc, char **argv)
{
    double resolution_A = 0;
    double penalty_factor = 1;
    const struct command_option options[] = {
        {"resolution", "A", OPTION_NUMBER, &resolution_A, 0, 1,
         "one count of the supply's current readback (default 0: learn it)"},
        {"penalty", "FACTOR", OPTION_NUMBER, &penalty_factor, 0.01, 100,
         "above 1: fewer phases; below 1: more (default 1)"},
    };
    const struct command_usage usage = {
        .name = "segment",
        .arguments = "TRACE",
        .summary = "Cuts a trace into its phases.",
        .details =
            "Prints one JSON object: trace (the path), phases (array of from_s, to_s in the\n"
            "trace's own time; level_A; kind: level, ramp, decay or periodic;\n"
            "slope_A_per_s, spread_A, charge_C, period_s, spikes).\n"
            "TRACE is CSV with the columns time_s, voltage_V and current_A.\n\n"
            "Exit: 0 done, 64 usage, 65 bad data, 66 no input, 74 I/O.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 1,
        .most_arguments = 1};
    int first = 0;
    switch (options_read(argc, argv, &usage, &first)) {
    case OPTIONS_HELP_SHOWN:
        return EXIT_OK;
    case OPTIONS_WRONG:
        return EXIT_USAGE;
    case OPTIONS_READ:
        break;
    }
    struct error error = {0};
    struct trace trace = {0};
    if (trace_file_read(argv[first], &trace, &error) != 0) {
        error_print(&error);
        return (int)error.status;
    }
    struct segment_options how = {.resolution_A = resolution_A, .penalty_factor = penalty_factor};
    struct phases phases;
    int status = EXIT_SOFTWARE;
    if (segment_readings(trace.readings, trace.count, &how, &phases) == 0) {
        status = print_phases(argv[first], &phases);
        phases_clear(&phases);
    } else {
        fprintf(stderr, "wakedraw: memory is out\n");
    }
    trace_clear(&trace);
    return status;
}
