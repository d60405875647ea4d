/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "simulate/supply_map.h"

#include "base/ini_file.h"
#include "base/number.h"
#include "simulate/data_path.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const message_keys[MESSAGE_COUNT] = {
    [MESSAGE_IDENTIFY] = "identify",
    [MESSAGE_ERROR] = "error",
    [MESSAGE_READ] = "read",
    [MESSAGE_READ_VOLTAGE] = "read_voltage",
    [MESSAGE_READ_CURRENT] = "read_current",
    [MESSAGE_READ_OUTPUT] = "read_output",
    [MESSAGE_READ_LIMITED] = "read_limited",
    [MESSAGE_QUERY_VOLTAGE] = "query_voltage",
    [MESSAGE_QUERY_LIMIT] = "query_limit",
    [MESSAGE_SET_VOLTAGE] = "set_voltage",
    [MESSAGE_SET_LIMIT] = "set_limit",
    [MESSAGE_OUTPUT_ON] = "output_on",
    [MESSAGE_OUTPUT_OFF] = "output_off",
    [MESSAGE_QUERY_PROTECTION] = "query_protection",
    [MESSAGE_SET_PROTECTION] = "set_protection",
    [MESSAGE_QUERY_SELECTION] = "query_selection",
    [MESSAGE_SELECT] = "select",
    [MESSAGE_REMOTE] = "remote",
    [MESSAGE_LOCAL] = "local",
};

static const char quantity_form[] = "ADDRESS,TYPE,WORD_ORDER,SCALE with u16, s16, u32, s32 or f32 "
                                    "and big or little, or either with -swapped";

static int refuse(const struct ini_pair *pair, const char *expected, struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, expected, "%s: found \"%.100s\"",
                     pair->key, pair->value);
}

/* Cuts at commas; the fields are trimmed. Returns how many, -1: too many. */
static int fields_of(char *text, char *fields[4])
{
    int count = 0;
    for (char *rest = text; rest;) {
        char *comma = strchr(rest, ',');
        if (comma)
            *comma++ = '\0';
        if (count == 4)
            return -1;
        rest += strspn(rest, " \t");
        size_t length = strlen(rest);
        while (length > 0 && (rest[length - 1] == ' ' || rest[length - 1] == '\t'))
            rest[--length] = '\0';
        fields[count++] = rest;
        rest = comma;
    }
    return count;
}

/* 16 or 0x10 */
static bool whole_within(const char *text, long high, int *number)
{
    char *end = NULL;
    long value = strtol(text, &end, strncmp(text, "0x", 2) == 0 ? 16 : 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || value > high)
        return false;
    *number = (int)value;
    return true;
}

static int take_quantity(const struct ini_pair *pair, struct map_quantity *quantity,
                         struct error *error)
{
    static const char *const types[] = {"u16", "s16", "u32", "s32", "f32"};
    static const char *const orders[] = {"big", "little", "big-swapped", "little-swapped"};
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    if (fields_of(copy, fields) != 4 || !whole_within(fields[0], 65535, &quantity->address))
        return refuse(pair, quantity_form, error);
    int type = 0;
    while (type < 5 && strcmp(fields[1], types[type]) != 0)
        type++;
    int order = 0;
    while (order < 4 && strcmp(fields[2], orders[order]) != 0)
        order++;
    if (type == 5 || order == 4 || !number_parse_whole(fields[3], &quantity->scale) ||
        quantity->scale <= 0)
        return refuse(pair, quantity_form, error);
    quantity->type = (enum word_type)type;
    quantity->low_word_first = order & 1;
    quantity->low_byte_first = order & 2;
    quantity->known = true;
    return 0;
}

