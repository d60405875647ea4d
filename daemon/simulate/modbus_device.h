/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A Modbus server's PDUs, after "Modbus Application Protocol" V1.1b3 (from
 * memory): functions 01 to 06, 0F, 10, 16 and 17, with the exceptions in the
 * order of its state diagrams: function (01), quantity (03), address (02),
 * value or processing (03, 04). What the registers are is the space's business.
 */
#ifndef WAKEDRAW_SIMULATE_MODBUS_DEVICE_H
#define WAKEDRAW_SIMULATE_MODBUS_DEVICE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum modbus_exception {
    MODBUS_DONE = 0,
    MODBUS_ILLEGAL_FUNCTION = 1,
    MODBUS_ILLEGAL_ADDRESS = 2,
    MODBUS_ILLEGAL_VALUE = 3,
    MODBUS_DEVICE_FAILURE = 4,
    MODBUS_NO_TARGET = 11,
};

enum modbus_table { TABLE_COILS, TABLE_INPUT_BITS, TABLE_HOLDING, TABLE_INPUT, TABLE_COUNT };

struct modbus_space {
    /* Whether the table exists at all: without it its functions are not known. */
    bool has[TABLE_COUNT];
    /* `count` bits or registers from `first` on. */
    enum modbus_exception (*read)(void *context, enum modbus_table table, unsigned first,
                                  unsigned count, uint16_t *values);
    /* All or nothing. Coils and holding registers only. */
    enum modbus_exception (*write)(void *context, enum modbus_table table, unsigned first,
                                   unsigned count, const uint16_t *values);
    void *context;
};

/* The reply's length, at least 2. */
size_t modbus_answer(const struct modbus_space *space, const uint8_t *request, size_t length,
                     uint8_t reply[253]);

#endif
