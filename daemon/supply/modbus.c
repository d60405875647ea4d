/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A request of its own costs about as much as so many idle registers. */
enum { IDLE_FOR_SETTINGS = 8 };
/* So often back in step without a reading in between: it is not. Open again. */
enum { MOST_REGAINED = 4 };

static const double QUIET_S = 0.04;

/* Frames on a line are told apart by 3.5 characters of silence, 1.75 ms where
 * the line is faster than 19200 baud (Modbus over serial line V1.02, 2.5.1.1).
 */
static double silence_of(const struct link_spec *spec, double stated_s)
{
    if (spec->kind != LINK_MODBUS_RTU)
        return 0;
    if (stated_s > 0)
        return stated_s;
    return spec->baud > 19200 ? 0.00175 : 3.5 * link_character_s(spec);
}

/* Waits until nothing has come for a while, `longest_s` at most; -1: gone, or broken
 * off. */
static int wait_for_quiet(struct connection *connection, double first_s, double longest_s)
{
    char bytes[256];
    double until_s = clock_monotonic_s() + longest_s;
    double deadline_s = clock_monotonic_s() + first_s;
    while (clock_monotonic_s() < until_s) {
        if (connection_breaks_off(connection))
            return -1;
        double slice_s = fmin(deadline_s, clock_monotonic_s() + QUIET_S);
        long got = link_read(connection->link, bytes, sizeof bytes, slice_s);
        if (got < 0)
            return -1;
        if (got == 0 && slice_s >= deadline_s)
            return 0;
        if (got == 0)
            continue;
        deadline_s = clock_monotonic_s() + QUIET_S + 4 * link_character_s(&connection->spec);
    }
    return 0;
}

/* So many registers are read at once by no other request. */
static int unusual_count(const struct modbus_plan *plan)
{
    int count = 1;
    bool usual = plan != NULL;
    while (usual) {
        /* Set points are read by one register or two. */
        usual = ++count <= 2;
        usual = usual || plan->settings.count == count;
        for (int i = 0; i < plan->block_count; i++)
            usual = usual || plan->blocks[i].count == count;
    }
    return count;
}

/* A late frame looks like the answer to the next request of the same length.
 * Waits it out, then asks for another length: an answer of that length, or an
 * exception, can only be the answer to that. */