/* 5, or 4-6; "inverted" may stand behind it, or instead of it. */
static int take_flag(const struct ini_pair *pair, struct map_flag *flag, struct error *error)
{
    static const char form[] = "ADDRESS, ADDRESS,BIT or ADDRESS,LOW-HIGH";
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    int count = fields_of(copy, fields);
    flag->inverted = count > 1 && strcmp(fields[count - 1], "inverted") == 0;
    count -= flag->inverted;
    flag->bit = 0;
    flag->width = 16;
    if (count < 1 || count > 2 || !whole_within(fields[0], 65535, &flag->address))
        return refuse(pair, form, error);
    if (count == 2) {
        int last = 0;
        char *dash = strchr(fields[1], '-');
        if (dash)
            *dash++ = '\0';
        if (!whole_within(fields[1], 15, &flag->bit) ||
            !whole_within(dash ? dash : fields[1], 15, &last) || last < flag->bit)
            return refuse(pair, form, error);
        flag->width = last - flag->bit + 1;
    }
    flag->known = true;
    return 0;
}

/* Whole numbers with commas between; how many, -1: not that. */
static int numbers_of(const struct ini_pair *pair, int numbers[MAP_MOST_VALUES])
{
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    int count = fields_of(copy, fields);
    for (int i = 0; i < count; i++)
        if (!whole_within(fields[i], 65535, &numbers[i]))
            return -1;
    return count;
}

static int take_supply_key(struct supply_map *map, const struct ini_pair *pair, struct error *error)
{
    double number = 0;
    if (strcmp(pair->key, "speaks") == 0) {
        map->modbus = strcmp(pair->value, "modbus") == 0;
        return map->modbus || strcmp(pair->value, "scpi") == 0
                   ? 0
                   : refuse(pair, "scpi or modbus", error);
    }
    if (strcmp(pair->key, "current_resolution_A") == 0)
        return ini_number(pair, 0, 10, "A", &map->resolution_A, error);
    if (strcmp(pair->key, "voltage_resolution_V") == 0)
        return ini_number(pair, 0, 10, "V", &map->resolution_V, error);
    if (strcmp(pair->key, "rated_voltage_V") == 0)
        return ini_number(pair, 0.1, 10000, "V", &map->rated_V, error);
    if (strcmp(pair->key, "rated_current_A") == 0)
        return ini_number(pair, 0.001, 10000, "A", &map->rated_A, error);
    if (strcmp(pair->key, "outputs") == 0) {
        if (ini_number(pair, 1, 64, "", &number, error) != 0)
            return -1;
        map->outputs = (int)number;
    }
    return 0;
}

/* NAME_function and NAME_value of what else has a name; *known: it was one. */
static int take_suffixed(struct supply_map *map, const struct ini_pair *pair, bool *known,
                         struct error *error)
{
    const struct {
        const char *key;
        int *function;
        long high;
    } functions[] = {{"voltage_function", &map->voltage.function, 4},
                     {"current_function", &map->current.function, 4},
                     {"output_on_function", &map->output_on.function, 4},
                     {"limited_function", &map->limited.function, 4},
                     {"set_voltage_function", &map->set_voltage.function, 4},
                     {"set_limit_function", &map->set_limit.function, 4},
                     {"query_voltage_function", &map->query_voltage.function, 4},
                     {"query_limit_function", &map->query_limit.function, 4},
                     {"query_protection_function", &map->query_protection.function, 4},
                     {"set_output_function", &map->set_output_function, 16},
                     {"remote_function", &map->remote_function, 16}};
    *known = true;
    for (size_t i = 0; i < sizeof functions / sizeof *functions; i++)
        if (strcmp(functions[i].key, pair->key) == 0)
            return whole_within(pair->value, functions[i].high, functions[i].function)
                       ? 0
                       : refuse(pair, "a function's number", error);
    int numbers[MAP_MOST_VALUES] = {0};
    struct map_flag *flag = strcmp(pair->key, "output_on_value") == 0 ? &map->output_on
                            : strcmp(pair->key, "limited_value") == 0 ? &map->limited
                                                                      : NULL;
    bool pairs = strcmp(pair->key, "set_output_values") == 0 || strcmp(pair->key, "remote") == 0;
    *known = flag || pairs;
    int count = *known ? numbers_of(pair, numbers) : 0;
    if (*known && (count < 1 || (pairs && count != 2)))
        return refuse(pair, pairs ? "two whole numbers" : "whole numbers", error);
    if (flag) {
        memcpy(flag->values, numbers, sizeof numbers);
        flag->value_count = count;
    } else if (pairs && pair->key[0] == 's') {
        map->output_values[0] = numbers[0];
        map->output_values[1] = numbers[1];
    } else if (pairs) {
        map->remote_known = true;
        map->remote_address = numbers[0];
        map->remote_value = numbers[1];
    }
    return 0;
}

