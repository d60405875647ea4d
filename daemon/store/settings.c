/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a shop sets for itself.
 */
#include "store/order_private.h"
#include "store/orders.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_STAGES = 24, MOST_RESISTORS = 8, MOST_LINES = 12 };

int stages_check(const json_t *stages, const char *key, struct error *error)
{
    static const char expected[] = "1 to 24 names of 1 to 63 bytes, none twice";
    size_t count = json_array_size(stages);
    if (!json_is_array(stages) || count < 1 || count > MOST_STAGES)
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found %zu", count);
    for (size_t i = 0; i < count; i++) {
        const char *name = json_string_value(json_array_get(stages, i));
        size_t length = json_string_length(json_array_get(stages, i));
        if (!name || length < 1 || length > LONGEST_STAGE || strlen(name) != length)
            return error_set(error, EXIT_BAD_DATA, key, 0, expected, "number %zu is no such name",
                             i + 1);
        for (size_t k = 0; k < i; k++)
            if (strcmp(json_string_value(json_array_get(stages, k)), name) == 0)
                return error_set(error, EXIT_BAD_DATA, key, 0, expected, "\"%.63s\" stands twice",
                                 name);
    }
    return 0;
}

static int check_number(const json_t *value, const char *key, double least, double most,
                        struct error *error)
{
    char expected[64];
    snprintf(expected, sizeof expected, "a number from %g to %g", least, most);
    double number = json_number_value(value);
    if (!json_is_number(value) || !(number >= least && number <= most))
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found something else");
    return 0;
}

static int check_days(const json_t *value, const char *key, struct error *error)
{
    if (!json_is_integer(value))
        return error_set(error, EXIT_BAD_DATA, key, 0, "a whole number from 0 to 3650",
                         "found something else");
    return check_number(value, key, 0, 3650, error);
}

static int check_hours(const json_t *value, const char *key, struct error *error)
{
    return check_number(value, key, 1, 8760, error);
}

static int check_minutes(const json_t *value, const char *key, struct error *error)
{
    return check_number(value, key, 0, 10080, error);
}

static int check_page_gone(const json_t *value, const char *key, struct error *error)
{
    return check_number(value, key, 0, 3600, error);
}

static int check_resistors(const json_t *value, const char *key, struct error *error)
{
    static const char *const known[] = {"ohm", "tolerance_percent", NULL};
    static const char expected[] = "at most 8 of {\"ohm\", \"tolerance_percent\"}";
    if (!json_is_array(value) || json_array_size(value) > MOST_RESISTORS)
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found something else");
    for (size_t i = 0; i < json_array_size(value); i++) {
        const json_t *resistor = json_array_get(value, i);
        double ohm = json_number_value(json_object_get(resistor, "ohm"));
        double tolerance = json_number_value(json_object_get(resistor, "tolerance_percent"));
        struct error inner = {0};
        if (json_check_keys(resistor, key, known, &inner) != 0 || !(ohm > 0 && ohm <= 1e6) ||
            !(tolerance > 0 && tolerance <= 20))
            return error_set(error, EXIT_BAD_DATA, key, 0, expected,
                             "number %zu: found %g ohm and %g %%", i + 1, ohm, tolerance);
    }
    return 0;
}

static int check_standard(const json_t *value, const char *key, struct error *error)
{
    static const char *const known[] = {"serial", NULL};
    const char *serial = NULL;
    struct error inner = {0};
    if (json_check_keys(value, key, known, &inner) != 0 ||
        json_text_field(value, "serial", true, LONGEST_NAME, &serial, &inner) != 0)
        return error_set(error, EXIT_BAD_DATA, key, 0, "{\"serial\": a serial number}, or null",
                         "found something else");
    return 0;
}

static int check_shop(const json_t *value, const char *key, struct error *error)
{
    static const char *const known[] = {"name", "lines", NULL};
    static const char expected[] = "{\"name\": a text, \"lines\": at most 12 texts}";
    const char *name = NULL;
    struct error inner = {0};
    const json_t *lines = json_object_get(value, "lines");
    if (json_check_keys(value, key, known, &inner) != 0 ||
        json_text_field(value, "name", false, LONGEST_NAME, &name, &inner) != 0 ||
        (lines && !json_is_array(lines)) || json_array_size(lines) > MOST_LINES)
        return error_set(error, EXIT_BAD_DATA, key, 0, expected, "found something else");
    for (size_t i = 0; i < json_array_size(lines); i++)
        if (!json_is_string(json_array_get(lines, i)) ||
            json_string_length(json_array_get(lines, i)) > LONGEST_NAME)
            return error_set(error, EXIT_BAD_DATA, key, 0, expected,
                             "line %zu is no text of at most %d bytes", i + 1, LONGEST_NAME);
    return 0;
}

