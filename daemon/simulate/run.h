/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The loop of `wakedraw simulate`: waits for bytes, hands and due times; ends
 * at SIGTERM or SIGINT.
 */
#ifndef WAKEDRAW_SIMULATE_RUN_H
#define WAKEDRAW_SIMULATE_RUN_H

#include "simulate/panel_socket.h"
#include "simulate/simulator.h"

/* `panel` may be NULL. -1 with the error filled where waiting failed. */
int run_simulator(struct simulator *simulator, struct panel_socket *panel, struct error *error);

/* From here on SIGTERM and SIGINT end the loop (call it before "ready" is said). */
void run_catch_signals(void);

#endif