static int resynchronise(struct supply *supply)
{
    struct connection *connection = supply->connection;
    const struct modbus_profile *profile = &connection->profile->modbus;
    double timeout_s = connection->profile->reply_timeout_s;
    int count = unusual_count(supply->modbus_plan);
    uint16_t words[MOST_BLOCKS + 4];
    for (int attempt = 0; attempt < 3; attempt++) {
        double first_s = connection->modbus->late ? timeout_s : QUIET_S;
        if (wait_for_quiet(connection, first_s, 2 * timeout_s) != 0)
            return -1;
        connection->modbus->late = false;
        enum outcome outcome = modbus_read_words(connection, profile->voltage.function,
                                                 profile->voltage.address, count, words);
        if (outcome == OUTCOME_GONE || outcome == OUTCOME_BROKEN_OFF)
            return -1;
        if (outcome == OUTCOME_GOOD || outcome == OUTCOME_EXCEPTION) {
            /* A register too many is no error of the supply's. */
            if (outcome == OUTCOME_EXCEPTION)
                connection->supply_errors--;
            connection->modbus->out_of_step = false;
            connection->modbus->doubtful = true;
            connection->modbus->regained++;
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
                           connection->spec.address,
                           modbus_exception_text(connection->modbus->exception));
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

/* Into remote state or back out of it, where an output may be switched. */
enum outcome modbus_write_state(struct connection *connection, const struct register_word *state)
{
    bool control = false;
    for (int i = 0; i < connection->output_count; i++)
        control = control || connection->outputs[i]->control;
    if (!state->known || !control)
        return OUTCOME_GOOD;
    uint16_t word = (uint16_t)state->value;
    return modbus_write_words(connection, control, connection->profile->modbus.remote_function,
                              state->address, 1, &word);
}

static void modbus_close(struct connection *connection)
{
    struct modbus *modbus = connection->modbus;
    if (modbus && modbus->remote && !link_is_gone(connection->link))
        modbus_write_state(connection, &connection->profile->modbus.local);
}

static void modbus_forget(struct supply *supply)
{
    free(supply->modbus_plan);
    supply->modbus_plan = NULL;
}

static int modbus_start(struct connection *connection, struct error *error)
{
    if (!connection->modbus)
        connection->modbus = calloc(1, sizeof *connection->modbus);
    if (!connection->modbus)
        return error_set(error, EXIT_SOFTWARE, connection->spec.text, 0, NULL, "memory is out");
    bool unanswered = connection->modbus->unanswered;
    modbus_frames_close(connection->modbus->frames);
    memset(connection->modbus, 0, sizeof *connection->modbus);
    connection->modbus->unanswered = unanswered;
    connection->modbus->frames = modbus_frames_open(&connection->spec, connection->link);
    if (!connection->modbus->frames)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "too many open files for the Modbus library, or memory is out");
    connection->modbus->silence_s =
        silence_of(&connection->spec, connection->profile->modbus.silence_s);
    for (int i = 0; i < connection->output_count; i++)
        modbus_forget(connection->outputs[i]);
    return 0;
}

static int modbus_open(struct connection *connection, struct error *error)
{
    if (wait_for_quiet(connection, QUIET_S, 0.5) != 0)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "the link closed at once");
    const struct modbus_profile *profile = &connection->profile->modbus;
    uint16_t words[2];
    enum outcome outcome = OUTCOME_SILENT;
    for (int attempt = 0; attempt < 2 && outcome != OUTCOME_GOOD && outcome != OUTCOME_EXCEPTION &&
                          outcome != OUTCOME_GONE && outcome != OUTCOME_BROKEN_OFF;
         attempt++)
        outcome = modbus_read_words(connection, profile->voltage.function, profile->voltage.address,
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
    if (modbus_write_state(connection, &profile->remote) != OUTCOME_GOOD)
        return error_set(error, EXIT_UNAVAILABLE, connection->spec.text, 0, NULL,
                         "unit %d does not take what is written to register %d (remote): %s",
                         connection->spec.address, profile->remote.address,
                         modbus_exception_text(connection->modbus->exception));
    connection->modbus->remote = profile->remote.known;
    return 0;
}

static void modbus_destroy(struct connection *connection)
{
    if (connection->modbus)
        modbus_frames_close(connection->modbus->frames);
    free(connection->modbus);
    connection->modbus = NULL;
}

enum outcome modbus_read_block(struct connection *connection, struct register_block *block)
{
    return modbus_read_words(connection, block->function, block->address, block->count,
                             block->words);
}

enum outcome modbus_read_flag(struct supply *supply, const struct register_flag *flag,
                              enum known_flag *state)
{
    struct connection *connection = supply->connection;
    uint16_t word = 0;
    enum outcome outcome = modbus_read_words(connection, flag->function, flag->address, 1, &word);
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
    enum outcome outcome =
        modbus_read_words(supply->connection, quantity->function, quantity->address,
                          register_width(quantity->type), words);
    if (outcome == OUTCOME_GOOD)
        *number = register_number(quantity, words);
    return outcome;
}

static double number_in(const struct register_block *block,
                        const struct register_quantity *quantity)
{
    return register_number(quantity, block->words + (quantity->address - block->address));
}

/* Both set points in one request; EXCEPTION where the registers between do not
 * exist, or they lie too far apart. */
static enum outcome read_set_points_joined(struct supply *supply, double *voltage_V,
                                           double *limit_A)
{
    struct modbus_plan *plan = supply->modbus_plan;
    const struct register_quantity *voltage = &plan->query_voltage;
    const struct register_quantity *limit = &plan->query_limit;
    struct register_block *block = &plan->settings;
    if (plan->settings_apart || !voltage->known || !limit->known ||
        voltage->function != limit->function ||
        !register_blocks_join(voltage->address, register_width(voltage->type), limit->address,
                              register_width(limit->type), IDLE_FOR_SETTINGS, &block->address,
                              &block->count))
        return OUTCOME_EXCEPTION;
    block->function = voltage->function;
    enum outcome outcome = modbus_read_block(supply->connection, block);
    plan->settings_apart = outcome == OUTCOME_EXCEPTION;
    if (outcome == OUTCOME_GOOD) {
        *voltage_V = number_in(block, voltage);
        *limit_A = number_in(block, limit);
    }
    return outcome;
}

static enum outcome read_set_points(struct supply *supply, double now_s)
{
    const struct modbus_plan *plan = supply->modbus_plan;
    double voltage_V = NAN;
    double limit_A = NAN;
    enum outcome outcome = read_set_points_joined(supply, &voltage_V, &limit_A);
    if (outcome == OUTCOME_EXCEPTION)
        outcome = modbus_read_set_point(supply, &plan->query_voltage, &voltage_V);
    if (outcome == OUTCOME_GOOD && isnan(limit_A))
        outcome = modbus_read_set_point(supply, &plan->query_limit, &limit_A);
    if (outcome != OUTCOME_BROKEN_OFF)
        supply_note_settings(supply, voltage_V, limit_A, now_s);
    return outcome;
}

/* The register that switches is shared with someone else's bits. */
static bool shares_switch(const struct supply *supply)
{
    const struct register_flag *flag = &supply->modbus_plan->set_output;
    return supply->control && flag->known && flag->function > 2 && !register_is_whole(flag);
}

/* What else stands in it, so that an off need not ask first. */
static void read_switch(struct supply *supply)
{
    const struct register_flag *flag = &supply->modbus_plan->set_output;
    uint16_t word = 0;
    if (modbus_read_words(supply->connection, flag->function, flag->address, 1, &word) !=
        OUTCOME_GOOD)
        return;
    supply->output_word = word;
    supply->output_word_s = clock_monotonic_s();
}

/* What does not come with every reading, asked now and then. */
static void read_between(struct supply *supply, double voltage_V)
{
    const struct modbus_plan *plan = supply->modbus_plan;
    double now_s = clock_monotonic_s();
    if (!plan->output_on.known || plan->output_block >= 0)
        supply->output_due_s = INFINITY;
    if (!plan->query_voltage.known && !plan->query_limit.known && !shares_switch(supply))
        supply->settings_due_s = INFINITY;
    if (supply_output_due(supply, now_s)) {
        enum known_flag state = FLAG_UNKNOWN;
        if (modbus_read_flag(supply, &plan->output_on, &state) != OUTCOME_BROKEN_OFF)
            supply_note_output(supply, state, voltage_V, now_s);
    } else if (supply_settings_due(supply, now_s)) {
        if (read_set_points(supply, now_s) == OUTCOME_GOOD && shares_switch(supply))
            read_switch(supply);
    }
}

/* How many characters a frame has that asks for a block, and one that answers. */
enum { REQUEST_CHARS = 8 };
static double answer_chars(const struct register_block *block)
{
    return 5 + (block->function <= 2 ? (block->count + 7) / 8 : 2 * block->count);
}

/* The supply looked after the whole request had come and before it answered. */
static double looked_at_s(const struct connection *connection, double begun_s, double ended_s,
                          double chars)
{
    double character_s = link_character_s(&connection->spec);
    double asked_s = begun_s + REQUEST_CHARS * character_s;
    double answered_s = ended_s - chars * character_s;
    return asked_s < answered_s ? 0.5 * (asked_s + answered_s) : 0.5 * (begun_s + ended_s);
}

static enum known_flag flag_in(const struct modbus_plan *plan, const struct register_flag *flag,
                               int place)
{
    if (place < 0)
        return FLAG_UNKNOWN;
    const struct register_block *block = &plan->blocks[place];
    return register_flag(flag, block->words[flag->address - block->address]);
}

/* The register that switches, where it came with the reading. */
static void note_output_word(struct supply *supply)
{
    const struct modbus_plan *plan = supply->modbus_plan;
    const struct register_flag *flag = &plan->set_output;
    for (int i = 0; flag->known && i < plan->block_count; i++) {
        const struct register_block *block = &plan->blocks[i];
        int at = flag->address - block->address;
        if (block->function != flag->function || at < 0 || at >= block->count)
            continue;
        supply->output_word = block->words[at];
        supply->output_word_s = clock_monotonic_s();
    }
}

/* A block that could be read before. That it does not exist is then the answer to
 * another question. */
static enum outcome read_again(struct supply *supply, struct register_block *block)
{
    struct connection *connection = supply->connection;
    enum outcome outcome = modbus_read_block(connection, block);
    if (outcome != OUTCOME_EXCEPTION || connection->spec.kind == LINK_MODBUS_TCP ||
        connection->modbus->exception > MODBUS_ILLEGAL_VALUE)
        return outcome;
    connection->supply_errors--;
    connection->garbled++;
    connection->modbus->out_of_step = true;
    return OUTCOME_GARBLED;
}

static enum supply_result modbus_read(struct supply *supply, struct reading *reading,
                                      struct error *error)
{
    struct connection *connection = supply->connection;
    struct modbus *modbus = connection->modbus;
    if (modbus->out_of_step && (modbus->regained >= MOST_REGAINED || resynchronise(supply) != 0))
        return supply_fail(connection, SUPPLY_GONE, error,
                           "unit %d does not come back into step after a missing answer",
                           connection->spec.address);
    if (!supply->modbus_plan) {
        enum outcome outcome = modbus_find_plan(supply);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
    }
    struct modbus_plan *plan = supply->modbus_plan;
    if (modbus->doubtful) {
        enum outcome outcome = read_again(supply, &plan->blocks[0]);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
        modbus->doubtful = false;
    }
    /* Begun once the silence after the last frame is over. */
    clock_wait_until(modbus->ended_s + modbus->silence_s);
    double begun_s = clock_monotonic_s();
    double chars = 0;
    for (int i = 0; i < plan->block_count; i++) {
        enum outcome outcome = read_again(supply, &plan->blocks[i]);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
        chars += answer_chars(&plan->blocks[i]);
    }
    note_output_word(supply);
    modbus->regained = 0;
    double ended_s = modbus->ended_s;
    double frames = plan->block_count;
    struct wire_cost cost = {.query_chars = REQUEST_CHARS * frames,
                             .reply_chars = chars,
                             .silence_s = frames * modbus->silence_s};
    connection_note_round_trip(connection, ended_s - begun_s + modbus->silence_s, ended_s, &cost);
    reading->time_s = looked_at_s(connection, begun_s, ended_s, chars);
    reading->voltage_V = number_in(&plan->blocks[plan->voltage_block], &plan->voltage);
    reading->current_A = number_in(&plan->blocks[plan->current_block], &plan->current);
    reading->valid = !isnan(reading->voltage_V) && !isnan(reading->current_A);
    if (reading->valid && (!supply_voltage_plausible(supply, reading->voltage_V) ||
                           !supply_current_plausible(supply, reading->current_A))) {
        connection->garbled++;
        return supply_fail(connection, SUPPLY_NO_READING, error,
                           "reads %g V, %g A, beyond the supply's ratings", reading->voltage_V,
                           reading->current_A);
    }
    supply_complete(supply, reading, flag_in(plan, &plan->output_on, plan->output_block),
                    flag_in(plan, &plan->limited, plan->limited_block));
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
        enum outcome outcome = modbus_find_plan(supply);
        if (outcome != OUTCOME_GOOD)
            return modbus_failed(supply, outcome, error);
    }
    if (known)
        return SUPPLY_OK;
    return supply_fail(connection, SUPPLY_NO_READING, error, "profile %s has no register for this",
                       connection->profile->name);
}

static enum supply_result modbus_read_settings(struct supply *supply, struct error *error)
{
    enum supply_result result = modbus_ready(supply, true, error);
    if (result != SUPPLY_OK)
        return result;
    enum outcome outcome = read_set_points(supply, clock_monotonic_s());
    return outcome == OUTCOME_GOOD ? SUPPLY_OK : modbus_failed(supply, outcome, error);
}

static bool modbus_tells_output(const struct supply *supply)
{
    return supply->connection->profile->modbus.output_on.known;
}

const struct dialect modbus_dialect = {
    .begin = modbus_start,
    .open = modbus_open,
    .close = modbus_close,
    .read = modbus_read,
    .switch_output = modbus_switch_output,
    .off = modbus_off,
    .confirm_off = modbus_confirm_off,
    .set = modbus_set,
    .read_settings = modbus_read_settings,
    .tells_output = modbus_tells_output,
    .forget = modbus_forget,
    .destroy = modbus_destroy,
};
