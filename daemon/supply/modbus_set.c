/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>

static const double TAKES_EFFECT_S = 0.5;
static const double OFF_AGAIN_S = 0.1;
/* So old, a register that others share may be written back. An off does not wait for
 * an answer where it was read with the set points. */
static const double WORD_IS_FRESH_S = 0.3;
static const double FRESH_FOR_OFF_S = 12;

/* What is to be written; where other bits of the register are someone else's,
 * they are read before: only a moment ago will do, and for off, where they cannot
 * be read, what they were last. */
static enum outcome output_word(struct supply *supply, const struct register_flag *flag, bool on,
                                uint16_t *word)
{
    struct connection *connection = supply->connection;
    int value = connection->profile->modbus.output_words[on ? 0 : 1];
    enum outcome outcome = OUTCOME_GOOD;
    uint16_t before = 0;
    if (flag->function > 2 && !register_is_whole(flag)) {
        double fresh_s = connection->modbus->urgent ? FRESH_FOR_OFF_S : WORD_IS_FRESH_S;
        bool is_fresh =
            supply->output_word >= 0 && clock_monotonic_s() - supply->output_word_s < fresh_s;
        bool may_ask = !connection->modbus->urgent || !connection->modbus->unanswered;
        if (!is_fresh && may_ask)
            outcome = modbus_read_words(connection, flag->function, flag->address, 1, &before);
        if (is_fresh || !may_ask || (outcome != OUTCOME_GOOD && connection->modbus->urgent)) {
            outcome = OUTCOME_GOOD;
            before = supply->output_word >= 0 ? (uint16_t)supply->output_word : 0;
        } else if (outcome == OUTCOME_GOOD) {
            supply->output_word = before;
        }
    }
    *word = register_with_bits(flag, before, value);
    return outcome;
}

static enum outcome write_output(struct supply *supply, bool on)
{
    struct connection *connection = supply->connection;
    struct register_flag flag = modbus_output_switch(supply);
    uint16_t word = 0;
    enum outcome outcome = output_word(supply, &flag, on, &word);
    if (outcome == OUTCOME_GOOD)
        outcome = modbus_write_words(connection, supply->control,
                                     connection->profile->modbus.set_output_function, flag.address,
                                     1, &word);
    if (outcome == OUTCOME_GOOD && flag.function > 2)
        supply->output_word = word;
    return outcome;
}

/* Reads the output's own state where the map has it, else what was written, until it is
 * as wanted; off is written again meanwhile. */
static enum supply_result read_back(struct supply *supply, bool on, struct error *error)
{
    const struct register_flag *told = &supply->modbus_plan->output_on;
    if (!told->known)
        told = &supply->modbus_plan->set_output;
    double until_s = clock_monotonic_s() + TAKES_EFFECT_S;
    double again_s = clock_monotonic_s() + OFF_AGAIN_S;
    for (;;) {
        enum known_flag state = FLAG_UNKNOWN;
        enum outcome outcome = modbus_read_flag(supply, told, &state);
        if (outcome == OUTCOME_GOOD && state == (on ? FLAG_YES : FLAG_NO))
            return SUPPLY_OK;
        if (outcome == OUTCOME_GOOD && !on && clock_monotonic_s() >= again_s) {
            outcome = write_output(supply, false);
            again_s = clock_monotonic_s() + OFF_AGAIN_S;
        }
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
        if (clock_monotonic_s() >= until_s)
            return supply_fail(supply->connection, SUPPLY_NO_READING, error,
                               "the output was switched %s and still reads %s", on ? "on" : "off",
                               on ? "off" : "on");
    }
}

enum supply_result modbus_switch_output(struct supply *supply, bool on, struct error *error)
{
    enum supply_result result =
        modbus_ready(supply, supply->connection->profile->modbus.set_output.known, error);
    if (result != SUPPLY_OK)
        return result;
    enum outcome outcome = write_output(supply, on);
    return outcome == OUTCOME_GOOD ? read_back(supply, on, error)
                                   : modbus_failed(supply, outcome, error);
}

enum supply_result modbus_off(struct supply *supply, struct error *error)
{
    struct connection *connection = supply->connection;
    struct modbus *modbus = connection->modbus;
    const struct modbus_profile *profile = &connection->profile->modbus;
    if (!profile->set_output.known)
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "profile %s has no register for this", connection->profile->name);
    modbus->urgent = true;
    enum outcome outcome = write_output(supply, false);
    /* Some listen to nobody before. */
    if (outcome == OUTCOME_EXCEPTION && profile->remote.known && !modbus->remote &&
        modbus_write_state(connection, &profile->remote) == OUTCOME_GOOD)
        outcome = write_output(supply, false);
    modbus->urgent = false;
    /* It was sent; whether it was heard is for the confirmation to say. */
    return outcome == OUTCOME_GONE ? modbus_failed(supply, outcome, error) : SUPPLY_OK;
}

enum supply_result modbus_confirm_off(struct supply *supply, struct error *error)
{
    enum supply_result result = modbus_ready(supply, true, error);
    return result == SUPPLY_OK ? read_back(supply, false, error) : result;
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
    if (!(protection_V > 0 && voltage_V > protection_V))
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
