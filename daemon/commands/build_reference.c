/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/error.h"
#include "base/number.h"
#include "base/options.h"
#include "base/text_file.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "commands/condition_options.h"
#include "reference/reference_json.h"
#include "supply/profile.h"
#include "verdict/earliest.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct folder {
    char **paths;
    size_t count;
};

enum { MOST_UNITS = 1000 };

/* The units as reference_build takes them, and what they own. */
struct known_goods {
    struct known_good units[MOST_UNITS];
    struct trace *traces[MOST_UNITS];
    char *names[MOST_UNITS];
    size_t count;
};

static void folder_clear(struct folder *folder)
{
    for (size_t i = 0; i < folder->count; i++)
        free(folder->paths[i]);
    free(folder->paths);
    *folder = (struct folder){0};
}

static int by_name(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* The files of a directory whose names end so, in the order of their names. */
static int folder_read(const char *path, const char *ending, struct folder *folder,
                       struct error *error)
{
    DIR *directory = opendir(path);
    if (!directory)
        return error_set(error, EXIT_NO_INPUT, path, 0, "a directory", "%s", strerror(errno));
    int status = 0;
    for (struct dirent *entry = readdir(directory); entry && status == 0;
         entry = readdir(directory)) {
        size_t length = strlen(entry->d_name);
        size_t tail = strlen(ending);
        if (entry->d_name[0] == '.' || length <= tail ||
            strcmp(entry->d_name + length - tail, ending) != 0)
            continue;
        char **grown = realloc(folder->paths, (folder->count + 1) * sizeof *grown);
        char *file = NULL;
        if (grown)
            folder->paths = grown;
        if (!grown || asprintf(&file, "%s/%s", path, entry->d_name) < 0)
            status = error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
        else
            folder->paths[folder->count++] = file;
    }
    closedir(directory);
    if (folder->count > 1)
        qsort(folder->paths, folder->count, sizeof *folder->paths, by_name);
    return status;
}

static void known_goods_clear(struct known_goods *goods)
{
    for (size_t i = 0; i < goods->count; i++) {
        for (size_t j = 0; j < goods->units[i].count; j++)
            trace_clear(&goods->traces[i][j]);
        free(goods->traces[i]);
        free(goods->names[i]);
    }
    free(goods);
}

static char *last_name(const char *path)
{
    size_t length = strlen(path);
    while (length > 1 && path[length - 1] == '/')
        length--;
    size_t start = length;
    while (start > 0 && path[start - 1] != '/')
        start--;
    return strndup(path + start, length - start);
}

static int read_traces(const char *path, const struct folder *folder, struct known_goods *goods,
                       struct error *error)
{
    if (folder->count == 0)
        return error_set(error, EXIT_BAD_DATA, path, 0, "one .csv a power-up",
                         "found no .csv file");
    if (goods->count == MOST_UNITS)
        return error_set(error, EXIT_USAGE, path, 0, "at most 1000 units", "found more");
    struct trace *traces = calloc(folder->count, sizeof *traces);
    char *name = last_name(path);
    size_t at = goods->count++;
    goods->traces[at] = traces;
    goods->names[at] = name;
    goods->units[at] =
        (struct known_good){.unit = name, .traces = traces, .count = traces ? folder->count : 0};
    if (!traces || !name)
        return error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
    for (size_t i = 0; i < folder->count; i++)
        if (trace_file_read(folder->paths[i], &traces[i], error) != 0)
            return -1;
    return 0;
}

static int read_unit(const char *path, struct known_goods *goods, struct error *error)
{
    struct folder folder = {0};
    int status = folder_read(path, ".csv", &folder, error);
    if (status == 0)
        status = read_traces(path, &folder, goods, error);
    folder_clear(&folder);
    return status;
}

static int read_pool(const char *path, struct reference ***pool, size_t *count, struct error *error)
{
    struct folder folder = {0};
    int status = folder_read(path, ".json", &folder, error);
    *pool = status == 0 && folder.count ? calloc(folder.count, sizeof(struct reference *)) : NULL;
    for (size_t i = 0; status == 0 && *pool && i < folder.count; i++) {
        size_t length = 0;
        char *text = text_file_read(folder.paths[i], &length, error);
        if (text)
            (*pool)[*count] = reference_parse(text, length, folder.paths[i], error);
        if (!text || !(*pool)[*count])
            status = -1;
        else
            (*count)++;
        free(text);
    }
    folder_clear(&folder);
    return status;
}

static int read_range(const char *text, struct reference_request *request, struct error *error)
{
    const char *end = NULL;
    double low = 0;
    double high = 0;
    if (!number_parse(text, &low, &end) || *end != ':' || !number_parse_whole(end + 1, &high) ||
        !(low > 0 && low < high && high < 1000))
        return error_set(error, EXIT_USAGE, "--range", 0,
                         "LOW_A:HIGH_A with 0 < LOW_A < HIGH_A, as 0.38:0.41", "found \"%.60s\"",
                         text);
    request->has_range = true;
    request->range_low_A = low;
    request->range_high_A = high;
    return 0;
}

/* When a verdict can come, by fault. */
static int print_earliest(const struct reference *reference, const char *path, struct error *error)
{
    struct earliest *found = calloc(EARLIEST_MOST, sizeof *found);
    size_t count = found ? earliest_find(reference, found) : 0;
    for (size_t i = 0; i < count; i++) {
        char text[160];
        earliest_say(reference, &found[i], text, sizeof text);
        printf("%s\n", text);
    }
    free(found);
    return count ? 0 : error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
}

static int write_out(const struct reference *reference, const char *path, struct error *error)
{
    char *text = reference_print(reference);
    if (!text)
        return error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
    int status = text_file_write(path, text, strlen(text), error);
    free(text);
    for (size_t i = 0; status == 0 && i < reference_claim_count(reference); i++)
        printf("%s\n", reference_claim(reference, i));
    return status == 0 ? print_earliest(reference, path, error) : status;
}

struct arguments {
    const char *out, *range, *profile, *pool;
    char **units;
    int unit_count;
};

static int run(const struct arguments *arguments, struct reference_request *request,
               struct error *error)
{
    struct known_goods *goods = calloc(1, sizeof *goods);
    if (!goods)
        return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "memory is out");
    struct reference **pool = NULL;
    struct profile *profile = NULL;
    struct reference *reference = NULL;
    int status = arguments->range ? read_range(arguments->range, request, error) : 0;
    if (status == 0 && arguments->profile) {
        profile = profile_load(arguments->profile, error);
        status = profile ? 0 : -1;
        if (profile)
            request->accuracy = profile_accuracy(profile);
    }
    if (status == 0 && arguments->pool)
        status = read_pool(arguments->pool, &pool, &request->pool_count, error);
    request->pool = (const struct reference *const *)pool;
    for (int i = 0; status == 0 && i < arguments->unit_count; i++)
        status = read_unit(arguments->units[i], goods, error);
    if (status == 0) {
        reference = reference_build(request, goods->units, goods->count, error);
        status = reference ? write_out(reference, arguments->out, error) : -1;
    }
    reference_destroy(reference);
    known_goods_clear(goods);
    for (size_t i = 0; pool && i < request->pool_count; i++)
        reference_destroy(pool[i]);
    free(pool);
    profile_destroy(profile);
    return status;
}

