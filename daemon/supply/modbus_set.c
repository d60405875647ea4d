/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>
#include <modbus.h>

static const double TAKES_EFFECT_S = 0.5;

static enum outcome write_words(struct supply *supply, int address, int count,
                                const uint16_t *words)
{
    struct connection *connection = supply->connection;
    int function = connection->profile->modbus.set_function;
    enum outcome begun = modbus_begin(connection, function, supply->control);
    if (begun != OUTCOME_GOOD)
        return begun;
    modbus_t *context = connection->modbus->context;
    int result = function == 6 ? modbus_write_register(context, address, words[0])
                               : modbus_write_registers(context, address, count, words);
    return modbus_end(connection, result);
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
    enum outcome outcome = modbus_read_words(connection, 3, flag->address, 1, &word);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    uint16_t bit = (uint16_t)(1U << flag->bit);
    word = on != flag->inverted ? (uint16_t)(word | bit) : (uint16_t)(word & ~bit);
    outcome = write_words(supply, flag->address, 1, &word);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    /* The output's own state where the map has it, else what was written. */
    const struct register_flag *told = &supply->modbus_plan->output_on;
    double until_s = clock_monotonic_s() + TAKES_EFFECT_S;
    for (;;) {
        enum known_flag state = FLAG_UNKNOWN;
        if (told->known) {
            outcome = modbus_read_flag(supply, told, &state);
        } else {
            outcome = modbus_read_words(connection, 3, flag->address, 1, &word);
            state = register_flag(flag, word);
        }
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

static enum supply_result set_one(struct supply *supply, const struct register_quantity *quantity,
                                  double value, char unit, double *read_back, struct error *error)
{
    struct connection *connection = supply->connection;
    uint16_t words[2];
    int count = register_words(quantity, value, words);
    if (count < 0)
        return supply_fail(connection, SUPPLY_NO_READING, error, "%g %c does not fit its register",
                           value, unit);
    enum outcome outcome = write_words(supply, quantity->address, count, words);
    if (outcome == OUTCOME_GOOD)
        outcome = modbus_read_set_point(supply, quantity, read_back);
    if (outcome != OUTCOME_GOOD)
        return modbus_failed(supply, outcome, error);
    double step = quantity->type == REGISTER_F32 ? 0.001 : quantity->scale;
    if (fabs(*read_back - value) <= 0.005 * fabs(value) + step)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error, "set to %g %c, reads back %g %c",
                       value, unit, *read_back, unit);
}

enum supply_result modbus_set(struct supply *supply, double voltage_V, double limit_A,
                              struct error *error)
{
    const struct modbus_profile *profile = &supply->connection->profile->modbus;
    double read_V = NAN;
    double read_A = NAN;
    enum supply_result result =
        modbus_ready(supply, profile->set_voltage.known && profile->set_limit.known, error);
    /* The limit first: a higher voltage never stands over an old, wider limit. */
    if (result == SUPPLY_OK)
        result = set_one(supply, &supply->modbus_plan->set_limit, limit_A, 'A', &read_A, error);
    if (result == SUPPLY_OK)
        result = set_one(supply, &supply->modbus_plan->set_voltage, voltage_V, 'V', &read_V, error);
    supply_note_settings(supply, read_V, read_A, clock_monotonic_s());
    if (result != SUPPLY_OK)
        supply->settings_due_s = 0;
    return result;
}
