/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_content.h"

#include "base/ini_file.h"
#include "base/number.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum value_kind {
    VALUE_TEXT,     /* char[160] */
    VALUE_QUERY,    /* char[120], asks */
    VALUE_COMMAND,  /* char[120], tells */
    VALUE_NUMBER,   /* double */
    VALUE_WHOLE,    /* int */
    VALUE_ACCURACY, /* two doubles: gain, offset */
    VALUE_QUANTITY, /* struct register_quantity */
    VALUE_FLAG,     /* struct register_flag */
    VALUE_SPEAKS,
    VALUE_END, /* enum line_end */
};

struct key {
    const char *section, *name;
    enum value_kind kind;
    size_t offset;
    double low, high;
    const char *unit; /* of a number; what has to stand in a message */
};

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
    {"scpi", "limited_bit", VALUE_WHOLE, AT(scpi.limited_bit), 0, 30, ""},
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
    {"scpi", "terminator", VALUE_END, AT(scpi.terminator), 0, 0, "LF, CR, CRLF or none"},
    {"scpi", "reply_end", VALUE_END, AT(scpi.reply_end), 0, 1, "auto, LF, CR, CRLF or gap"},
    {"scpi", "reply_gap_s", VALUE_NUMBER, AT(scpi.reply_gap_s), 0.001, 1, "s"},
    {"modbus", "function", VALUE_WHOLE, AT(modbus.function), 3, 4, ""},
    {"modbus", "set_function", VALUE_WHOLE, AT(modbus.set_function), 6, 16, ""},
    {"modbus", "voltage", VALUE_QUANTITY, AT(modbus.voltage), 0, 0, ""},
    {"modbus", "current", VALUE_QUANTITY, AT(modbus.current), 0, 0, ""},
    {"modbus", "set_voltage", VALUE_QUANTITY, AT(modbus.set_voltage), 0, 0, ""},
    {"modbus", "set_limit", VALUE_QUANTITY, AT(modbus.set_limit), 0, 0, ""},
    {"modbus", "output_on", VALUE_FLAG, AT(modbus.output_on), 0, 0, ""},
    {"modbus", "limited", VALUE_FLAG, AT(modbus.limited), 0, 0, ""},
    {"modbus", "set_output", VALUE_FLAG, AT(modbus.set_output), 0, 0, ""},
    {"modbus", "output_step", VALUE_WHOLE, AT(modbus.output_step), 1, 30000, ""},
    {"modbus", "byte_timeout_s", VALUE_NUMBER, AT(modbus.byte_timeout_s), 0.005, 10, "s"},
};

enum { KEYS = sizeof keys / sizeof *keys };

struct loading {
    struct profile *profile;
    long line_of[KEYS]; /* 0: not met */
    long first_modbus, first_scpi;
};

static int bad(const struct ini_pair *pair, const char *expected, struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, pair->file, pair->line, expected, "%s: found \"%.120s\"",
                     pair->key, pair->value);
}

/* Copies the next field of a comma-separated value, blanks around it removed. */
static bool next_field(const char **rest, char field[40])
{
    if (!*rest)
        return false;
    const char *start = *rest + strspn(*rest, " \t");
    size_t length = strcspn(start, ",");
    *rest = start[length] ? start + length + 1 : NULL;
    while (length > 0 && (start[length - 1] == ' ' || start[length - 1] == '\t'))
        length--;
    if (length >= 40)
        return false;
    memcpy(field, start, length);
    field[length] = '\0';
    return true;
}

/* A register's address or a bit: decimal, or hexadecimal after 0x. */
static bool whole_field(const char **rest, long low, long high, int *number)
{
    char field[40];
    if (!next_field(rest, field) || !field[0])
        return false;
    bool hexadecimal = strncmp(field, "0x", 2) == 0;
    const char *digits = hexadecimal ? field + 2 : field;
    size_t span = strspn(digits, hexadecimal ? "0123456789abcdefABCDEF" : "0123456789");
    if (span == 0 || digits[span] || span > 6)
        return false;
    long value = strtol(digits, NULL, hexadecimal ? 16 : 10);
    if (value < low || value > high)
        return false;
    *number = (int)value;
    return true;
}

static int read_quantity(const struct ini_pair *pair, struct register_quantity *quantity,
                         struct error *error)
{
    static const char *const types[] = {"u16", "s16", "u32", "s32", "f32"};
    static const char expected[] =
        "ADDRESS,TYPE,WORD_ORDER,SCALE (address 0 to 65535; u16, s16, u32, s32 or f32; big or "
        "little; a scale above 0)";
    const char *rest = pair->value;
    char type[40] = "";
    char order[40] = "";
    char scale[40] = "";
    if (!whole_field(&rest, 0, 65535, &quantity->address) || !next_field(&rest, type) ||
        !next_field(&rest, order) || !next_field(&rest, scale) || rest)
        return bad(pair, expected, error);
    size_t kind = 0;
    while (kind < 5 && strcmp(types[kind], type) != 0)
        kind++;
    quantity->little = strcmp(order, "little") == 0;
    if (kind == 5 || (!quantity->little && strcmp(order, "big") != 0) ||
        !number_parse_whole(scale, &quantity->scale) || !(quantity->scale > 0) ||
        quantity->scale > 1e6)
        return bad(pair, expected, error);
    quantity->type = (enum register_type)kind;
    if (quantity->address + register_width(quantity->type) > 65536)
        return bad(pair, "registers up to 65535", error);
    quantity->known = true;
    return 0;
}