int command_build_reference(int argc, char **argv)
{
    struct reference_request request = {.nominal_voltage_V = NAN, .watch_s = NAN};
    struct arguments arguments = {0};
    struct condition_options taught = {0};
    double version = 1;
    const struct command_option options[] = {
        {"type", "NAME", OPTION_TEXT, &request.module_type, 0, 0, "the module type (needed)"},
        {"out", "REF.json", OPTION_TEXT, &arguments.out, 0, 0, "where the reference goes (needed)"},
        {"range", "LOW_A:HIGH_A", OPTION_TEXT, &arguments.range, 0, 0,
         "stated range of the final draw; enough alone"},
        {"watch", "S", OPTION_NUMBER, &request.watch_s, 0.1, 86400,
         "watch time; default: the shortest record less its longest gap, 30 with none"},
        {"profile", "NAME", OPTION_TEXT, &arguments.profile, 0, 0,
         "the supply that read the known-goods; default: resolution learned from them"},
        {"pool", "DIR", OPTION_TEXT, &arguments.pool, 0, 0,
         "other references (*.json) to borrow spreads from"},
        {"feeds", "LIST", OPTION_TEXT, &taught.feeds, 0, 0,
         "feeds that were live, as 30,15; a power-up under others is not compared"},
        {"revision", "NAME", OPTION_TEXT, &taught.revision, 0, 0,
         "the type's revision; another is not compared"},
        {"set-up", "NAME", OPTION_TEXT, &taught.set_up, 0, 0,
         "what is around the module: harness, loads, lead set; another is not compared"},
        {"voltage", "V", OPTION_NUMBER, &request.nominal_voltage_V, 0.1, 1000,
         "nominal voltage; default: as the known-goods were read"},
        {"version", "N", OPTION_NUMBER, &version, 1, 1e9, "the number it carries; default 1"},
    };
    const struct command_usage usage = {
        .name = "build-reference",
        .arguments = "[UNIT_DIR...]",
        .summary = "Learns what a module type should draw, from known-good units, or states it.",
        .details = "A UNIT_DIR is one known-good unit; every .csv in it is one power-up. A stated\n"
                   "final range alone is enough. What the reference claims is printed.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 0,
        .most_arguments = SIZE_MAX};
    int first = 0;
    enum options_result read = options_read(argc, argv, &usage, &first);
    if (read != OPTIONS_READ)
        return read == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    arguments.units = argv + first;
    arguments.unit_count = argc - first;
    request.version = (int)version;
    const char *missing = !request.module_type || !request.module_type[0] ? "--type"
                          : !arguments.out                                ? "--out"
                          : !arguments.range && arguments.unit_count == 0 ? "a UNIT_DIR or --range"
                                                                          : NULL;
    if (missing) {
        fprintf(stderr,
                "wakedraw build-reference: missing: %s; see wakedraw build-reference "
                "--help\n",
                missing);
        return EXIT_USAGE;
    }
    struct error error = {0};
    struct conditions conditions;
    int status = condition_options_read(&taught, &conditions, &error);
    request.conditions = &conditions;
    if (status == 0)
        status = run(&arguments, &request, &error);
    conditions_clear(&conditions);
    if (status == 0)
        return EXIT_OK;
    error_print(&error);
    return (int)error.status;
}
