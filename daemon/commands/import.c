/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * References, module types and power-ups from files into a store. Every file is
 * read and checked before the first is put in.
 */
#include "base/error.h"
#include "base/options.h"
#include "base/text_file.h"
#include "base/trace_file.h"
#include "commands/commands.h"
#include "reference/reference_json.h"
#include "store/store.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum content { A_REFERENCE, A_MODULE_TYPE, A_POWER_UP };

struct import_file {
    const char *path;
    enum content content;
    char *text; /* a reference's, */
    char module_type[128];
    int version;
    json_t *json;
    struct trace trace;
};

static void clear(struct import_file *file)
{
    free(file->text);
    json_decref(file->json);
    trace_clear(&file->trace);
}

static bool ends_with(const char *path, const char *suffix)
{
    size_t length = strlen(path);
    size_t end = strlen(suffix);
    return length > end && strcmp(path + length - end, suffix) == 0;
}

/* --- reading --- */

static json_t *read_json(const char *path, char **text, struct error *error)
{
    size_t length = 0;
    *text = text_file_read(path, &length, error);
    if (!*text)
        return NULL;
    json_error_t where;
    json_t *json = json_loadb(*text, length, JSON_REJECT_DUPLICATES, &where);
    if (!json)
        error_set(error, EXIT_BAD_DATA, path, where.line, "JSON", "%s", where.text);
    return json;
}

/* A trace with its facts beside it, as export makes them. */
static int beside(const char *path, const char *suffix, char *other, size_t size,
                  struct error *error)
{
    size_t stem = strlen(path) - strlen(strrchr(path, '.'));
    if (snprintf(other, size, "%.*s%s", (int)stem, path, suffix) < (int)size)
        return 0;
    return error_set(error, EXIT_NO_INPUT, path, 0, NULL, "the path is too long");
}

static int read_trace(struct import_file *file, struct error *error)
{
    char facts[1024];
    char *text = NULL;
    file->content = A_POWER_UP;
    if (trace_file_read(file->path, &file->trace, error) != 0 ||
        beside(file->path, ".json", facts, sizeof facts, error) != 0)
        return -1;
    file->json = read_json(facts, &text, error);
    free(text);
    return file->json ? 0 : -1;
}

static int check_reference(struct import_file *file, struct error *error)
{
    file->content = A_REFERENCE;
    struct reference *reference =
        reference_parse(file->text, strlen(file->text), file->path, error);
    if (!reference)
        return -1;
    snprintf(file->module_type, sizeof file->module_type, "%s", reference_module_type(reference));
    file->version = reference_version(reference);
    reference_destroy(reference);
    return 0;
}

static int read_json_file(struct import_file *file, struct error *error)
{
    char trace[1024];
    file->json = read_json(file->path, &file->text, error);
    if (!file->json)
        return -1;
    if (json_object_get(file->json, "format"))
        return check_reference(file, error);
    if (json_object_get(file->json, "name")) {
        file->content = A_MODULE_TYPE;
        return 0;
    }
    if (!json_object_get(file->json, "started_at"))
        return error_set(error, EXIT_BAD_DATA, file->path, 0,
                         "a reference (\"format\"), a module type (\"name\") or a power-up"
                         " (\"started_at\")",
                         "found none of them");
    file->content = A_POWER_UP;
    if (beside(file->path, ".csv", trace, sizeof trace, error) != 0)
        return -1;
    return trace_file_read(trace, &file->trace, error);
}

static int read_file(struct import_file *file, struct error *error)
{
    if (ends_with(file->path, ".csv"))
        return read_trace(file, error);
    if (ends_with(file->path, ".json"))
        return read_json_file(file, error);
    return error_set(error, EXIT_USAGE, file->path, 0, "a name that ends in .json or .csv",
                     "found another");
}

/* --- putting --- */

/* The same but for its version: 1, and which it is; 0; -1. */
static int is_here(struct store_reader *reader, const char *module_type, const json_t *content,
                   long long *version, struct error *error)
{
    struct store_filter filter = {.module_type = module_type, .limit = 500};
    json_t *list = store_list(reader, STORE_REFERENCES, &filter, error);
    if (!list)
        return -1;
    json_t *bare = json_deep_copy(content);
    json_object_del(bare, "version");
    int found = 0;
    size_t index = 0;
    const json_t *item = NULL;
    json_array_foreach(json_object_get(list, "items"), index, item)
    {
        int64_t id = strtoll(json_string_value(json_object_get(item, "id")), NULL, 10);
        json_t *full = found == 0 ? store_get(reader, STORE_REFERENCES, id, false, error) : NULL;
        if (!full) {
            found = found == 0 ? -1 : found;
            break;
        }
        json_t *kept = json_object_get(full, "reference");
        json_object_del(kept, "version");
        if (json_equal(kept, bare)) {
            found = 1;
            *version = json_integer_value(json_object_get(item, "version"));
        }
        json_decref(full);
        if (found)
            break;
    }
    json_decref(bare);
    json_decref(list);
    return found;
}

