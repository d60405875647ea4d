/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <errno.h>
#include <math.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>

/* A request of its own costs about as much as so many idle registers. */
enum { IDLE_FOR_READING = 20, IDLE_FOR_FLAGS = 4 };

static const double QUIET_S = 0.04;

/* Frames on a line are told apart by 3.5 characters of silence, 1.75 ms where
 * the line is faster than 19200 baud (Modbus over serial line V1.02, 2.5.1.1).
 */
static double silence_of(const struct link_spec *spec)
{
    if (spec->kind != LINK_MODBUS_RTU)
        return 0;
    return spec->baud > 19200 ? 0.00175 : 3.5 * 11 / spec->baud;
}

static enum outcome sort_failure(struct connection *connection)
{
    int problem = errno;
    if (problem > MODBUS_ENOBASE && problem < MODBUS_ENOBASE + MODBUS_EXCEPTION_MAX) {
        connection->supply_errors++;
        return OUTCOME_EXCEPTION;
    }
    if (problem == EMBBADCRC || problem == EMBBADDATA || problem == EMBBADEXC ||
        problem == EMBUNKEXC || problem == EMBMDATA || problem == EMBBADSLAVE) {
        connection->garbled++;
        connection->modbus->out_of_step = true;
        return OUTCOME_GARBLED;
    }
    if (problem == ETIMEDOUT && !link_is_gone(connection->link)) {
        connection->timeouts++;
        connection->modbus->out_of_step = true;
        connection->modbus->late = true;
        return OUTCOME_SILENT;
    }
    return OUTCOME_GONE;
}

/* The one door to the wire: without control no function goes out that is not
 * for reading (1 to 4, Modbus application protocol V1.1b3, 6.1 to 6.4). The
 * silence is kept, and nothing stale left to be taken for the answer (a frame
 * on a line carries no number to know it by). */
enum outcome modbus_begin(struct connection *connection, int function, bool control)
{
    struct modbus *modbus = connection->modbus;
    if (!control && (function < 1 || function > 4)) {
        errno = EMBXILFUN;
        return OUTCOME_EXCEPTION;
    }
    clock_sleep_until(modbus->ended_s + modbus->silence_s);
    if (link_drain(connection->link) != 0)
        return OUTCOME_GONE;
    connection->transactions++;
    return OUTCOME_GOOD;
}

enum outcome modbus_end(struct connection *connection, int result)
{
    connection->modbus->ended_s = clock_monotonic_s();
    return result >= 0 ? OUTCOME_GOOD : sort_failure(connection);
}

enum outcome modbus_read_words(struct connection *connection, int function, int address, int count,
                               uint16_t *words)
{
    enum outcome begun = modbus_begin(connection, function, false);
    if (begun != OUTCOME_GOOD)
        return begun;
    modbus_t *context = connection->modbus->context;
    int result = function == 4 ? modbus_read_input_registers(context, address, count, words)
                               : modbus_read_registers(context, address, count, words);
    return modbus_end(connection, result);
}

/* Waits until nothing has come for a while, `longest_s` at most; -1: gone. */
static int wait_for_quiet(struct connection *connection, double first_s, double longest_s)
{
    char bytes[256];
    double until_s = clock_monotonic_s() + longest_s;
    double deadline_s = clock_monotonic_s() + first_s;
    while (clock_monotonic_s() < until_s) {
        long got = link_read(connection->link, bytes, sizeof bytes, deadline_s);
        if (got < 0)
            return -1;
        if (got == 0)
            return 0;
        deadline_s = clock_monotonic_s() + QUIET_S + 4 * link_character_s(&connection->spec);
    }
    return 0;
}

/* A late frame looks like the answer to the next request of the same length.
 * Waits it out, then asks for another length: an answer of that length, or an
 * exception, can only be the answer to that. */
static int resynchronise(struct supply *supply)
{
    struct connection *connection = supply->connection;
    const struct modbus_profile *profile = &connection->profile->modbus;
    double timeout_s = connection->profile->reply_timeout_s;
    const struct modbus_plan *plan = supply->modbus_plan;
    int usual = plan ? plan->blocks[0].count : 2;
    uint16_t words[2];
    for (int attempt = 0; attempt < 3; attempt++) {
        double first_s = connection->modbus->late ? timeout_s : QUIET_S;
        connection->modbus->late = false;
        if (wait_for_quiet(connection, first_s, 2 * timeout_s) != 0)
            return -1;
        enum outcome outcome = modbus_read_words(
            connection, profile->function, profile->voltage.address, usual == 1 ? 2 : 1, words);
        if (outcome == OUTCOME_GONE)
            return -1;
        if (outcome == OUTCOME_GOOD || outcome == OUTCOME_EXCEPTION) {
            connection->modbus->out_of_step = false;
            connection->resynchronised++;
            return 0;
        }
    }
    return -1;
}

