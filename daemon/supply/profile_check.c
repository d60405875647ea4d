/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/profile_file.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static int missing(const struct profile *profile, const char *section, const char *what,
                   struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, profile->path, 0, what, "missing in [%s]", section);
}

static int wrong(const struct loading *loading, const char *section, const char *key, int found,
                 const char *expected, struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, loading->profile->path,
                     profile_line_of(loading, section, key), expected, "%s: found %d", key, found);
}

/* `beside` stands there and wants another key; its line is named. */
static int missing_beside(const struct loading *loading, const char *section, const char *beside,
                          const char *what, struct error *error)
{
    return error_set(error, EXIT_BAD_DATA, loading->profile->path,
                     profile_line_of(loading, section, beside), what, "missing in [%s] beside %s",
                     section, beside);
}

/* An acquisition longer than this would keep verdicts, and an Off, waiting. */
static const double LONGEST_ARRAY_S = 0.2;

static int check_array(const struct loading *loading, struct error *error)
{
    const struct scpi_profile *scpi = &loading->profile->scpi;
    static const char *const keys[] = {"array_current", "array_count", "array_interval_s",
                                       "query_array_interval", "array_form"};
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (!scpi->array_voltage[0] && profile_line_of(loading, "scpi", keys[i]))
            return missing_beside(loading, "scpi", keys[i], "array_voltage", error);
    if (!scpi->array_voltage[0])
        return 0;
    const char *current = scpi->array_current + (scpi->array_current[0] == ':');
    if (!current[0])
        return missing_beside(loading, "scpi", "array_voltage", "array_current", error);
    if (strncasecmp(current, "FETC", 4) != 0)
        return error_set(error, EXIT_BAD_DATA, loading->profile->path,
                         profile_line_of(loading, "scpi", "array_current"),
                         "a FETCh of the acquisition that array_voltage took, so that volts and "
                         "amperes are of one instant",
                         "array_current: found \"%s\"", scpi->array_current);
    if (!scpi->array_count)
        return missing_beside(loading, "scpi", "array_voltage", "array_count", error);
    if (isnan(scpi->array_interval_s) && !scpi->query_array_interval[0])
        return missing_beside(loading, "scpi", "array_voltage",
                              "array_interval_s or query_array_interval", error);
    if (scpi->array_count * scpi->array_interval_s > LONGEST_ARRAY_S)
        return wrong(loading, "scpi", "array_count", scpi->array_count,
                     "array_count x array_interval_s of 0.2 s at most", error);
    if (!scpi->read_voltage[0] || !scpi->read_current[0])
        return missing_beside(loading, "scpi", "array_voltage",
                              "read_voltage and read_current, to check it by", error);
    if (scpi->query_selection[0])
        return error_set(error, EXIT_BAD_DATA, loading->profile->path,
                         profile_line_of(loading, "scpi", "array_voltage"),
                         "arrays of outputs that are named in the message, or of one output",
                         "array_voltage beside query_selection");
    return 0;
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
    if (!scpi->read[0] != !profile_line_of(loading, "scpi", "read"))
        return missing(profile, "scpi", "read with a message", error);
    bool numbered = strstr(scpi->read, "{output}") || strstr(scpi->read_voltage, "{output}");
    if (profile->outputs > 1 && !numbered && !scpi->query_selection[0])
        return error_set(error, EXIT_BAD_DATA, profile->path,
                         profile_line_of(loading, "supply", "outputs"),
                         "{output} in the read messages, or query_selection and select",
                         "outputs: found %d", profile->outputs);
    if (scpi->select[0] && !scpi->query_selection[0])
        return missing_beside(loading, "scpi", "select", "query_selection", error);
    if (!scpi->output_on[0] != !scpi->output_off[0])
        return missing_beside(loading, "scpi", scpi->output_on[0] ? "output_on" : "output_off",
                              "output_on and output_off, both or neither", error);
    if (scpi->limited_bit.bit >= 0 && !scpi->read_limited[0])
        return missing_beside(loading, "scpi", "limited_bit", "read_limited", error);
    if (scpi->output_bit.bit >= 0 && !scpi->read_output[0])
        return missing_beside(loading, "scpi", "output_bit", "read_output", error);
    if (scpi->state_byte && ((scpi->read_output[0] && scpi->output_bit.bit < 0) ||
                             (scpi->read_limited[0] && scpi->limited_bit.bit < 0)))
        return missing_beside(loading, "scpi", "state_reply",
                              "output_bit beside read_output, limited_bit beside read_limited",
                              error);
    if (scpi->state_byte && (scpi->output_bit.bit > 7 || scpi->limited_bit.bit > 7))
        return wrong(loading, "scpi", scpi->output_bit.bit > 7 ? "output_bit" : "limited_bit",
                     scpi->output_bit.bit > 7 ? scpi->output_bit.bit : scpi->limited_bit.bit,
                     "bit 0 to 7 of a byte", error);
    if (scpi->clear[0] && strcmp(scpi->clear, "*CLS") != 0)
        return error_set(error, EXIT_BAD_DATA, profile->path,
                         profile_line_of(loading, "scpi", "clear"), "*CLS or none",
                         "clear: found \"%s\"", scpi->clear);
    return check_array(loading, error);
}

