/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply/modbus_private.h"

#include <stdlib.h>

/* A request of its own costs about as much as so many idle registers. */
enum { IDLE_FOR_READING = 20, IDLE_FOR_FLAGS = 4 };

static int add_block(struct modbus_plan *plan, int function, int address, int count)
{
    struct register_block *block = &plan->blocks[plan->block_count];
    block->function = function;
    block->address = address;
    block->count = count;
    return plan->block_count++;
}

/* Widens a block of the same function by the flag's register where that is
 * cheap; which one, -1: none. */
static int take_in(struct modbus_plan *plan, const struct register_flag *flag)
{
    for (int i = 0; flag->known && i < plan->block_count; i++) {
        struct register_block *block = &plan->blocks[i];
        if (block->function == flag->function &&
            register_blocks_join(block->address, block->count, flag->address, 1, IDLE_FOR_FLAGS,
                                 &block->address, &block->count))
            return i;
    }
    return -1;
}

static void plan_blocks(struct modbus_plan *plan, int generosity)
{
    const struct register_quantity *current = &plan->current;
    int width = register_width(current->type);
    plan->block_count = 0;
    plan->output_block = -1;
    plan->limited_block = -1;
    plan->voltage_block = add_block(plan, plan->voltage.function, plan->voltage.address,
                                    register_width(plan->voltage.type));
    struct register_block *block = &plan->blocks[plan->voltage_block];
    bool joined = generosity > 0 && block->function == current->function &&
                  register_blocks_join(block->address, block->count, current->address, width,
                                       IDLE_FOR_READING, &block->address, &block->count);
    plan->current_block =
        joined ? plan->voltage_block : add_block(plan, current->function, current->address, width);
    if (generosity > 1) {
        plan->output_block = take_in(plan, &plan->output_on);
        plan->limited_block = take_in(plan, &plan->limited);
    }
    /* Nothing else could tell of the limit then: it is asked with every reading. */
    bool derived = plan->query_voltage.known && plan->query_limit.known;
    if (plan->limited.known && plan->limited_block < 0 && !derived)
        plan->limited_block = add_block(plan, plan->limited.function, plan->limited.address, 1);
}

static void move_flag(const struct supply *supply, struct register_flag *flag)
{
    const struct modbus_profile *profile = &supply->connection->profile->modbus;
    flag->address +=
        (supply->output - 1) * (flag->function <= 2 ? profile->coil_step : profile->output_step);
}

struct register_flag modbus_output_switch(const struct supply *supply)
{
    struct register_flag flag = supply->connection->profile->modbus.set_output;
    move_flag(supply, &flag);
    return flag;
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
    plan->query_voltage = profile->query_voltage.known ? profile->query_voltage : plan->set_voltage;
    plan->query_limit = profile->query_limit.known ? profile->query_limit : plan->set_limit;
    plan->query_protection =
        profile->query_protection.known ? profile->query_protection : profile->set_protection;
    plan->output_on = profile->output_on;
    plan->limited = profile->limited;
    plan->set_output = profile->set_output;
    int before = supply->output - 1;
    enum { QUANTITIES = 7 };
    struct register_quantity *quantities[QUANTITIES] = {
        &plan->voltage,       &plan->current,     &plan->set_voltage,     &plan->set_limit,
        &plan->query_voltage, &plan->query_limit, &plan->query_protection};
    for (size_t i = 0; i < QUANTITIES; i++)
        quantities[i]->address += before * profile->output_step;
    move_flag(supply, &plan->output_on);
    move_flag(supply, &plan->limited);
    move_flag(supply, &plan->set_output);
    return plan;
}

/* An exception that says nothing of the registers. */
static bool only_busy(const struct connection *connection)
{
    int exception = connection->modbus->exception;
    return exception == MODBUS_BUSY || exception == MODBUS_ACKNOWLEDGE;
}

/* Registers between those we want may not exist: ask for less at a time until
 * the supply makes no exception of it. */
enum outcome modbus_find_plan(struct supply *supply)
{
    struct modbus_plan *plan = make_plan(supply);
    if (!plan)
        return OUTCOME_GONE;
    enum outcome outcome = OUTCOME_EXCEPTION;
    for (int generosity = 2; generosity >= 0 && outcome == OUTCOME_EXCEPTION; generosity--) {
        plan_blocks(plan, generosity);
        outcome = OUTCOME_GOOD;
        for (int i = 0; i < plan->block_count && outcome == OUTCOME_GOOD; i++)
            outcome = modbus_read_block(supply->connection, &plan->blocks[i]);
        if (outcome == OUTCOME_EXCEPTION && only_busy(supply->connection))
            break;
    }
    if (outcome == OUTCOME_GOOD)
        supply->modbus_plan = plan;
    else
        free(plan);
    return outcome;
}