enum supply_result modbus_failed(struct supply *supply, enum outcome outcome, struct error *error)
{
    struct connection *connection = supply->connection;
    switch (outcome) {
    case OUTCOME_EXCEPTION:
        return supply_fail(connection, SUPPLY_NO_READING, error, "unit %d answers: %s",
                           connection->spec.address, modbus_strerror(errno));
    case OUTCOME_SILENT:
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "unit %d does not answer within %g s", connection->spec.address,
                           connection->profile->reply_timeout_s);
    case OUTCOME_GARBLED:
        return supply_fail(connection, SUPPLY_NO_READING, error, "unit %d answers garbled",
                           connection->spec.address);
    default:
        return supply_fail(connection, SUPPLY_GONE, error, "the link closed");
    }
}

static int start_context(struct connection *connection)
{
    const struct link_spec *spec = &connection->spec;
    struct modbus *modbus = connection->modbus;
    if (spec->kind == LINK_MODBUS_TCP)
        modbus->context = modbus_new_tcp_pi(spec->place, "502");
    else
        modbus->context = modbus_new_rtu(spec->place, spec->baud ? spec->baud : 9600, spec->parity,
                                         8, spec->stop_bits);
    if (!modbus->context)
        return -1;
    double timeout_s = connection->profile->reply_timeout_s + 300 * link_character_s(spec);
    double byte_s = connection->profile->modbus.byte_timeout_s + 3 * link_character_s(spec);
    /* The library reads and writes our descriptor; opening, closing and coming
     * back after a failure stay ours. */
    return modbus_set_socket(modbus->context, link_descriptor(connection->link)) == 0 &&
                   modbus_set_slave(modbus->context, spec->address) == 0 &&
                   modbus_set_error_recovery(modbus->context, MODBUS_ERROR_RECOVERY_NONE) == 0 &&
                   modbus_set_response_timeout(modbus->context, (uint32_t)timeout_s,
                                               (uint32_t)(fmod(timeout_s, 1) * 1e6)) == 0 &&
                   modbus_set_byte_timeout(modbus->context, (uint32_t)byte_s,
                                           (uint32_t)(fmod(byte_s, 1) * 1e6)) == 0
               ? 0
               : -1;
}

static void modbus_stop(struct connection *connection)
{
    struct modbus *modbus = connection->modbus;
    if (!modbus || !modbus->context)
        return;
    modbus_set_socket(modbus->context, -1);
    modbus_free(modbus->context);
    modbus->context = NULL;
}

static void modbus_forget(struct supply *supply)
{
    free(supply->modbus_plan);
    supply->modbus_plan = NULL;
}

static int modbus_open(struct connection *connection, struct error *error)
{
    if (link_descriptor(connection->link) >= FD_SETSIZE)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "too many open files for the Modbus library");
    if (!connection->modbus)
        connection->modbus = calloc(1, sizeof *connection->modbus);
    if (!connection->modbus)
        return error_set(error, EXIT_SOFTWARE, connection->spec.text, 0, NULL, "memory is out");
    memset(connection->modbus, 0, sizeof *connection->modbus);
    connection->modbus->silence_s = silence_of(&connection->spec);
    for (int i = 0; i < connection->output_count; i++)
        modbus_forget(connection->outputs[i]);
    if (start_context(connection) != 0)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL, "%s",
                         modbus_strerror(errno));
    if (wait_for_quiet(connection, QUIET_S, 0.5) != 0)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "the link closed at once");
    const struct modbus_profile *profile = &connection->profile->modbus;
    uint16_t words[2];
    enum outcome outcome = OUTCOME_SILENT;
    for (int attempt = 0; attempt < 2 && outcome != OUTCOME_GOOD && outcome != OUTCOME_EXCEPTION &&
                          outcome != OUTCOME_GONE;
         attempt++)
        outcome = modbus_read_words(connection, profile->function, profile->voltage.address,
                                    register_width(profile->voltage.type), words);
    if (outcome == OUTCOME_SILENT)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "unit %d does not answer within %g s", connection->spec.address,
                         connection->profile->reply_timeout_s);
    if (outcome == OUTCOME_GONE || outcome == OUTCOME_GARBLED)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         outcome == OUTCOME_GONE ? "the link closed while unit %d was asked"
                                                 : "unit %d answers garbled",
                         connection->spec.address);
    snprintf(connection->identity, sizeof connection->identity, "unit %d",
             connection->spec.address);
    return 0;
}

