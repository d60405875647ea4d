/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Power-ups as traces with their facts beside them, references as the files
 * they are. Reads only, so it works beside a running daemon.
 */
#include "base/error.h"
#include "base/options.h"
#include "base/text_file.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "store/store.h"

#include <ctype.h>
#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

struct request {
    const char *data, *out;
    struct option_texts power_ups;
    bool references;
};

struct export
{
    struct store_reader *reader;
    const char *out;
    long power_ups, references;
};

static int write_trace(const struct export *export, const char *name, int64_t id,
                       struct error *error)
{
    struct trace trace = {0};
    if (store_read_trace(export->reader, id, &trace, error) != 0)
        return -1;
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    bool printed = stream && trace_file_write(stream, trace.readings, trace.count) == 0;
    if (stream && fclose(stream) != 0)
        printed = false;
    trace_clear(&trace);
    char path[1024];
    snprintf(path, sizeof path, "%s/%s.csv", export->out, name);
    int status = printed ? text_file_write(path, text, length, error)
                         : error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
    free(text);
    return status;
}

static int write_json(const struct export *export, const char *name, const json_t *item,
                      struct error *error)
{
    char path[1024];
    snprintf(path, sizeof path, "%s/%s.json", export->out, name);
    char *text = json_dumps(item, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
    if (!text)
        return error_set(error, EXIT_SOFTWARE, path, 0, NULL, "memory is out");
    /* The line's end takes the place of the zero byte. */
    size_t length = strlen(text);
    text[length] = '\n';
    int status = text_file_write(path, text, length + 1, error);
    free(text);
    return status;
}

static int export_power_up(struct export *export, int64_t id, struct error *error)
{
    json_t *item = store_get(export->reader, STORE_POWER_UPS, id, false, error);
    if (!item)
        return -1;
    char name[64];
    snprintf(name, sizeof name, "power-up-%lld", (long long)id);
    int status = 0;
    if (json_is_null(item))
        status = error_set(error, EXIT_NO_INPUT, NULL, 0, NULL, "there is no power-up %lld",
                           (long long)id);
    if (status == 0)
        status = write_trace(export, name, id, error);
    if (status == 0)
        status = write_json(export, name, item, error);
    json_decref(item);
    export->power_ups += status == 0;
    return status;
}

/* reference-12-tank-gauge-v3: the id keeps two types apart whose names look
 * alike once only letters and digits are left. */
static int export_reference(struct export *export, int64_t id, const json_t *item,
                            struct error *error)
{
    char name[256];
    int used = snprintf(name, sizeof name, "reference-%lld-", (long long)id);
    const char *type = json_string_value(json_object_get(item, "module_type"));
    for (; *type && used < 200; type++)
        name[used++] = (char)(isalnum((unsigned char)*type) ? *type : '-');
    snprintf(name + used, sizeof name - (size_t)used, "-v%lld",
             (long long)json_integer_value(json_object_get(item, "version")));
    char *text = store_reference_text_by_id(export->reader, id, error);
    if (!text)
        return -1;
    char path[1024];
    snprintf(path, sizeof path, "%s/%s.json", export->out, name);
    int status = text_file_write(path, text, strlen(text), error);
    free(text);
    export->references += status == 0;
    return status;
}

static int export_item(struct export *export, enum store_kind kind, const json_t *item,
                       struct error *error)
{
    int64_t id = strtoll(json_string_value(json_object_get(item, "id")), NULL, 10);
    return kind == STORE_POWER_UPS ? export_power_up(export, id, error)
                                   : export_reference(export, id, item, error);
}

static int export_all(struct export *export, enum store_kind kind, struct error *error)
{
    struct store_filter filter = {.limit = 100};
    int status = 0;
    do {
        json_t *list = store_list(export->reader, kind, &filter, error);
        if (!list)
            return -1;
        size_t index = 0;
        const json_t *item = NULL;
        json_array_foreach(json_object_get(list, "items"), index, item)
        {
            if (status == 0)
                status = export_item(export, kind, item, error);
        }
        const char *next = json_string_value(json_object_get(list, "next"));
        filter.before = next ? strtoll(next, NULL, 10) : 0;
        json_decref(list);
    } while (status == 0 && filter.before != 0);
    return status;
}

static int export_named(struct export *export, const struct option_texts *ids, struct error *error)
{
    for (size_t i = 0; i < ids->count; i++) {
        char *end = NULL;
        long long id = strtoll(ids->items[i], &end, 10);
        if (id <= 0 || *end)
            return error_set(error, EXIT_USAGE, "--power-up", 0, "a power-up's number",
                             "found \"%.60s\"", ids->items[i]);
        if (export_power_up(export, id, error) != 0)
            return -1;
    }
    return 0;
}

static int run(const struct request *request, struct error *error)
{
    struct export export = {.out = request->out};
    export.reader = store_reader_open(request->data, error);
    if (!export.reader)
        return -1;
    bool everything = request->power_ups.count == 0 && !request->references;
    int status = 0;
    if (mkdir(request->out, 0777) != 0 && errno != EEXIST)
        status =
            error_set(error, EXIT_IO, request->out, 0, NULL, "cannot be made: %s", strerror(errno));
    if (status == 0)
        status = export_named(&export, &request->power_ups, error);
    if (status == 0 && everything)
        status = export_all(&export, STORE_POWER_UPS, error);
    if (status == 0 && (everything || request->references))
        status = export_all(&export, STORE_REFERENCES, error);
    store_reader_close(export.reader);
    if (status == 0)
        printf("%s: %ld power-up%s, %ld reference%s\n", request->out, export.power_ups,
               export.power_ups == 1 ? "" : "s", export.references,
               export.references == 1 ? "" : "s");
    return status;
}

int command_export(int argc, char **argv)
{
    struct request request = {0};
    const struct command_option options[] = {
        {"data", "DIR", OPTION_TEXT, &request.data, 0, 0, "the daemon's data directory; needed"},
        {"power-up", "ID", OPTION_TEXTS, &request.power_ups, 0, 0,
         "this power-up; may be given again"},
        {"references", NULL, OPTION_SWITCH, &request.references, 0, 0, "every reference"},
        {"out", "DIR", OPTION_TEXT, &request.out, 0, 0, "where the files go; made; needed"},
    };
    const struct command_usage usage = {
        .name = "export",
        .arguments = "",
        .summary = "Takes power-ups and references out of a store, as files.",
        .details = "Without --power-up and --references: all of both. A power-up becomes\n"
                   "power-up-ID.csv, its trace, and power-up-ID.json, its facts, verdict and\n"
                   "signature; a reference becomes reference-ID-TYPE-vVERSION.json. Files of the\n"
                   "same names are replaced. Only reads, so it may run beside the daemon.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
    };
    int first = 0;
    enum options_result result = options_read(argc, argv, &usage, &first);
    if (result != OPTIONS_READ)
        return result == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    struct error error = {0};
    int status = -1;
    if (request.data && request.out)
        status = run(&request, &error);
    else
        error_set(&error, EXIT_USAGE, request.data ? "--out" : "--data", 0, "DIR", "is missing");
    if (status == 0)
        return EXIT_OK;
    error_print(&error);
    return error.status;
}
