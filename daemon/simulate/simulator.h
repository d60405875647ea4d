/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bench supply with a module on each output, its wire, and the hand at its
 * front panel: what `wakedraw simulate` runs.
 */
#ifndef WAKEDRAW_SIMULATE_SIMULATOR_H
#define WAKEDRAW_SIMULATE_SIMULATOR_H

#include "base/error.h"
#include "simulate/dialect.h"
#include "simulate/output.h"
#include "simulate/scpi_device.h"
#include "simulate/supply_map.h"
#include "simulate/supply_registers.h"
#include "simulate/wire.h"

#include <stdbool.h>

enum hand { HAND_NONE, HAND_OUTPUT, HAND_PLUG, HAND_IGNITION };

struct simulator {
    struct output outputs[MOST_OUTPUTS];
    int output_count;
    struct module_type type; /* on output 1 */
    char unit[80];
    char fault_text[200];
    uint64_t seed;
    double time_scale, started_s;
    struct supply_map map;
    struct dialect dialect;
    struct scpi_device *scpi; /* NULL: it speaks Modbus */
    int modbus_address;
    struct supply_registers registers;
    struct modbus_space space;
    struct wire *wire;
    double back_at_s; /* unplugged: when it comes back; INFINITY: when told */
    enum hand hand;
    double hand_on_s, hand_off_s, hand_next_s; /* real seconds */
    bool hand_is_on;
    bool limit_by_hand; /* a limit was asked for: another module leaves it */
};

/* The module's time at that instant of the monotonic clock. */
double simulator_time_s(const struct simulator *simulator, double now_s);

/* Another unit, fault or type on output 1; -1 with the error filled, and all
 * stays as it was. The supply's voltage and limit follow a type's nominal ones. */
int simulator_put_on(struct simulator *simulator, const struct module_type *type, const char *unit,
                     const char *fault, struct error *error);

/* "ON_S:OFF_S[:output|plug|ignition]" */
int simulator_cycle(struct simulator *simulator, const char *text, struct error *error);

/* One line said at the front panel; the reply ("ok", "error: ..." or one line of
 * JSON) without a line's end. */
void simulator_panel(struct simulator *simulator, const char *line, double now_s, char *reply,
                     unsigned long size);

/* What the hand does by itself, and the supply that comes back. */
void simulator_step(struct simulator *simulator, double now_s);
double simulator_next_s(const struct simulator *simulator);

#endif
