/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The simulated supply's registers, where a map says they are.
 */
#ifndef WAKEDRAW_SIMULATE_SUPPLY_REGISTERS_H
#define WAKEDRAW_SIMULATE_SUPPLY_REGISTERS_H

#include "simulate/modbus_device.h"
#include "simulate/output.h"
#include "simulate/supply_map.h"

struct supply_registers {
    const struct supply_map *map;
    struct output *outputs;
    int output_count;
    double time_s; /* of the request being answered; set it before each */
    bool remote;   /* taken into remote state, where the map has such a thing */
};

/* Map and outputs must outlive the space. */
struct modbus_space supply_registers_space(struct supply_registers *registers);

#endif
