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
                                    "and big or little";

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
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    if (fields_of(copy, fields) != 4 || !whole_within(fields[0], 65535, &quantity->address))
        return refuse(pair, quantity_form, error);
    int type = 0;
    while (type < 5 && strcmp(fields[1], types[type]) != 0)
        type++;
    bool low_first = strcmp(fields[2], "little") == 0;
    if (type == 5 || (!low_first && strcmp(fields[2], "big") != 0) ||
        !number_parse_whole(fields[3], &quantity->scale) || quantity->scale <= 0)
        return refuse(pair, quantity_form, error);
    quantity->type = (enum word_type)type;
    quantity->low_word_first = low_first;
    quantity->known = true;
    return 0;
}

static int take_flag(const struct ini_pair *pair, struct map_flag *flag, struct error *error)
{
    char copy[200], *fields[4];
    snprintf(copy, sizeof copy, "%s", pair->value);
    int count = fields_of(copy, fields);
    flag->inverted = count == 3 && strcmp(fields[2], "inverted") == 0;
    if ((count != 2 && !flag->inverted) || !whole_within(fields[0], 65535, &flag->address) ||
        !whole_within(fields[1], 15, &flag->bit))
        return refuse(pair, "ADDRESS,BIT", error);
    flag->known = true;
    return 0;
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

static int take_modbus_key(struct supply_map *map, const struct ini_pair *pair, struct error *error)
{
    const struct {
        const char *key;
        struct map_quantity *quantity;
    } quantities[] = {{"voltage", &map->voltage},
                      {"current", &map->current},
                      {"set_voltage", &map->set_voltage},
                      {"set_limit", &map->set_limit}};
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
    if (strcmp(pair->key, "function") == 0)
        return whole_within(pair->value, 4, &map->function) && map->function >= 3
                   ? 0
                   : refuse(pair, "3 or 4", error);
    if (strcmp(pair->key, "output_step") == 0 &&
        !whole_within(pair->value, 30000, &map->output_step))
        return refuse(pair, "a number of registers", error);
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
        return whole_within(pair->value, 30, &map->limited_bit)
                   ? 0
                   : refuse(pair, "a bit from 0 to 30", error);
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
    *map = (struct supply_map){.outputs = 1, .limited_bit = -1};
    static const struct data_kind kind = {"WAKEDRAW_PROFILES", "daemon/profiles", "profiles"};
    char names[200], expected[240];
    if (data_path(&kind, name_or_path, map->path) != 0) {
        snprintf(expected, sizeof expected, "a path, or one of %s",
                 data_names(&kind, names, sizeof names));
        return error_set(error, EXIT_NO_INPUT, name_or_path, 0, expected, "no such profile");
    }
    if (ini_file_read(map->path, take_pair, map, error) != 0)
        return -1;
    if (map->modbus && (map->function == 0 || !map->voltage.known || !map->current.known))
        return error_set(error, EXIT_BAD_DATA, map->path, 0, "function, voltage and current",
                         "missing in [modbus]");
    if (map->modbus && map->outputs > 1 && map->output_step == 0)
        return error_set(error, EXIT_BAD_DATA, map->path, 0, "output_step beside outputs above 1",
                         "missing in [modbus]");
    return 0;
}
