/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/bench_conditions.h"

#include <string.h>

static int out_of_memory(struct error *error)
{
    return error_set(error, EXIT_SOFTWARE, "", 0, NULL, "memory is out");
}

static int copy_text(const json_t *item, const char *key, char **to, struct error *error)
{
    const char *text = json_string_value(json_object_get(item, key));
    if (!text || !text[0])
        return 0;
    *to = strdup(text);
    return *to ? 0 : out_of_memory(error);
}

/* A list with anything in it but texts is of another kind: not said. */
static int read_feeds(const json_t *type, struct texts *feeds, struct error *error)
{
    const json_t *list = json_object_get(type, "feeds");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *feed = json_array_get(list, i);
        if (!json_is_string(feed)) {
            texts_clear(feeds);
            return 0;
        }
        if (texts_add(feeds, json_string_value(feed), json_string_length(feed)) != 0)
            return out_of_memory(error);
    }
    return 0;
}

static int read_unit(struct store_reader *reader, const char *serial, struct conditions *conditions,
                     struct error *error)
{
    struct store_filter filter = {.unit = serial, .limit = 1};
    json_t *list = store_list(reader, STORE_UNITS, &filter, error);
    if (!list)
        return -1;
    const json_t *unit = json_array_get(json_object_get(list, "items"), 0);
    int status = copy_text(unit, "revision", &conditions->revision, error);
    if (status == 0)
        status = copy_text(unit, "set_up", &conditions->set_up, error);
    json_decref(list);
    return status;
}

int bench_conditions_read(struct store_reader *reader, const json_t *type, const char *unit,
                          struct conditions *conditions, struct error *error)
{
    if (read_feeds(type, &conditions->feeds, error) != 0)
        return -1;
    return unit[0] ? read_unit(reader, unit, conditions, error) : 0;
}

int bench_conditions_of(struct store_reader *reader, const char *module_type, const char *unit,
                        struct conditions *conditions, struct error *error)
{
    json_t *type = module_type[0] ? store_module_type(reader, module_type, error) : json_null();
    if (!type)
        return -1;
    int status = bench_conditions_read(reader, type, unit, conditions, error);
    json_decref(type);
    return status;
}
