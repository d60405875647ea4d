#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""PanelSupply as a process: prints "ready LINK"; each line on standard input, "VOLTS
LIMIT on|off nothing|resistor|joined", is done at its panel and answered with what it
measures and the functions that were asked, as JSON."""

import json
import sys

from panel_supply import PanelSupply

supply = PanelSupply(int(sys.argv[1]))
print("ready", supply.start_tcp(), flush=True)
for line in sys.stdin:
    volts, limit, output, connected = line.split()
    with supply.lock:
        supply.set_V, supply.set_A = float(volts), float(limit)
        supply.on, supply.connected = output == "on", connected
        volts_V, amperes_A, limited = supply.measured()
        told = {"voltage_V": volts_V, "current_A": amperes_A, "limited": limited,
                "functions": sorted(set(supply.functions))}
    print(json.dumps(told), flush=True)
supply.stop()