static int read_flag(const struct ini_pair *pair, struct register_flag *flag, struct error *error)
{
    static const char expected[] = "ADDRESS,BIT (address 0 to 65535, bit 0 to 15), perhaps "
                                   "followed by ,inverted";
    const char *rest = pair->value;
    char inverted[40] = "";
    if (!whole_field(&rest, 0, 65535, &flag->address) || !whole_field(&rest, 0, 15, &flag->bit))
        return bad(pair, expected, error);
    if (rest && (!next_field(&rest, inverted) || rest || strcmp(inverted, "inverted") != 0))
        return bad(pair, expected, error);
    flag->inverted = inverted[0] != '\0';
    flag->known = true;
    return 0;
}

static int read_accuracy(const struct ini_pair *pair, const struct key *key, double *gain_offset,
                         struct error *error)
{
    const char *rest = pair->value;
    char percent[40] = "";
    char offset[40] = "";
    double gain = 0;
    double zero = 0;
    if (!next_field(&rest, percent) || !next_field(&rest, offset) || rest ||
        !number_parse_whole(percent, &gain) || !number_parse_whole(offset, &zero) || gain < 0 ||
        gain > 50 || zero < 0 || zero > 100)
        return bad(pair,
                   key->unit[0] == 'A' ? "PERCENT,OFFSET_A (0 to 50, 0 to 100)"
                                       : "PERCENT,OFFSET_V (0 to 50, 0 to 100)",
                   error);
    gain_offset[0] = gain / 100;
    gain_offset[1] = zero;
    return 0;
}

static int read_message(const struct ini_pair *pair, const struct key *key, char text[120],
                        struct error *error)
{
    if (strcmp(pair->value, "none") == 0) {
        text[0] = '\0';
        return 0;
    }
    if (!pair->value[0])
        return bad(pair, "a message, or none", error);
    if (strlen(pair->value) >= 120)
        return bad(pair, "at most 119 characters", error);
    if (key->kind == VALUE_QUERY && !scpi_text_only_asks(pair->value))
        return bad(pair, "a message that only asks (each part of it ends its word with ?)", error);
    if (key->kind == VALUE_COMMAND && strchr(pair->value, '?'))
        return bad(pair, "a message that tells (without ?)", error);
    if (key->unit[0] && !strstr(pair->value, key->unit)) {
        char expected[60];
        snprintf(expected, sizeof expected, "%s in it", key->unit);
        return bad(pair, expected, error);
    }
    if (!scpi_text_template_ok(pair->value, strcmp(key->unit, "{value}") == 0))
        return bad(pair,
                   strcmp(key->unit, "{value}") == 0 ? "{output} and {value} as the only words "
                                                       "in braces"
                                                     : "{output} as the only word in braces",
                   error);
    snprintf(text, 120, "%s", pair->value);
    return 0;
}

static int read_end(const struct ini_pair *pair, const struct key *key, enum line_end *end,
                    struct error *error)
{
    static const char *const reply_words[] = {"auto", "LF", "CR", "CRLF", "gap"};
    static const char *const message_words[] = {"", "LF", "CR", "CRLF", "none"};
    const char *const *words = key->high > 0 ? reply_words : message_words;
    for (int i = 0; i < 5; i++) {
        if (words[i][0] && strcmp(words[i], pair->value) == 0) {
            *end = (enum line_end)i;
            return 0;
        }
    }
    return bad(pair, key->unit, error);
}

static int read_whole(const struct ini_pair *pair, const struct key *key, int *number,
                      struct error *error)
{
    double value = 0;
    if (ini_number(pair, key->low, key->high, key->unit, &value, error) != 0)
        return -1;
    if (floor(value) != value)
        return bad(pair, "a whole number", error);
    *number = (int)value;
    return 0;
}

