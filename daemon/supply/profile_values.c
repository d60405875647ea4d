/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_file.h"

#include "base/number.h"
#include "supply/scpi_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
        "little, perhaps followed by -swapped; a scale above 0)";
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
    char *swapped = strstr(order, "-swapped");
    quantity->swapped = swapped && strcmp(swapped, "-swapped") == 0;
    if (quantity->swapped)
        *swapped = '\0';
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

/* BIT or LOW-HIGH */
static bool bits_field(char *field, struct register_flag *flag)
{
    char *dash = strchr(field, '-');
    const char *low = field;
    const char *high = dash ? dash + 1 : field;
    if (dash)
        *dash = '\0';
    int last = 0;
    if (!whole_field(&low, 0, 15, &flag->bit) || !whole_field(&high, flag->bit, 15, &last))
        return false;
    flag->bits = last - flag->bit + 1;
    return true;
}

static int read_flag(const struct ini_pair *pair, struct register_flag *flag, struct error *error)
{
    static const char expected[] =
        "ADDRESS,BIT, ADDRESS,LOW-HIGH or ADDRESS (address 0 to 65535, bit 0 to 15), perhaps "
        "followed by ,inverted";
    const char *rest = pair->value;
    char field[40] = "";
    flag->bit = 0;
    flag->bits = 16;
    if (!whole_field(&rest, 0, 65535, &flag->address) || (rest && !next_field(&rest, field)))
        return bad(pair, expected, error);
    if (field[0] && strcmp(field, "inverted") != 0) {
        if (!bits_field(field, flag))
            return bad(pair, expected, error);
        field[0] = '\0';
        if (rest && !next_field(&rest, field))
            return bad(pair, expected, error);
    }
    if (rest || (field[0] && strcmp(field, "inverted") != 0) ||
        pair->value[strlen(pair->value) - 1] == ',')
        return bad(pair, expected, error);
    flag->inverted = field[0] != '\0';
    flag->known = true;
    return 0;
}

static int read_states(const struct ini_pair *pair, struct register_flag *flag, struct error *error)
{
    const char *rest = pair->value;
    flag->value_count = 0;
    while (rest)
        if (flag->value_count == MOST_STATES ||
            !whole_field(&rest, 0, 65535, &flag->values[flag->value_count++]))
            return bad(pair, "one to four numbers (0 to 65535) with commas between", error);
    return 0;
}

static int read_pair(const struct ini_pair *pair, int numbers[2], struct error *error)
{
    const char *rest = pair->value;
    if (whole_field(&rest, 0, 65535, &numbers[0]) && whole_field(&rest, 0, 65535, &numbers[1]) &&
        !rest && numbers[0] != numbers[1])
        return 0;
    return bad(pair, "ON,OFF (two different numbers, 0 to 65535)", error);
}

static int read_word(const struct ini_pair *pair, struct register_word *word, struct error *error)
{
    const char *rest = pair->value;
    if (!whole_field(&rest, 0, 65535, &word->address) ||
        !whole_field(&rest, 0, 65535, &word->value) || rest)
        return bad(pair, "ADDRESS,VALUE (0 to 65535 each)", error);
    word->known = true;
    return 0;
}

static int read_bit(const struct ini_pair *pair, struct state_bit *bit, struct error *error)
{
    static const char expected[] = "BIT (0 to 30, whole), perhaps followed by ,inverted";
    const char *rest = pair->value;
    char field[40] = "";
    if (!whole_field(&rest, 0, 30, &bit->bit) ||
        (rest && (!next_field(&rest, field) || rest || strcmp(field, "inverted") != 0)))
        return bad(pair, expected, error);
    bit->inverted = field[0] != '\0';
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
    if (key->kind != VALUE_COMMAND && !scpi_text_only_asks(pair->value))
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

/* As a message, with {count} standing for a number. */
static int read_array(const struct ini_pair *pair, const struct key *key, char text[120],
                      struct error *error)
{
    char plain[240];
    const char *count = strstr(pair->value, "{count}");
    if (!count || strlen(pair->value) >= 120)
        return read_message(pair, key, text, error);
    snprintf(plain, sizeof plain, "%.*s1%s", (int)(count - pair->value), pair->value,
             count + strlen("{count}"));
    if (!scpi_text_only_asks(plain))
        return bad(pair, "a message that only asks (each part of it ends its word with ?)", error);
    if (!scpi_text_template_ok(plain, false))
        return bad(pair, "{output} and one {count} as the only words in braces", error);
    snprintf(text, 120, "%s", pair->value);
    return 0;
}

static int read_form(const struct ini_pair *pair, struct scpi_profile *scpi, struct error *error)
{
    static const struct {
        const char *word;
        enum array_form form;
        bool little;
    } forms[] = {{"list", ARRAY_LIST, false},
                 {"f32,big", ARRAY_F32, false},
                 {"f32,little", ARRAY_F32, true},
                 {"f64,big", ARRAY_F64, false},
                 {"f64,little", ARRAY_F64, true}};
    for (size_t i = 0; i < sizeof forms / sizeof *forms; i++)
        if (strcmp(forms[i].word, pair->value) == 0) {
            scpi->array_form = forms[i].form;
            scpi->array_little = forms[i].little;
            return 0;
        }
    return bad(pair, "list; or f32 or f64, a comma, and the byte order big or little", error);
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

int profile_read_value(const struct ini_pair *pair, const struct key *key, struct profile *profile,
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
    case VALUE_STATES:
        return read_states(pair, target, error);
    case VALUE_PAIR:
        return read_pair(pair, target, error);
    case VALUE_WORD:
        return read_word(pair, target, error);
    case VALUE_BIT:
        return read_bit(pair, target, error);
    case VALUE_REPLY:
        if (strcmp(pair->value, "byte") != 0 && strcmp(pair->value, "number") != 0)
            return bad(pair, "number or byte", error);
        *(bool *)target = pair->value[0] == 'b';
        return 0;
    case VALUE_ARRAY:
        return read_array(pair, key, target, error);
    case VALUE_FORM:
        return read_form(pair, target, error);
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
