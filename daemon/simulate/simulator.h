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

/* What hangs on one output, and the hand that switches it. */
struct stand {
    struct module_type type; /* no path: nothing hangs there */
    char unit[80];
    char fault_text[200];
    bool limit_by_hand; /* a limit was asked for: another module leaves it */
    enum hand hand;
    double hand_on_s, hand_off_s, hand_next_s; /* real seconds */
    bool hand_is_on;
};

struct simulator {
    struct output outputs[MOST_OUTPUTS];
    struct stand stands[MOST_OUTPUTS];
    int output_count;
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
};

/* The module's time at that instant of the monotonic clock. */
double simulator_time_s(const struct simulator *simulator, double now_s);

/* Another unit, fault or type on an output (its index); -1 with the error filled,
 * and all stays as it was. The supply's voltage and limit follow a type's nominal
 * ones. `type` NULL: nothing hangs there. */
int simulator_put_on(struct simulator *simulator, int index, const struct module_type *type,
                     const char *unit, const char *fault, struct error *error);

/* "ON_S:OFF_S[:output|plug|ignition]" */
int simulator_cycle(struct simulator *simulator, int index, const char *text, struct error *error);

/* One line said at the front panel, before it perhaps the output's number ("2
 * output on"); the reply ("ok", "error: ..." or one line of JSON) without a
 * line's end. */
void simulator_panel(struct simulator *simulator, const char *line, double now_s, char *reply,
                     unsigned long size);

/* What the hand does by itself, and the supply that comes back. */
void simulator_step(struct simulator *simulator, double now_s);
double simulator_next_s(const struct simulator *simulator);

#endif