/* A key of the form NAME_function, NAME_value is of no use without NAME. */
static int check_alone(const struct loading *loading, struct error *error)
{
    static const struct {
        const char *key, *name;
    } pairs[] = {
        {"voltage_function", "voltage"},
        {"current_function", "current"},
        {"output_on_function", "output_on"},
        {"output_on_value", "output_on"},
        {"limited_function", "limited"},
        {"limited_value", "limited"},
        {"set_voltage_function", "set_voltage"},
        {"set_limit_function", "set_limit"},
        {"query_voltage_function", "query_voltage"},
        {"query_limit_function", "query_limit"},
        {"query_protection_function", "query_protection"},
        {"set_output_function", "set_output"},
        {"set_output_values", "set_output"},
        {"local", "remote"},
        {"remote_function", "remote"},
    };
    for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++)
        if (profile_line_of(loading, "modbus", pairs[i].key) &&
            !profile_line_of(loading, "modbus", pairs[i].name))
            return missing_beside(loading, "modbus", pairs[i].key, pairs[i].name, error);
    return 0;
}

/* What is read by no function of its own is read by `function`; set points stand
 * in holding registers. */
static int fill_functions(const struct loading *loading, struct error *error)
{
    struct modbus_profile *modbus = &loading->profile->modbus;
    int *measured[] = {&modbus->voltage.function, &modbus->current.function};
    for (size_t i = 0; i < 2; i++) {
        if (!*measured[i])
            *measured[i] = modbus->function;
        if (!*measured[i])
            return missing(loading->profile, "modbus", "function (3 or 4)", error);
    }
    int *flags[] = {&modbus->output_on.function, &modbus->limited.function};
    for (size_t i = 0; i < 2; i++)
        if (!*flags[i])
            *flags[i] = modbus->function ? modbus->function : modbus->voltage.function;
    int *settings[] = {&modbus->set_voltage.function,    &modbus->set_limit.function,
                       &modbus->set_protection.function, &modbus->query_voltage.function,
                       &modbus->query_limit.function,    &modbus->query_protection.function};
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++)
        if (!*settings[i])
            *settings[i] = 3;
    if (!modbus->set_output_function)
        modbus->set_output_function = modbus->set_function;
    modbus->set_output.function = modbus->set_output_function == 5 ? 1 : 3;
    if (!modbus->remote_function)
        modbus->remote_function = modbus->set_function;
    return 0;
}

/* A coil is one bit; a register's values have to fit its bits. */
static int check_flag(const struct loading *loading, const char *name, struct register_flag *flag,
                      bool coil, struct error *error)
{
    char key[40];
    if (!flag->known)
        return 0;
    if (coil && (flag->bit != 0 || (flag->bits != 1 && flag->bits != 16)))
        return wrong(loading, "modbus", name, flag->bit,
                     "ADDRESS or ADDRESS,0: a coil or discrete input is one bit", error);
    if (coil)
        flag->bits = 1;
    snprintf(key, sizeof key, "%s_value", name);
    for (int i = 0; i < flag->value_count; i++) {
        if (coil || flag->inverted)
            return wrong(loading, "modbus", key, flag->values[i],
                         "values only of registers, and not beside inverted", error);
        if (flag->values[i] >> flag->bits)
            return wrong(loading, "modbus", key, flag->values[i], "a number that its bits can hold",
                         error);
    }
    return 0;
}