static void modbus_destroy(struct connection *connection)
{
    modbus_stop(connection);
    free(connection->modbus);
    connection->modbus = NULL;
}

/* Widens the first block by the flag's register where that is cheap. */
static bool take_in(struct register_block *block, const struct register_flag *flag)
{
    return flag->known && register_blocks_join(block->address, block->count, flag->address, 1,
                                               IDLE_FOR_FLAGS, &block->address, &block->count);
}

static void plan_blocks(struct modbus_plan *plan, int generosity)
{
    int voltage_width = register_width(plan->voltage.type);
    int current_width = register_width(plan->current.type);
    plan->output_in_block = false;
    plan->limited_in_block = false;
    plan->blocks[0].address = plan->voltage.address;
    plan->blocks[0].count = voltage_width;
    plan->blocks[1].address = plan->current.address;
    plan->blocks[1].count = current_width;
    plan->block_count = 2;
    if (generosity == 0 ||
        !register_blocks_join(plan->voltage.address, voltage_width, plan->current.address,
                              current_width, IDLE_FOR_READING, &plan->blocks[0].address,
                              &plan->blocks[0].count))
        return;
    plan->block_count = 1;
    if (generosity == 1)
        return;
    plan->output_in_block = take_in(&plan->blocks[0], &plan->output_on);
    plan->limited_in_block = take_in(&plan->blocks[0], &plan->limited);
}

static struct modbus_plan *make_plan(const struct supply *supply)
{
    const struct modbus_profile *profile = &supply->connection->profile->modbus;
    struct modbus_plan *plan = calloc(1, sizeof *plan);
    if (!plan)
        return NULL;
    plan->voltage = profile->voltage;
    plan->current = profile->current;
    plan->set_voltage = profile->set_voltage;
    plan->set_limit = profile->set_limit;
    plan->output_on = profile->output_on;
    plan->limited = profile->limited;
    plan->set_output = profile->set_output;
    int step = (supply->output - 1) * profile->output_step;
    int *addresses[] = {&plan->voltage.address,     &plan->current.address,
                        &plan->set_voltage.address, &plan->set_limit.address,
                        &plan->output_on.address,   &plan->limited.address,
                        &plan->set_output.address};
    for (size_t i = 0; i < sizeof addresses / sizeof *addresses; i++)
        *addresses[i] += step;
    return plan;
}

/* Registers between those we want may not exist: ask for less at a time until
 * the supply makes no exception of it. */
static enum outcome find_plan(struct supply *supply)
{
    struct connection *connection = supply->connection;
    int function = connection->profile->modbus.function;
    struct modbus_plan *plan = make_plan(supply);
    if (!plan)
        return OUTCOME_GONE;
    enum outcome outcome = OUTCOME_GOOD;
    for (int generosity = 2; generosity >= 0; generosity--) {
        plan_blocks(plan, generosity);
        for (int i = 0; i < plan->block_count; i++) {
            struct register_block *block = &plan->blocks[i];
            outcome =
                modbus_read_words(connection, function, block->address, block->count, block->words);
            if (outcome != OUTCOME_GOOD)
                break;
        }
        if (outcome != OUTCOME_EXCEPTION)
            break;
    }
    if (outcome == OUTCOME_GOOD)
        supply->modbus_plan = plan;
    else
        free(plan);
    return outcome;
}

enum outcome modbus_read_flag(struct supply *supply, const struct register_flag *flag,
                              enum known_flag *state)
{
    struct connection *connection = supply->connection;
    uint16_t word = 0;
    enum outcome outcome = modbus_read_words(connection, connection->profile->modbus.function,
                                             flag->address, 1, &word);
    *state = outcome == OUTCOME_GOOD ? register_flag(flag, word) : FLAG_UNKNOWN;
    return outcome;
}

enum outcome modbus_read_set_point(struct supply *supply, const struct register_quantity *quantity,
                                   double *number)
{
    uint16_t words[2] = {0};
    *number = NAN;
    if (!quantity->known)
        return OUTCOME_GOOD;
    enum outcome outcome = modbus_read_words(supply->connection, 3, quantity->address,
                                             register_width(quantity->type), words);
    if (outcome == OUTCOME_GOOD)
        *number = register_number(quantity, words);
    return outcome;
}