static int take_modbus_key(struct supply_map *map, const struct ini_pair *pair, struct error *error)
{
    const struct {
        const char *key;
        struct map_quantity *quantity;
    } quantities[] = {{"voltage", &map->voltage},
                      {"current", &map->current},
                      {"set_voltage", &map->set_voltage},
                      {"set_limit", &map->set_limit},
                      {"set_protection", &map->set_protection},
                      {"query_voltage", &map->query_voltage},
                      {"query_limit", &map->query_limit},
                      {"query_protection", &map->query_protection}};
    const struct {
        const char *key;
        struct map_flag *flag;
    } flags[] = {{"output_on", &map->output_on},
                 {"limited", &map->limited},
                 {"set_output", &map->set_output}};
    for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++)
        if (strcmp(quantities[i].key, pair->key) == 0)
            return take_quantity(pair, quantities[i].quantity, error);
    for (size_t i = 0; i < sizeof flags / sizeof *flags; i++)
        if (strcmp(flags[i].key, pair->key) == 0)
            return take_flag(pair, flags[i].flag, error);
    bool known = false;
    int failed = take_suffixed(map, pair, &known, error);
    if (known)
        return failed;
    if (strcmp(pair->key, "function") == 0)
        return whole_within(pair->value, 4, &map->function) && map->function >= 3
                   ? 0
                   : refuse(pair, "3 or 4", error);
    int *step = strcmp(pair->key, "output_step") == 0 ? &map->output_step
                : strcmp(pair->key, "coil_step") == 0 ? &map->coil_step
                                                      : NULL;
    if (step && !whole_within(pair->value, 30000, step))
        return refuse(pair, "a number of registers", error);
    return 0;
}

/* Each thing's own function, `function` or the one that set points have; a coil
 * is one bit. */
static int settle_modbus(struct supply_map *map, struct error *error)
{
    int *measured[] = {&map->voltage.function, &map->current.function, &map->output_on.function,
                       &map->limited.function};
    for (size_t i = 0; i < 4; i++)
        if (*measured[i] == 0)
            *measured[i] = i > 1 && map->function == 0 ? map->voltage.function : map->function;
    if (map->voltage.function == 0 || map->current.function == 0 || !map->voltage.known ||
        !map->current.known)
        return error_set(error, EXIT_BAD_DATA, map->path, 0, "function, voltage and current",
                         "missing in [modbus]");
    if (map->outputs > 1 && map->output_step == 0)
        return error_set(error, EXIT_BAD_DATA, map->path, 0, "output_step beside outputs above 1",
                         "missing in [modbus]");
    int *settings[] = {&map->set_voltage.function,    &map->set_limit.function,
                       &map->set_protection.function, &map->query_voltage.function,
                       &map->query_limit.function,    &map->query_protection.function};
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (*settings[i] == 0)
            *settings[i] = 3;
    map->set_output.function = map->set_output_function == 5 ? 1 : 3;
    struct map_flag *flags[] = {&map->output_on, &map->limited, &map->set_output};
    for (size_t i = 0; i < 3; i++)
        if (flags[i]->function <= 2)
            flags[i]->width = 1;
    return 0;
}

static int take_end(const struct ini_pair *pair, enum message_end *end, struct error *error)
{
    static const struct {
        const char *word;
        enum message_end end;
    } words[] = {
        {"LF", END_LF}, {"CR", END_CR}, {"CRLF", END_CRLF}, {"gap", END_GAP}, {"none", END_GAP}};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        if (strcmp(words[i].word, pair->value) == 0) {
            *end = words[i].end;
            return 0;
        }
    }
    /* "auto" is for who asks; who answers has one way. */
    return strcmp(pair->value, "auto") == 0
               ? 0
               : refuse(pair, "LF, CR, CRLF, gap, none or auto", error);
}

