/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_file.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AT(member) offsetof(struct profile, member)

static const struct key keys[] = {
    {"supply", "speaks", VALUE_SPEAKS, AT(speaks), 0, 0, ""},
    {"supply", "description", VALUE_TEXT, AT(description), 0, 0, ""},
    {"supply", "current_resolution_A", VALUE_NUMBER, AT(accuracy.current_resolution_A), 1e-9, 10,
     "A"},
    {"supply", "current_accuracy", VALUE_ACCURACY, AT(accuracy.current_gain), 0, 0, "A"},
    {"supply", "voltage_resolution_V", VALUE_NUMBER, AT(accuracy.voltage_resolution_V), 1e-9, 10,
     "V"},
    {"supply", "voltage_accuracy", VALUE_ACCURACY, AT(accuracy.voltage_gain), 0, 0, "V"},
    {"supply", "rated_voltage_V", VALUE_NUMBER, AT(rated_voltage_V), 0.1, 10000, "V"},
    {"supply", "rated_current_A", VALUE_NUMBER, AT(rated_current_A), 0.001, 10000, "A"},
    {"supply", "outputs", VALUE_WHOLE, AT(outputs), 1, 64, ""},
    {"supply", "reply_timeout_s", VALUE_NUMBER, AT(reply_timeout_s), 0.02, 60, "s"},
    {"scpi", "identify", VALUE_QUERY, AT(scpi.identify), 0, 0, ""},
    {"scpi", "clear", VALUE_COMMAND, AT(scpi.clear), 0, 0, ""},
    {"scpi", "error", VALUE_QUERY, AT(scpi.error), 0, 0, ""},
    {"scpi", "read", VALUE_QUERY, AT(scpi.read), 0, 0, ""},
    {"scpi", "read_voltage", VALUE_QUERY, AT(scpi.read_voltage), 0, 0, ""},
    {"scpi", "read_current", VALUE_QUERY, AT(scpi.read_current), 0, 0, ""},
    {"scpi", "read_output", VALUE_QUERY, AT(scpi.read_output), 0, 0, ""},
    {"scpi", "read_limited", VALUE_QUERY, AT(scpi.read_limited), 0, 0, ""},
    {"scpi", "output_bit", VALUE_BIT, AT(scpi.output_bit), 0, 30, ""},
    {"scpi", "limited_bit", VALUE_BIT, AT(scpi.limited_bit), 0, 30, ""},
    {"scpi", "state_reply", VALUE_REPLY, AT(scpi.state_byte), 0, 0, ""},
    {"scpi", "query_voltage", VALUE_QUERY, AT(scpi.query_voltage), 0, 0, ""},
    {"scpi", "query_limit", VALUE_QUERY, AT(scpi.query_limit), 0, 0, ""},
    {"scpi", "set_voltage", VALUE_COMMAND, AT(scpi.set_voltage), 0, 0, "{value}"},
    {"scpi", "set_limit", VALUE_COMMAND, AT(scpi.set_limit), 0, 0, "{value}"},
    {"scpi", "output_on", VALUE_COMMAND, AT(scpi.output_on), 0, 0, ""},
    {"scpi", "output_off", VALUE_COMMAND, AT(scpi.output_off), 0, 0, ""},
    {"scpi", "query_protection", VALUE_QUERY, AT(scpi.query_protection), 0, 0, ""},
    {"scpi", "set_protection", VALUE_COMMAND, AT(scpi.set_protection), 0, 0, "{value}"},
    {"scpi", "query_selection", VALUE_QUERY, AT(scpi.query_selection), 0, 0, ""},
    {"scpi", "select", VALUE_COMMAND, AT(scpi.select), 0, 0, "{output}"},
    {"scpi", "remote", VALUE_COMMAND, AT(scpi.remote), 0, 0, ""},
    {"scpi", "local", VALUE_COMMAND, AT(scpi.local), 0, 0, ""},
    {"scpi", "array_voltage", VALUE_ARRAY, AT(scpi.array_voltage), 0, 0, ""},
    {"scpi", "array_current", VALUE_ARRAY, AT(scpi.array_current), 0, 0, ""},
    {"scpi", "array_count", VALUE_WHOLE, AT(scpi.array_count), 2, MOST_ARRAY, ""},
    {"scpi", "array_interval_s", VALUE_NUMBER, AT(scpi.array_interval_s), 1e-5, 0.1, "s"},
    {"scpi", "query_array_interval", VALUE_QUERY, AT(scpi.query_array_interval), 0, 0, ""},
    {"scpi", "array_form", VALUE_FORM, AT(scpi), 0, 0, ""},
    {"scpi", "terminator", VALUE_END, AT(scpi.terminator), 0, 0, "LF, CR, CRLF or none"},
    {"scpi", "reply_end", VALUE_END, AT(scpi.reply_end), 0, 1, "auto, LF, CR, CRLF or gap"},
    {"scpi", "reply_gap_s", VALUE_NUMBER, AT(scpi.reply_gap_s), 0.001, 1, "s"},
    {"modbus", "function", VALUE_WHOLE, AT(modbus.function), 3, 4, ""},
    {"modbus", "voltage", VALUE_QUANTITY, AT(modbus.voltage), 0, 0, ""},
    {"modbus", "voltage_function", VALUE_WHOLE, AT(modbus.voltage.function), 3, 4, ""},
    {"modbus", "current", VALUE_QUANTITY, AT(modbus.current), 0, 0, ""},
    {"modbus", "current_function", VALUE_WHOLE, AT(modbus.current.function), 3, 4, ""},
    {"modbus", "output_on", VALUE_FLAG, AT(modbus.output_on), 0, 0, ""},
    {"modbus", "output_on_function", VALUE_WHOLE, AT(modbus.output_on.function), 1, 4, ""},
    {"modbus", "output_on_value", VALUE_STATES, AT(modbus.output_on), 0, 0, ""},
    {"modbus", "limited", VALUE_FLAG, AT(modbus.limited), 0, 0, ""},
    {"modbus", "limited_function", VALUE_WHOLE, AT(modbus.limited.function), 1, 4, ""},
    {"modbus", "limited_value", VALUE_STATES, AT(modbus.limited), 0, 0, ""},
    {"modbus", "set_function", VALUE_WHOLE, AT(modbus.set_function), 6, 16, ""},
    {"modbus", "set_voltage", VALUE_QUANTITY, AT(modbus.set_voltage), 0, 0, ""},
    {"modbus", "set_voltage_function", VALUE_WHOLE, AT(modbus.set_voltage.function), 3, 4, ""},
    {"modbus", "set_limit", VALUE_QUANTITY, AT(modbus.set_limit), 0, 0, ""},
    {"modbus", "set_limit_function", VALUE_WHOLE, AT(modbus.set_limit.function), 3, 4, ""},
    {"modbus", "query_voltage", VALUE_QUANTITY, AT(modbus.query_voltage), 0, 0, ""},
    {"modbus", "query_voltage_function", VALUE_WHOLE, AT(modbus.query_voltage.function), 3, 4, ""},
    {"modbus", "query_limit", VALUE_QUANTITY, AT(modbus.query_limit), 0, 0, ""},
    {"modbus", "query_limit_function", VALUE_WHOLE, AT(modbus.query_limit.function), 3, 4, ""},
    {"modbus", "set_protection", VALUE_QUANTITY, AT(modbus.set_protection), 0, 0, ""},
    {"modbus", "query_protection", VALUE_QUANTITY, AT(modbus.query_protection), 0, 0, ""},
    {"modbus", "query_protection_function", VALUE_WHOLE, AT(modbus.query_protection.function), 3, 4,
     ""},
    {"modbus", "set_output", VALUE_FLAG, AT(modbus.set_output), 0, 0, ""},
    {"modbus", "set_output_function", VALUE_WHOLE, AT(modbus.set_output_function), 5, 16, ""},
    {"modbus", "set_output_values", VALUE_PAIR, AT(modbus.output_words), 0, 0, ""},
    {"modbus", "remote", VALUE_WORD, AT(modbus.remote), 0, 0, ""},
    {"modbus", "local", VALUE_WORD, AT(modbus.local), 0, 0, ""},
    {"modbus", "remote_function", VALUE_WHOLE, AT(modbus.remote_function), 5, 16, ""},
    {"modbus", "output_step", VALUE_WHOLE, AT(modbus.output_step), 1, 30000, ""},
    {"modbus", "coil_step", VALUE_WHOLE, AT(modbus.coil_step), 1, 30000, ""},
    {"modbus", "silence_s", VALUE_NUMBER, AT(modbus.silence_s), 0.0005, 1, "s"},
    {"modbus", "byte_timeout_s", VALUE_NUMBER, AT(modbus.byte_timeout_s), 0.005, 10, "s"},
};

