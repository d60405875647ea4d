#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A Modbus supply made of python3-pymodbus (Debian), which the project did not
write: holding and input registers by a map given as data, values that tell
which request they answer."""

import asyncio
import logging
import struct
import threading
import time

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

# The server speaks up about each connection that ends.
logging.disable(logging.CRITICAL)


def words_of(value, kind, order):
    """The number as registers, by struct's big-endian forms."""
    if kind == "f32":
        raw = struct.pack(">f", value)
    else:
        raw = struct.pack({"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i"}[kind],
                          int(round(value)))
    bytes_in = "little" if order.endswith("-swapped") else "big"
    words = [int.from_bytes(raw[i:i + 2], bytes_in) for i in range(0, len(raw), 2)]
    return words if order.startswith("big") else words[::-1]


class Registers(ModbusSparseDataBlock):
    """A block whose measured registers renew whenever voltage is read."""

    def __init__(self, supply, function):
        super().__init__({0: 0})
        self.values = dict(supply.settings) if function == 3 else {}
        self.supply = supply
        self.function = function
        self.values.update(supply.measured(function))

    def validate(self, address, count=1):
        return all(address + i in self.values for i in range(count))

    def getValues(self, address, count=1):
        with self.supply.lock:
            self.supply.requests.append((address, count))
            self.values.update(self.supply.measured(self.function, address, count))
            return [self.values[address + i] for i in range(count)]

    def setValues(self, address, values, use_as_default=False):
        with self.supply.lock:
            self.supply.writes.append((address, list(values)))
            self.supply.written.append((self.function, address, list(values)))
            for i, value in enumerate(values):
                self.values[address + i] = value


class Supply:
    """layout: {"voltage": (address, type, order, scale[, function]), "current": ...,
    "flags": address, "idle": [addresses that exist besides], "states": {(function,
    address): number}}; function 3 or 4, of what states none of its own."""

    def __init__(self, layout, function, settings=None, values=None):
        self.layout = layout
        self.function = function
        self.settings = settings or {}
        self.values = values or (lambda k: (10 + (k % 1000) * 0.01, (k % 3000) * 0.001))
        self.lock = threading.RLock()
        self.k = 0
        self.told = {}
        self.requests, self.writes, self.written = [], [], []
        self.flags = 1
        self.loop = None

    def function_of(self, name):
        return self.layout[name][4] if len(self.layout[name]) > 4 else self.function

    def measured(self, function, address=None, count=0):
        """The registers (or coils) of a function at this instant; a read that begins
        a conversion (it holds the voltage) brings the next one."""
        volts_at = self.layout["voltage"][0]
        if address is not None and address <= volts_at < address + count and \
           function == self.function_of("voltage"):
            self.k += 1
        volts, amperes = self.values(self.k)
        self.told.setdefault(self.k, (time.monotonic(), volts, amperes))
        registers = {}
        for name, value in (("voltage", volts), ("current", amperes)):
            at, kind, order, scale = self.layout[name][:4]
            if self.function_of(name) != function:
                continue
            for i, word in enumerate(words_of(value / scale, kind, order)):
                registers[at + i] = word
        if function == self.function:
            if "flags" in self.layout:
                registers[self.layout["flags"]] = self.flags
            for at in self.layout.get("idle", []):
                registers[at] = 0
        for (of, at), number in self.layout.get("states", {}).items():
            if of == function:
                registers[at] = number
        return registers

    def context(self, unit):
        slave = ModbusSlaveContext(co=Registers(self, 1), di=Registers(self, 2),
                                   hr=Registers(self, 3), ir=Registers(self, 4), zero_mode=True)
        return ModbusServerContext(slaves={unit: slave}, single=False)

    def _run(self, make):
        ready = threading.Event()
        box = {}

        async def main():
            server = await make()
            box["server"] = server
            task = asyncio.ensure_future(server.serve_forever())
            while getattr(server, "server", None) is None and not box.get("serial"):
                await asyncio.sleep(0.01)
            ready.set()
            await asyncio.wait([task])

        def thread():
            self.loop = asyncio.new_event_loop()
            asyncio.set_event_loop(self.loop)
            try:
                self.loop.run_until_complete(main())
            except RuntimeError:
                pass  # the loop was stopped

        self.box = box
        self.thread = threading.Thread(target=thread, daemon=True)
        self.thread.start()
        return ready

    def start_tcp(self, unit=1, rtu=False):
        framer = ModbusRtuFramer if rtu else ModbusSocketFramer

        async def make():
            return ModbusTcpServer(self.context(unit), framer, None, ("127.0.0.1", 0),
                                   ignore_missing_slaves=True)

        ready = self._run(make)
        ready.wait(5)
        port = self.box["server"].server.sockets[0].getsockname()[1]
        return "modbus-%stcp:127.0.0.1:%d?address=%d" % ("rtu-" if rtu else "", port, unit)

    def start_serial(self, path, unit=1, baud=9600):
        async def make():
            server = ModbusSerialServer(self.context(unit), ModbusRtuFramer, None, port=path,
                                        baudrate=baud, timeout=0.2, ignore_missing_slaves=True)
            await server.start()
            self.box["serial"] = True
            return server

        self._run(make).wait(5)

    def stop(self):
        """Closes the server's own descriptors too: a number that is used again
        while an old transport still holds it would be closed under its new owner."""
        if not self.loop:
            return

        def end():
            transport = getattr(self.box["server"], "transport", None)
            if transport:
                transport.close()
            server = getattr(self.box["server"], "server", None)
            if server:
                server.close()
            self.loop.call_later(0.1, self.loop.stop)

        self.loop.call_soon_threadsafe(end)
        self.thread.join(3)