/* What does not come with every reading, asked now and then. */
static void read_between(struct supply *supply, double voltage_V)
{
    const struct modbus_plan *plan = supply->modbus_plan;
    double now_s = clock_monotonic_s();
    if (!plan->output_on.known || plan->output_in_block)
        supply->output_due_s = INFINITY;
    if (!plan->set_voltage.known && !plan->set_limit.known)
        supply->settings_due_s = INFINITY;
    if (supply_output_due(supply, now_s)) {
        enum known_flag state = FLAG_UNKNOWN;
        modbus_read_flag(supply, &plan->output_on, &state);
        supply_note_output(supply, state, voltage_V, now_s);
    } else if (supply_settings_due(supply, now_s)) {
        double set_voltage_V = NAN;
        double set_limit_A = NAN;
        if (modbus_read_set_point(supply, &plan->set_voltage, &set_voltage_V) == OUTCOME_GOOD)
            modbus_read_set_point(supply, &plan->set_limit, &set_limit_A);
        supply_note_settings(supply, set_voltage_V, set_limit_A, now_s);
    }
}

/* The supply looked after the whole request had come and before it answered. */
static double looked_at_s(const struct connection *connection, double begun_s, double ended_s,
                          int words)
{
    double character_s = link_character_s(&connection->spec);
    double asked_s = begun_s + 8 * character_s;
    double answered_s = ended_s - (5 + 2 * words) * character_s;
    return asked_s < answered_s ? 0.5 * (asked_s + answered_s) : 0.5 * (begun_s + ended_s);
}

static double number_in(const struct register_block *block,
                        const struct register_quantity *quantity)
{
    return register_number(quantity, block->words + (quantity->address - block->address));
}

static enum known_flag flag_in(const struct register_block *block, const struct register_flag *flag,
                               bool there)
{
    if (!there)
        return FLAG_UNKNOWN;
    return register_flag(flag, block->words[flag->address - block->address]);
}

static enum supply_result modbus_read(struct supply *supply, struct reading *reading,
                                      struct error *error)
{
    struct connection *connection = supply->connection;
    struct modbus *modbus = connection->modbus;
    if (modbus->out_of_step && resynchronise(supply) != 0)
        return supply_fail(connection, SUPPLY_GONE, error,
                           "unit %d does not come back into step after a missing answer",
                           connection->spec.address);
    if (!supply->modbus_plan) {
        enum outcome outcome = find_plan(supply);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
    }
    struct modbus_plan *plan = supply->modbus_plan;
    /* Begun once the silence after the last frame is over. */
    clock_sleep_until(modbus->ended_s + modbus->silence_s);
    double begun_s = clock_monotonic_s();
    int words = 0;
    for (int i = 0; i < plan->block_count; i++) {
        struct register_block *block = &plan->blocks[i];
        enum outcome outcome = modbus_read_words(connection, connection->profile->modbus.function,
                                                 block->address, block->count, block->words);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
        words += block->count;
    }
    double ended_s = modbus->ended_s;
    double frames = plan->block_count;
    connection_note_round_trip(connection, ended_s - begun_s + modbus->silence_s, 8 * frames,
                               5 * frames + 2.0 * words, frames * modbus->silence_s);
    reading->time_s = looked_at_s(connection, begun_s, ended_s, words);
    reading->voltage_V = number_in(&plan->blocks[0], &plan->voltage);
    reading->current_A = number_in(&plan->blocks[plan->block_count - 1], &plan->current);
    reading->valid = !isnan(reading->voltage_V) && !isnan(reading->current_A);
    if (reading->valid && (!supply_voltage_plausible(supply, reading->voltage_V) ||
                           !supply_current_plausible(supply, reading->current_A))) {
        connection->garbled++;
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "reads %g V, %g A, beyond the supply's ratings", reading->voltage_V,
                           reading->current_A);
    }
    supply_complete(supply, reading,
                    flag_in(&plan->blocks[0], &plan->output_on, plan->output_in_block),
                    flag_in(&plan->blocks[0], &plan->limited, plan->limited_in_block));
    if (reading->valid)
        read_between(supply, reading->voltage_V);
    return SUPPLY_OK;
}

enum supply_result modbus_ready(struct supply *supply, bool known, struct error *error)
{
    struct connection *connection = supply->connection;
    if (connection->modbus->out_of_step && resynchronise(supply) != 0)
        return supply_fail(connection, SUPPLY_GONE, error, "does not come back into step");
    if (!supply->modbus_plan) {
        enum outcome outcome = find_plan(supply);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
    }
    if (known)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error, "profile %s has no register for this",
                       connection->profile->name);
}

const struct dialect modbus_dialect = {
    .open = modbus_open,
    .close = modbus_stop,
    .read = modbus_read,
    .switch_output = modbus_switch_output,
    .set = modbus_set,
    .forget = modbus_forget,
    .destroy = modbus_destroy,
};