enum { KEYS = sizeof keys / sizeof *keys };
_Static_assert((int)KEYS <= (int)MOST_KEYS, "a line for every key");

long profile_line_of(const struct loading *loading, const char *section, const char *name)
{
    for (size_t i = 0; i < KEYS; i++)
        if (strcmp(keys[i].section, section) == 0 && strcmp(keys[i].name, name) == 0)
            return loading->line_of[i];
    return 0;
}

static int unknown(const struct ini_pair *pair, struct error *error)
{
    bool section_known = false;
    char expected[240] = "";
    for (size_t i = 0; i < KEYS; i++) {
        if (strcmp(keys[i].section, pair->section) != 0)
            continue;
        section_known = true;
        size_t used = strlen(expected);
        if (used + strlen(keys[i].name) + 8 < sizeof expected)
            snprintf(expected + used, sizeof expected - used, "%s%s", used ? ", " : "",
                     keys[i].name);
        else if (used + 4 < sizeof expected && expected[used - 1] != '.')
            snprintf(expected + used, sizeof expected - used, "...");
    }
    if (!section_known)
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line,
                         "[supply], [scpi] or [modbus]", "found key %s in [%s]", pair->key,
                         pair->section);
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, expected,
                     "unknown key %s in [%s]", pair->key, pair->section);
}