static int take_bit(const struct ini_pair *pair, int *bit, bool *inverted, struct error *error)
{
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    int count = fields_of(copy, fields);
    *inverted = count == 2 && strcmp(fields[1], "inverted") == 0;
    return (count == 1 || *inverted) && whole_within(fields[0], 30, bit)
               ? 0
               : refuse(pair, "a bit from 0 to 30, perhaps inverted", error);
}

static int take_scpi_key(struct supply_map *map, const struct ini_pair *pair, struct error *error)
{
    for (int i = 0; i < MESSAGE_COUNT; i++) {
        if (strcmp(message_keys[i], pair->key) != 0)
            continue;
        if (strlen(pair->value) >= sizeof map->messages[i])
            return refuse(pair, "at most 119 characters", error);
        snprintf(map->messages[i], sizeof map->messages[i], "%s",
                 strcmp(pair->value, "none") == 0 ? "" : pair->value);
        return 0;
    }
    if (strcmp(pair->key, "limited_bit") == 0)
        return take_bit(pair, &map->limited_bit, &map->limited_inverted, error);
    if (strcmp(pair->key, "output_bit") == 0)
        return take_bit(pair, &map->output_bit, &map->output_inverted, error);
    if (strcmp(pair->key, "state_reply") == 0)
        map->state_byte = strcmp(pair->value, "byte") == 0;
    if (strcmp(pair->key, "array_interval_s") == 0)
        return ini_number(pair, 1e-5, 0.1, "s", &map->array_interval_s, error);
    if (strcmp(pair->key, "array_voltage") == 0 && map->array_interval_s == 0)
        map->array_interval_s = 0.001; /* where it is only asked for */
    if (strcmp(pair->key, "array_form") == 0) {
        map->array_float_bytes = pair->value[0] != 'f' ? 0 : pair->value[1] == '3' ? 4 : 8;
        map->array_little = strstr(pair->value, "little") != NULL;
    }
    if (strcmp(pair->key, "terminator") == 0)
        return take_end(pair, &map->message_end, error);
    if (strcmp(pair->key, "reply_end") == 0)
        return take_end(pair, &map->reply_end, error);
    return 0;
}

static int take_pair(void *context, const struct ini_pair *pair, struct error *error)
{
    struct supply_map *map = context;
    bool empty = !pair->key[0];
    if (empty && (strcmp(pair->section, "supply") == 0 || strcmp(pair->section, "modbus") == 0 ||
                  strcmp(pair->section, "scpi") == 0))
        return 0;
    if (strcmp(pair->section, "supply") == 0)
        return take_supply_key(map, pair, error);
    if (strcmp(pair->section, "modbus") == 0)
        return take_modbus_key(map, pair, error);
    if (strcmp(pair->section, "scpi") == 0)
        return take_scpi_key(map, pair, error);
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "[supply], [scpi] or [modbus]",
                     "found [%s]", pair->section);
}

int supply_map_read(const char *name_or_path, struct supply_map *map, struct error *error)
{
    *map = (struct supply_map){
        .outputs = 1, .limited_bit = -1, .output_bit = -1, .output_values = {1, 0}};
    static const struct data_kind kind = {"WAKEDRAW_PROFILES", "daemon/profiles", "profiles"};
    char names[200], expected[240];
    if (data_path(&kind, name_or_path, map->path) != 0) {
        snprintf(expected, sizeof expected, "a path, or one of %s",
                 data_names(&kind, names, sizeof names));
        return error_set(error, EXIT_NO_INPUT, name_or_path, 0, expected, "no such profile");
    }
    if (ini_file_read(map->path, take_pair, map, error) != 0)
        return -1;
    return map->modbus ? settle_modbus(map, error) : 0;
}