static int check_set_output(const struct loading *loading, struct error *error)
{
    struct modbus_profile *modbus = &loading->profile->modbus;
    struct register_flag *flag = &modbus->set_output;
    int function = modbus->set_output_function;
    if (function != 5 && function != 6 && function != 16)
        return wrong(loading, "modbus", "set_output_function", function, "5, 6 or 16", error);
    if (check_flag(loading, "set_output", flag, function == 5, error) != 0)
        return -1;
    bool stated = profile_line_of(loading, "modbus", "set_output_values") != 0;
    int *words = modbus->output_words;
    if (stated && (function == 5 || flag->inverted))
        return wrong(loading, "modbus", "set_output_values", words[0],
                     "values only of registers, and not beside inverted", error);
    for (int i = 0; flag->known && i < 2; i++)
        if (words[i] >> flag->bits)
            return wrong(loading, "modbus", "set_output_values", words[i],
                         "numbers that its bits can hold", error);
    if (flag->inverted) {
        words[0] = 0;
        words[1] = 1;
    }
    /* Read back where the map has no other word for it: on is what is written. */
    if (stated) {
        flag->values[0] = words[0];
        flag->value_count = 1;
    }
    return 0;
}

static int check_set_function(const struct loading *loading, struct error *error)
{
    const struct modbus_profile *modbus = &loading->profile->modbus;
    if (modbus->set_function != 6 && modbus->set_function != 16)
        return wrong(loading, "modbus", "set_function", modbus->set_function, "6 or 16", error);
    if (modbus->remote_function != 5 && modbus->remote_function != 6 &&
        modbus->remote_function != 16)
        return wrong(loading, "modbus", "remote_function", modbus->remote_function, "5, 6 or 16",
                     error);
    const struct register_quantity *written[] = {&modbus->set_voltage, &modbus->set_limit,
                                                 &modbus->set_protection};
    for (size_t i = 0; i < 3; i++)
        if (modbus->set_function == 6 && written[i]->known && register_width(written[i]->type) > 1)
            return wrong(loading, "modbus", "set_function", 6, "16 for set points of two registers",
                         error);
    return 0;
}

static int check_steps(const struct loading *loading, struct error *error)
{
    const struct profile *profile = loading->profile;
    const struct modbus_profile *modbus = &profile->modbus;
    if (profile->outputs == 1)
        return 0;
    if (!modbus->output_step)
        return missing_beside(loading, "supply", "outputs", "output_step in [modbus]", error);
    bool coils = (modbus->output_on.known && modbus->output_on.function <= 2) ||
                 (modbus->limited.known && modbus->limited.function <= 2) ||
                 (modbus->set_output.known && modbus->set_output_function == 5);
    if (coils && !modbus->coil_step)
        return missing_beside(
            loading, "supply", "outputs",
            "coil_step in [modbus] (coils or discrete inputs from one output's to "
            "the next one's)",
            error);
    return 0;
}

static int check_modbus(const struct loading *loading, struct error *error)
{
    struct profile *profile = loading->profile;
    struct modbus_profile *modbus = &profile->modbus;
    if (loading->first_scpi)
        return error_set(error, EXIT_BAD_DATA, profile->path, loading->first_scpi,
                         "[scpi] only with speaks = scpi", "found [scpi]");
    if (check_alone(loading, error) != 0 || fill_functions(loading, error) != 0)
        return -1;
    if (!modbus->voltage.known || !modbus->current.known)
        return missing(profile, "modbus", "voltage and current", error);
    if (check_flag(loading, "output_on", &modbus->output_on, modbus->output_on.function <= 2,
                   error) != 0 ||
        check_flag(loading, "limited", &modbus->limited, modbus->limited.function <= 2, error) != 0)
        return -1;
    if (check_set_function(loading, error) != 0 || check_set_output(loading, error) != 0)
        return -1;
    return check_steps(loading, error);
}

int profile_check(const struct loading *loading, struct error *error)
{
    const struct profile *profile = loading->profile;
    if (!profile_line_of(loading, "supply", "speaks"))
        return missing(profile, "supply", "speaks = scpi or modbus", error);
    return profile->speaks == PROFILE_SCPI ? check_scpi(loading, error)
                                           : check_modbus(loading, error);
}