static bool is_section(const char *name)
{
    size_t i = 0;
    while (i < KEYS && strcmp(keys[i].section, name) != 0)
        i++;
    return i < KEYS;
}

static int take_pair(void *context, const struct ini_pair *pair, struct error *error)
{
    struct loading *loading = context;
    if (!pair->key[0] && is_section(pair->section))
        return 0; /* what is missing is said when all is read */
    size_t i = 0;
    while (i < KEYS &&
           (strcmp(keys[i].section, pair->section) != 0 || strcmp(keys[i].name, pair->key) != 0))
        i++;
    if (i == KEYS)
        return unknown(pair, error);
    if (loading->line_of[i])
        return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, "it once",
                         "%s given again, first in line %ld", pair->key, loading->line_of[i]);
    loading->line_of[i] = pair->line;
    if (strcmp(pair->section, "scpi") == 0 && !loading->first_scpi)
        loading->first_scpi = pair->line;
    if (strcmp(pair->section, "modbus") == 0 && !loading->first_modbus)
        loading->first_modbus = pair->line;
    return profile_read_value(pair, &keys[i], loading->profile, error);
}

int register_width(enum register_type type)
{
    return type == REGISTER_U16 || type == REGISTER_S16 ? 1 : 2;
}

static void set_defaults(struct profile *profile)
{
    profile->rated_voltage_V = NAN;
    profile->rated_current_A = NAN;
    profile->outputs = 1;
    profile->reply_timeout_s = 1;
    snprintf(profile->scpi.identify, sizeof profile->scpi.identify, "*IDN?");
    snprintf(profile->scpi.clear, sizeof profile->scpi.clear, "*CLS");
    profile->scpi.output_bit.bit = -1;
    profile->scpi.limited_bit.bit = -1;
    profile->scpi.array_interval_s = NAN;
    profile->scpi.terminator = LINE_END_LF;
    profile->scpi.reply_end = LINE_END_AUTO;
    profile->scpi.reply_gap_s = 0.03;
    profile->modbus.set_function = 16;
    profile->modbus.output_words[0] = 1;
    profile->modbus.byte_timeout_s = 0.2;
}

static void set_name(struct profile *profile)
{
    const char *slash = strrchr(profile->path, '/');
    snprintf(profile->name, sizeof profile->name, "%s", slash ? slash + 1 : profile->path);
    size_t length = strlen(profile->name);
    if (length > 4 && strcmp(profile->name + length - 4, ".ini") == 0)
        profile->name[length - 4] = '\0';
    snprintf(profile->accuracy.profile, sizeof profile->accuracy.profile, "%s", profile->name);
}

struct profile *profile_load(const char *name_or_path, struct error *error)
{
    struct profile *profile = calloc(1, sizeof *profile);
    if (!profile) {
        error_set(error, EXIT_SOFTWARE, name_or_path, 0, NULL, "memory is out");
        return NULL;
    }
    set_defaults(profile);
    struct loading loading = {.profile = profile};
    int failed = profile_find(name_or_path, profile->path, sizeof profile->path, error);
    if (!failed) {
        set_name(profile);
        failed = ini_file_read(profile->path, take_pair, &loading, error);
    }
    if (!failed)
        failed = profile_check(&loading, error);
    if (failed) {
        profile_destroy(profile);
        return NULL;
    }
    return profile;
}

void profile_destroy(struct profile *profile)
{
    free(profile);
}

const char *profile_name(const struct profile *profile)
{
    return profile->name;
}

const struct accuracy *profile_accuracy(const struct profile *profile)
{
    return &profile->accuracy;
}
