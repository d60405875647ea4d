/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>

static const double TAKES_EFFECT_S = 0.5;

/* What is to be written; where other bits of the register are someone else's,
 * they are read before. */
static enum outcome output_word(struct supply *supply, bool on, uint16_t *word)
{
    const struct register_flag *flag = &supply->modbus_plan->set_output;
    int value = supply->connection->profile->modbus.output_words[on ? 0 : 1];
    enum outcome outcome = OUTCOME_GOOD;
    *word = 0;
    if (flag->function > 2 && !register_is_whole(flag))
        outcome = modbus_read_words(supply->connection, flag->function, flag->address, 1, word);
    *word = register_with_bits(flag, *word, value);
    return outcome;
}

enum supply_result modbus_switch_output(struct supply *supply, bool on, struct error *error)
{
    struct connection *connection = supply->connection;
    enum supply_result result =
        modbus_ready(supply, connection->profile->modbus.set_output.known, error);
    if (result != SUPPLY_OK)
        return result;
    const struct register_flag *flag = &supply->modbus_plan->set_output;
    uint16_t word = 0;
    enum outcome outcome = output_word(supply, on, &word);
    if (outcome == OUTCOME_GOOD)
        outcome = modbus_write_words(connection, supply->control,
                                     connection->profile->modbus.set_output_function, flag->address,
                                     1, &word);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    /* The output's own state where the map has it, else what was written. */
    const struct register_flag *told = &supply->modbus_plan->output_on;
    if (!told->known)
        told = flag;
    double until_s = clock_monotonic_s() + TAKES_EFFECT_S;
    for (;;) {
        enum known_flag state = FLAG_UNKNOWN;
        outcome = modbus_read_flag(supply, told, &state);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
        if (state == (on ? FLAG_YES : FLAG_NO))
            return SUPPLY_OK;
        if (clock_monotonic_s() >= until_s)
            return supply_fail(connection, SUPPLY_NO_READING, error,
                               "the output was switched %s and still reads %s", on ? "on" : "off",
                               on ? "off" : "on");
    }
}

/* Sets one value and reads it back, where it is written or where the map says. */
static enum supply_result set_one(struct supply *supply, const struct register_quantity *quantity,
                                  const struct register_quantity *query, double value, char unit,
                                  double *read_back, struct error *error)
{
    struct connection *connection = supply->connection;
    uint16_t words[2];
    int count = register_words(quantity, value, words);
    if (count < 0)
        return supply_fail(connection, SUPPLY_NO_READING, error, "%g %c does not fit its register",
                           value, unit);
    enum outcome outcome =
        modbus_write_words(connection, supply->control, connection->profile->modbus.set_function,
                           quantity->address, count, words);
    if (outcome == OUTCOME_GOOD)
        outcome = modbus_read_set_point(supply, query, read_back);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    double step = fmax(quantity->type == REGISTER_F32 ? 0.001 : quantity->scale,
                       query->type == REGISTER_F32 ? 0.001 : query->scale);
    if (fabs(*read_back - value) <= 0.005 * fabs(value) + step)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error, "set to %g %c, reads back %g %c",
                       value, unit, *read_back, unit);
}

/* A voltage above the overvoltage protection would only trip it. */
static enum supply_result below_protection(struct supply *supply, double voltage_V,
                                           struct error *error)
{
    double protection_V = NAN;
    enum outcome outcome =
        modbus_read_set_point(supply, &supply->modbus_plan->query_protection, &protection_V);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    if (!(voltage_V > protection_V))
        return SUPPLY_OK;
    return supply_fail(supply->connection, SUPPLY_NO_READING, error,
                       "%g V is above the supply's overvoltage protection of %g V", voltage_V,
                       protection_V);
}

enum supply_result modbus_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error)
{
    const struct modbus_profile *profile = &supply->connection->profile->modbus;
    double read_V = NAN;
    double read_A = NAN;
    enum supply_result result =
        modbus_ready(supply, profile->set_voltage.known && profile->set_limit.known, error);
    if (result == SUPPLY_OK)
        result = below_protection(supply, voltage_V, error);
    /* The limit first: a higher voltage never stands over an old, wider limit. */
    if (result == SUPPLY_OK)
        result = set_one(supply, &supply->modbus_plan->set_limit, &supply->modbus_plan->query_limit,
                         limit_A, 'A', &read_A, error);
    if (result == SUPPLY_OK)
        result = set_one(supply, &supply->modbus_plan->set_voltage,
                         &supply->modbus_plan->query_voltage, voltage_V, 'V', &read_V, error);
    supply_note_settings(supply, read_V, read_A, clock_monotonic_s());
    if (result != SUPPLY_OK)
        supply->settings_due_s = 0;
    return result;
}