static const struct {
    const char *name;
    int (*check)(const json_t *value, const char *key, struct error *error);
    const char *at_first;
} settings[] = {
    {"stages", stages_check,
     "[\"intake\",\"heat check\",\"after rework\",\"after cleaning\",\"after coating\",\"final\"]"},
    {"warranty_days", check_days, "365"},
    {"check_every_h", check_hours, "24"},
    {"resistors", check_resistors, "[{\"ohm\":47,\"tolerance_percent\":1}]"},
    {"check_standard", check_standard, "null"},
    {"ask_after_min", check_minutes, "20"},
    {"page_gone_s", check_page_gone, "60"},
    {"shop", check_shop, "{\"name\":\"\",\"lines\":[]}"},
};
enum { SETTINGS = sizeof settings / sizeof *settings };

static int check(const json_t *given, struct error *error)
{
    const char *known[SETTINGS + 1] = {NULL};
    for (int i = 0; i < SETTINGS; i++)
        known[i] = settings[i].name;
    if (json_check_keys(given, "the settings", known, error) != 0)
        return -1;
    for (int i = 0; i < SETTINGS; i++) {
        const json_t *value = json_object_get(given, settings[i].name);
        if (value && !json_is_null(value) && settings[i].check(value, settings[i].name, error) != 0)
            return -1;
    }
    return 0;
}

static int write_one(struct store *store, const char *name, const json_t *value,
                     struct error *error)
{
    if (json_is_null(value))
        return database_run(&store->database, error, NULL, "DELETE FROM setting WHERE name = ?",
                            "t", name) < 0
                   ? -1
                   : 0;
    char *text = json_dumps(value, JSON_COMPACT | JSON_ENCODE_ANY);
    if (!text)
        return error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    int status = database_run(&store->database, error, NULL,
                              "INSERT INTO setting (name, value, changed_us) VALUES (?, ?, ?)"
                              " ON CONFLICT (name) DO UPDATE SET value = ?2, changed_us = ?3",
                              "tti", name, text, clock_wall_us());
    free(text);
    return status < 0 ? -1 : 0;
}

int store_put_settings(struct store *store, const json_t *given, struct error *error)
{
    if (check(given, error) != 0 || store_begin_transaction(store, error) != 0)
        return -1;
    int status = 0;
    for (int i = 0; i < SETTINGS && status == 0; i++) {
        const json_t *value = json_object_get(given, settings[i].name);
        if (value)
            status = write_one(store, settings[i].name, value, error);
    }
    return store_end_transaction(store, status, error);
}

json_t *setting_read(struct database *database, const char *name, struct error *error)
{
    sqlite3_stmt *statement =
        database_query(database, error, "SELECT value FROM setting WHERE name = ?", "t", name);
    if (!statement)
        return NULL;
    int status = database_step(database, statement, error);
    json_t *value = NULL;
    if (status == 1)
        value = json_loads(database_text(statement, 0), JSON_DECODE_ANY, NULL);
    for (int i = 0; status == 0 && !value && i < SETTINGS; i++)
        if (strcmp(settings[i].name, name) == 0)
            value = json_loads(settings[i].at_first, JSON_DECODE_ANY, NULL);
    sqlite3_finalize(statement);
    if (!value && status >= 0)
        error_set(error, EXIT_BAD_DATA, database->path, 0, NULL, "setting %s cannot be read", name);
    return value;
}

json_t *store_settings(struct store_reader *reader, struct error *error)
{
    json_t *all = json_object();
    for (int i = 0; all && i < SETTINGS; i++) {
        json_t *value = setting_read(&reader->database, settings[i].name, error);
        if (value && json_object_set_new(all, settings[i].name, value) == 0)
            continue;
        json_decref(all);
        return NULL;
    }
    if (!all)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    return all;
}