static int read_value(const struct ini_pair *pair, const struct key *key, struct profile *profile,
                      struct error *error)
{
    void *target = (char *)profile + key->offset;
    switch (key->kind) {
    case VALUE_TEXT:
        if (strlen(pair->value) >= sizeof profile->description)
            return bad(pair, "at most 159 characters", error);
        snprintf(target, sizeof profile->description, "%s", pair->value);
        return 0;
    case VALUE_QUERY:
    case VALUE_COMMAND:
        return read_message(pair, key, target, error);
    case VALUE_NUMBER:
        return ini_number(pair, key->low, key->high, key->unit, target, error);
    case VALUE_WHOLE:
        return read_whole(pair, key, target, error);
    case VALUE_ACCURACY:
        return read_accuracy(pair, key, target, error);
    case VALUE_QUANTITY:
        return read_quantity(pair, target, error);
    case VALUE_FLAG:
        return read_flag(pair, target, error);
    case VALUE_SPEAKS:
        if (strcmp(pair->value, "scpi") != 0 && strcmp(pair->value, "modbus") != 0)
            return bad(pair, "scpi or modbus", error);
        profile->speaks = pair->value[0] == 's' ? PROFILE_SCPI : PROFILE_MODBUS;
        return 0;
    case VALUE_END:
        return read_end(pair, key, target, error);
    }
    return -1;
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
    return read_value(pair, &keys[i], loading->profile, error);
}

static long line_of(const struct loading *loading, const char *section, const char *name)
{
    for (size_t i = 0; i < KEYS; i++)
        if (strcmp(keys[i].section, section) == 0 && strcmp(keys[i].name, name) == 0)
            return loading->line_of[i];
    return 0;
}

static int missing(const struct profile *profile, const char *section, const char *what,
                   struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, profile->path, 0, what, "missing in [%s]", section);
}

static int check_scpi(const struct loading *loading, struct error *error)
{
    const struct profile *profile = loading->profile;
    const struct scpi_profile *scpi = &profile->scpi;
    if (loading->first_modbus)
        return error_set(error, EXIT_BAD_DATA, profile->path, loading->first_modbus,
                         "[modbus] only with speaks = modbus", "found [modbus]");
    if (!scpi->read[0] && (!scpi->read_voltage[0] || !scpi->read_current[0]))
        return missing(profile, "scpi", "read_voltage and read_current, or read", error);
    if (!scpi->read[0] != !line_of(loading, "scpi", "read"))
        return missing(profile, "scpi", "read with a message", error);
    bool numbered = strstr(scpi->read, "{output}") || strstr(scpi->read_voltage, "{output}");
    if (profile->outputs > 1 && !numbered && !scpi->query_selection[0])
        return error_set(error, EXIT_BAD_DATA, profile->path, line_of(loading, "supply", "outputs"),
                         "{output} in the read messages, or query_selection and select",
                         "outputs: found %d", profile->outputs);
    if (scpi->select[0] && !scpi->query_selection[0])
        return missing(profile, "scpi", "query_selection beside select", error);
    if (!scpi->output_on[0] != !scpi->output_off[0])
        return missing(profile, "scpi", "output_on and output_off, both or neither", error);
    if (scpi->limited_bit >= 0 && !scpi->read_limited[0])
        return missing(profile, "scpi", "read_limited beside limited_bit", error);
    if (scpi->clear[0] && strcmp(scpi->clear, "*CLS") != 0)
        return error_set(error, EXIT_BAD_DATA, profile->path, line_of(loading, "scpi", "clear"),
                         "*CLS or none", "clear: found \"%s\"", scpi->clear);
    return 0;
}

static int check_modbus(const struct loading *loading, struct error *error)
{
    const struct profile *profile = loading->profile;
    const struct modbus_profile *modbus = &profile->modbus;
    if (loading->first_scpi)
        return error_set(error, EXIT_BAD_DATA, profile->path, loading->first_scpi,
                         "[scpi] only with speaks = scpi", "found [scpi]");
    if (!modbus->function)
        return missing(profile, "modbus", "function (3 or 4)", error);
    if (!modbus->voltage.known || !modbus->current.known)
        return missing(profile, "modbus", "voltage and current", error);
    if (modbus->set_function != 6 && modbus->set_function != 16)
        return error_set(error, EXIT_BAD_DATA, profile->path,
                         line_of(loading, "modbus", "set_function"), "6 or 16",
                         "set_function: found %d", modbus->set_function);
    if (modbus->set_function == 6 &&
        ((modbus->set_voltage.known && register_width(modbus->set_voltage.type) > 1) ||
         (modbus->set_limit.known && register_width(modbus->set_limit.type) > 1)))
        return error_set(error, EXIT_BAD_DATA, profile->path,
                         line_of(loading, "modbus", "set_function"),
                         "16 for set points of two registers", "set_function: found 6");
    if (profile->outputs > 1 && !modbus->output_step)
        return missing(profile, "modbus", "output_step where outputs is above 1", error);
    return 0;
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
    profile->scpi.limited_bit = -1;
    profile->scpi.terminator = LINE_END_LF;
    profile->scpi.reply_end = LINE_END_AUTO;
    profile->scpi.reply_gap_s = 0.03;
    profile->modbus.set_function = 16;
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
    if (!failed && !line_of(&loading, "supply", "speaks"))
        failed = missing(profile, "supply", "speaks = scpi or modbus", error);
    if (!failed)
        failed = profile->speaks == PROFILE_SCPI ? check_scpi(&loading, error)
                                                 : check_modbus(&loading, error);
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
