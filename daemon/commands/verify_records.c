/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Whether records are as they were written: a store's whole chain, or records that
 * were taken out as files.
 */
#include "base/error.h"
#include "base/options.h"
#include "base/text_file.h"
#include "commands/commands.h"
#include "record/record_chain.h"
#include "store/records.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static int check_store(const char *directory, struct error *error)
{
    struct store_reader *reader = store_reader_open(directory, error);
    if (!reader)
        return -1;
    int64_t count = 0;
    int status = store_check_records(reader, &count, error);
    store_reader_close(reader);
    if (status == 0)
        printf("%s: %lld record%s, the chain is whole\n", directory, (long long)count,
               count == 1 ? "" : "s");
    return status;
}

static const char *text_key(const json_t *file, const char *key)
{
    return json_string_value(json_object_get(file, key));
}

/* The readable content must be what the hashed text says. */
static int check_content(const json_t *file, const char *path, struct error *error)
{
    json_t *hashed = json_loads(text_key(file, "content_text"), 0, NULL);
    bool same = hashed && json_equal(hashed, json_object_get(file, "content"));
    json_decref(hashed);
    return same ? 0
                : error_set(error, EXIT_BAD_DATA, path, 0, "what content_text says",
                            "\"content\" was changed");
}

static int check_file(const char *path, struct error *error)
{
    size_t length = 0;
    char *text = text_file_read(path, &length, error);
    if (!text)
        return -1;
    json_error_t where;
    json_t *file = json_loadb(text, length, 0, &where);
    free(text);
    if (!file)
        return error_set(error, EXIT_BAD_DATA, path, where.line, "a record as JSON", "%s",
                         where.text);
    static const char *const needed[] = {"content_text", "previous_sha256", "sha256"};
    int status = 0;
    for (size_t i = 0; status == 0 && i < sizeof needed / sizeof *needed; i++)
        if (!text_key(file, needed[i]))
            status =
                error_set(error, EXIT_BAD_DATA, path, 0, "a text", "\"%s\" is missing", needed[i]);
    struct record_chain chain = {0};
    if (status == 0) {
        struct record_link link = {json_integer_value(json_object_get(file, "number")),
                                   text_key(file, "content_text"),
                                   text_key(file, "previous_sha256"), text_key(file, "sha256")};
        status = record_chain_take(&chain, &link, error);
    }
    if (status == 0)
        status = check_content(file, path, error);
    if (status == 0)
        printf("%s: record %lld is as it was written\n", path, (long long)chain.last_number);
    json_decref(file);
    return status;
}

static int check(const char *path, struct error *error)
{
    struct stat about;
    if (stat(path, &about) == 0 && S_ISDIR(about.st_mode))
        return check_store(path, error);
    return check_file(path, error);
}

int command_verify_records(int argc, char **argv)
{
    const struct command_usage usage = {
        .name = "verify-records",
        .arguments = "DATA_DIR | FILE...",
        .summary = "Checks that records are as they were written.",
        .details = "A data directory: every record, each against its own hash and its\n"
                   "predecessor's, from the first to the last. A file (from a record's page):\n"
                   "that record against its own hash. A chain whose last records were cut off\n"
                   "still fits: compare its end with the last printed record. Reads only.\n"
                   "Exit: 0 whole; 65 with the first that does not fit.",
        .least_arguments = 1,
        .most_arguments = SIZE_MAX,
    };
    int first = 0;
    enum options_result result = options_read(argc, argv, &usage, &first);
    if (result != OPTIONS_READ)
        return result == OPTIONS_HELP_SHOWN ? EXIT_OK : EXIT_USAGE;
    struct error error = {0};
    for (int i = first; i < argc && error.status == EXIT_OK; i++)
        if (check(argv[i], &error) != 0)
            break;
    if (error.status == EXIT_OK)
        return EXIT_OK;
    error_print(&error);
    return error.status;
}