static int put_reference(struct store *store, struct store_reader *reader,
                         const struct import_file *file, struct error *error)
{
    const char *type = file->module_type;
    long long kept = 0;
    int found = is_here(reader, type, file->json, &kept, error);
    if (found < 0)
        return -1;
    if (found == 1) {
        printf("%s: reference of \"%s\" is here already, version %lld\n", file->path, type, kept);
        return 0;
    }
    int version = 0;
    int64_t id = 0;
    if (store_put_reference(store, type, file->version, file->text, &version, &id, error) != 0)
        return -1;
    printf("%s: reference of \"%s\", version %d\n", file->path, type, version);
    return 0;
}

static int put_power_up(struct store *store, const struct import_file *file, struct error *error)
{
    int64_t id = 0;
    int status =
        store_put_power_up(store, file->json, file->trace.readings, file->trace.count, &id, error);
    if (status >= 0)
        printf("%s: power-up %lld%s\n", file->path, (long long)id,
               status == 1 ? " is here already" : "");
    return status < 0 ? -1 : 0;
}

static int put_file(struct store *store, struct store_reader *reader,
                    const struct import_file *file, struct error *error)
{
    int status = 0;
    if (file->content == A_REFERENCE) {
        status = put_reference(store, reader, file, error);
    } else if (file->content == A_POWER_UP) {
        status = put_power_up(store, file, error);
    } else {
        status = store_put_module_type(store, file->json, error);
        if (status == 0)
            printf("%s: module type \"%s\"\n", file->path,
                   json_string_value(json_object_get(file->json, "name")));
    }
    /* The store names the field; a person needs the file too. */
    if (status != 0 && error->status == EXIT_BAD_DATA && strcmp(error->file, file->path) != 0) {
        struct error inner = *error;
        error_set(error, EXIT_BAD_DATA, file->path, inner.line, inner.expected, "%.80s%s%.150s",
                  inner.file, inner.file[0] ? ": " : "", inner.found);
    }
    return status;
}

static int put_all(const char *data, const struct import_file *files, int count,
                   struct error *error)
{
    struct store *store = store_open(data, error);
    if (!store)
        return -1;
    struct store_reader *reader = store_reader_open(data, error);
    int status = reader ? 0 : -1;
    for (int i = 0; i < count && status == 0; i++)
        status = put_file(store, reader, &files[i], error);
    store_reader_close(reader);
    store_close(store);
    return status;
}

static int import(const char *data, char **paths, int count, struct error *error)
{
    struct import_file *files = calloc((size_t)count, sizeof *files);
    if (!files)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    int status = 0;
    for (int i = 0; i < count && status == 0; i++) {
        files[i].path = paths[i];
        status = read_file(&files[i], error);
    }
    if (status == 0)
        status = put_all(data, files, count, error);
    for (int i = 0; i < count; i++)
        clear(&files[i]);
    free(files);
    return status;
}

int command_import(int argc, char **argv)
{
    const char *data = NULL;
    const struct command_option options[] = {
        {"data", "DIR", OPTION_TEXT, &data, 0, 0, "the daemon's data directory; made; needed"},
    };
    const struct command_usage usage = {
        .name = "import",
        .arguments = "FILE...",
        .summary = "Puts references, module types and power-ups into a store.",
        .details =
            "A .json file is a reference, as build-reference makes it, or a module type\n"
            "({\"name\", \"nominal_voltage_V\", \"current_limit_A\", \"watch_s\",\n"
            "\"look_voltage_V\", \"look_limit_A\", \"limit_longest_s\", \"feeds\",\n"
            "\"cautions\"}). A .csv file is a power-up's trace, its facts in the .json file\n"
            "beside it, as export makes them; work orders do not come along. What is in\n"
            "the store already is left as it is; a reference becomes its type's next\n"
            "version. All files are read before the first is put in. The daemon must not\n"
            "be running on the same directory.",
        .options = options,
        .option_count = sizeof options / sizeof *options,
        .least_arguments = 1,
        .most_arguments = SIZE_MAX,
    };
    int first = 0;
    enum options_result result = options_read(argc, argv, &usage, &first);
    if (result != OPTIONS_READ)
        return result == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    struct error error = {0};
    int status = data ? import(data, argv + first, argc - first, &error)
                      : error_set(&error, EXIT_USAGE, "--data", 0, "DIR", "is missing");
    if (status == 0)
        return EXIT_OK;
    error_print(&error);
    return error.status;
}
