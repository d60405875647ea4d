/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Writing references: the text as it came, save its version, which is the
 * type's next one.
 */
#include "store/store_private.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Where the value of a key of the outermost object stands, in text that is
 * known to be sound JSON. A printer would change every other number's look. */
static bool find_value(const char *text, const char *key, size_t *from, size_t *to)
{
    int depth = 0;
    size_t length = strlen(key);
    for (size_t i = 0; text[i]; i++) {
        if (text[i] == '{' || text[i] == '[') {
            depth++;
        } else if (text[i] == '}' || text[i] == ']') {
            depth--;
        } else if (text[i] == '"') {
            size_t start = ++i;
            for (; text[i] != '"'; i++)
                i += text[i] == '\\';
            size_t colon = i + 1 + strspn(text + i + 1, " \t\r\n");
            if (depth != 1 || text[colon] != ':' || i - start != length ||
                strncmp(text + start, key, length) != 0)
                continue;
            *from = colon + 1 + strspn(text + colon + 1, " \t\r\n");
            *to = *from + strcspn(text + *from, ",} \t\r\n");
            return true;
        }
    }
    return false;
}

/* The text with its version set; malloc'd, or NULL with the error filled. */
static char *with_version(const char *text, const json_t *content, int version, struct error *error)
{
    size_t from = 0;
    size_t to = 0;
    if (!json_is_integer(json_object_get(content, "version")) ||
        !find_value(text, "version", &from, &to)) {
        error_set(error, EXIT_BAD_DATA, "version", 0, "a whole number", "is missing");
        return NULL;
    }
    size_t length = strlen(text) + 24;
    char *changed = malloc(length);
    if (!changed)
        error_set(error, EXIT_SOFTWARE, NULL, 0, NULL, "memory is out");
    else
        snprintf(changed, length, "%.*s%d%s", (int)from, text, version, text + to);
    return changed;
}

struct new_reference {
    const char *text;
    const json_t *content;
    int wanted_version;
};

static double number_of(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    double number = json_is_number(value) ? json_number_value(value) : (double)NAN;
    return number > 0 ? number : (double)NAN;
}

/* A type first seen by its reference takes voltage and watch time from it. */
static int type_of(struct store *store, const char *module_type, const json_t *content,
                   int64_t *type, struct error *error)
{
    int found = database_run(&store->database, error, type,
                             "SELECT id FROM module_type WHERE name = ?", "t", module_type);
    if (found != 0)
        return found < 0 ? -1 : 0;
    if (catalogue_type_id(store, module_type, type, error) != 0)
        return -1;
    return database_run(&store->database, error, NULL,
                        "UPDATE module_type SET nominal_voltage_V = ?, watch_s = ? WHERE id = ?",
                        "ddi", number_of(content, "nominal_voltage_V"),
                        number_of(content, "watch_s"), *type) < 0
               ? -1
               : 0;
}

static int insert(struct store *store, const char *module_type, const struct new_reference *new,
                  int *version, int64_t *id, struct error *error)
{
    int64_t type = 0;
    int64_t newest = 0;
    if (type_of(store, module_type, new->content, &type, error) != 0 ||
        database_run(&store->database, error, &newest,
                     "SELECT coalesce(max(version), 0) FROM reference WHERE module_type_id = ?",
                     "i", type) < 0)
        return -1;
    *version = new->wanted_version > newest ? new->wanted_version : (int)newest + 1;
    char *text = with_version(new->text, new->content, *version, error);
    if (!text)
        return -1;
    const json_t *taught = json_object_get(new->content, "taught_by");
    int64_t units = json_integer_value(json_object_get(taught, "units"));
    int64_t power_ups = json_integer_value(json_object_get(taught, "power_ups"));
    int status =
        database_run(&store->database, error, NULL,
                     "INSERT INTO reference (module_type_id, version, revision, set_up, units,"
                     " power_ups, range_only, text, created_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                     "iieeiiiti", type, (int64_t)*version,
                     json_string_value(json_object_get(new->content, "revision")),
                     json_string_value(json_object_get(new->content, "set_up")), units, power_ups,
                     (int64_t)(power_ups == 0), text, clock_wall_us());
    free(text);
    *id = sqlite3_last_insert_rowid(store->database.connection);
    return status < 0 ? -1 : 0;
}

int store_put_reference(struct store *store, const char *module_type, int wanted_version,
                        const char *text, int *version, int64_t *id, struct error *error)
{
    if (!module_type[0] || strlen(module_type) > 127)
        return error_set(error, EXIT_BAD_DATA, "module_type", 0, "a text of 1 to 127 bytes",
                         "found %zu bytes", strlen(module_type));
    json_error_t where;
    json_t *content = json_loads(text, JSON_REJECT_DUPLICATES, &where);
    if (!content)
        return error_set(error, EXIT_BAD_DATA, "reference", where.line, "JSON", "%s", where.text);
    struct new_reference new = {text, content, wanted_version};
    int given = 0;
    int64_t made = 0;
    int status = database_begin(&store->database, error);
    if (status == 0)
        status = store_end_transaction(
            store, insert(store, module_type, &new, &given, &made, error), error);
    json_decref(content);
    if (status == 0) {
        *version = given;
        *id = made;
    }
    return status;
}
