#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A Modbus supply with a front panel on python3-pymodbus (Debian): its map is drawn at
random, with registers beside it that mislead; which functions were asked is kept."""

import asyncio
import logging
import random
import struct
import threading
import time

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

logging.disable(logging.CRITICAL)

KINDS = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}


def words_of(value, kind, order):
    """The number as registers, by struct's big-endian forms."""
    whole = value if kind == "f32" else int(round(value))
    raw = struct.pack(KINDS[kind], whole)
    words = [int.from_bytes(raw[i:i + 2], "big") for i in range(0, len(raw), 2)]
    return words if order == "big" else words[::-1]


class PanelSupply:
    """rated volts and amperes; ohm: what hangs on the leads where something does."""

    def __init__(self, seed, rated_V=30, rated_A=5, ohm=8.2):
        self.random = random.Random(seed)
        self.rated_V, self.rated_A, self.ohm = rated_V, rated_A, ohm
        self.set_V, self.set_A, self.on, self.connected = 5.0, 1.0, False, "nothing"
        self.functions, self.lock = [], threading.RLock()
        self.begun = time.monotonic()
        self.draw_map()

    # -- what it does -------------------------------------------------------

    def measured(self):
        """Volts, amperes, in current limit."""
        ohm = {"nothing": 1e9, "joined": 0.01}.get(self.connected, self.ohm)
        if not self.on:
            return 0.0, 0.0, False
        limited = self.set_V / ohm > self.set_A
        volts = self.set_A * ohm if limited else self.set_V
        return volts, volts / ohm if ohm < 1e8 else 0.0, limited

    # -- where it says so -----------------------------------------------------

    def draw_map(self):
        draw = self.random
        kind, order = draw.choice(list(KINDS)), draw.choice(["big", "little"])
        step = 2 if kind in ("u32", "s32", "f32") else 1
        self.function = draw.choice([3, 4])
        at = draw.choice([0, 16, 100, 0x100, 0x1000])
        scales = (1, 1) if kind == "f32" else (0.01, 0.001)
        self.map = {
            "volts": (self.function, at + 2, kind, order, scales[0]),
            "amperes": (self.function, at + 2 + step, kind, order, scales[1]),
            "set_V": (3, at + 30, kind, order, scales[0]),
            "set_A": (3, at + 30 + step, kind, order, scales[1]),
        }
        self.status = (self.function, at + 2 + 2 * step, draw.randrange(4), 4 + draw.randrange(4))
        self.switch = at + 40 if draw.random() < 0.5 else None
        self.decoys = {(draw.choice([3, 4]), at + 44 + i): draw.choice(
            ["power", "seconds", "warmth", "protection", "fixed", "noise"]) for i in range(12)}
        self.fixed = {key: draw.randrange(65536) for key in self.decoys}

    def registers(self):
        """{(function, register): word}, as they are now."""
        volts, amperes, limited = self.measured()
        told = {"volts": volts, "amperes": amperes, "set_V": self.set_V, "set_A": self.set_A}
        words = {}
        for name, (function, at, kind, order, scale) in self.map.items():
            for i, word in enumerate(words_of(told[name] / scale, kind, order)):
                words[function, at + i] = word
        function, at, on, limit = self.status
        words[function, at] = self.on << on | limited << limit
        if self.switch is not None:
            words[3, self.switch] = int(self.on)
        seconds = time.monotonic() - self.begun
        for key, kind in self.decoys.items():
            words.setdefault(key, {
                "power": int(volts * amperes * 10), "seconds": int(seconds * 7) & 0xFFFF,
                "warmth": 240 + int(seconds) % 20, "protection": int(self.set_V * 115),
                "fixed": self.fixed[key], "noise": self.random.randrange(65536)}[kind])
        return words

    # -- the server ---------------------------------------------------------

    def context(self, unit):
        supply = self

        class Slave(ModbusSlaveContext):
            def validate(self, fx, address, count=1):
                with supply.lock:
                    supply.functions.append(fx)
                    now = supply.registers()
                return all((fx, address + i) in now for i in range(count))

            def getValues(self, fx, address, count=1):
                with supply.lock:
                    now = supply.registers()
                return [now.get((fx, address + i), 0) for i in range(count)]

            def setValues(self, fx, address, values):
                with supply.lock:
                    supply.functions.append(fx)

        block = ModbusSparseDataBlock({0: 0})
        return ModbusServerContext(slaves={unit: Slave(hr=block, ir=block)}, single=False)

    def start(self, make):
        ready, box = threading.Event(), {}

        async def main():
            box["server"] = await make()
            box["task"] = asyncio.ensure_future(box["server"].serve_forever())
            while getattr(box["server"], "server", None) is None and not box.get("serial"):
                await asyncio.sleep(0.01)
            ready.set()
            await asyncio.wait([box["task"]])

        def thread():
            box["loop"] = asyncio.new_event_loop()
            asyncio.set_event_loop(box["loop"])
            try:
                box["loop"].run_until_complete(main())
            except RuntimeError:
                pass  # the loop was stopped

        self.box = box
        self.thread = threading.Thread(target=thread, daemon=True)
        self.thread.start()
        assert ready.wait(20)

    def start_tcp(self, unit=1, rtu=False):
        framer = ModbusRtuFramer if rtu else ModbusSocketFramer

        async def make():
            return ModbusTcpServer(self.context(unit), framer, None, ("127.0.0.1", 0),
                                   ignore_missing_slaves=True)

        self.start(make)
        port = self.box["server"].server.sockets[0].getsockname()[1]
        return "modbus-%stcp:127.0.0.1:%d?address=%d" % ("rtu-" if rtu else "", port, unit)

    def start_serial(self, path, unit=1, baud=115200):
        async def make():
            server = ModbusSerialServer(self.context(unit), ModbusRtuFramer, None, port=path,
                                        baudrate=baud, timeout=0.2, ignore_missing_slaves=True)
            await server.start()
            self.box["serial"] = True
            return server

        self.start(make)

    def stop(self):
        def end():
            for part in (getattr(self.box["server"], "transport", None),
                         getattr(self.box["server"], "server", None)):
                if part:
                    part.close()
            self.box["loop"].call_later(0.1, self.box["loop"].stop)

        self.box["loop"].call_soon_threadsafe(end)
        self.thread.join(3)
