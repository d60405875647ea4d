#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Supplies whose outputs are switched: the SCPI instrument and the Modbus unit beside
this file with outputs that have states of their own, something on their leads, and a
log of what came in and when. Nothing of the project's code."""
import threading
import time

from scpi_instrument import Instrument
from modbus_unit import Unit, crc


class Output:
    """One output: its set points and what hangs on it."""

    def __init__(self, load="healthy"):
        self.on = False
        self.set_voltage = 5.0
        self.set_limit = 1.0
        self.load = load        # healthy, short, reversed, heavy, none
        self.stuck_on = False   # off does nothing
        self.stuck_off = False  # on does nothing
        self.fell_at = 0.0      # when it went off
        self.holds_s = 0.0      # so long its voltage stands after that
        self.history = []       # (instant, on, set_voltage, set_limit)

    def switch(self, on):
        if (on and self.stuck_off) or (not on and self.stuck_on):
            return
        if self.on and not on:
            self.fell_at = time.monotonic()
        self.on = on
        self.history.append((time.monotonic(), on, self.set_voltage, self.set_limit))

    def values(self):
        """Volts, amperes, whether it is in current limit."""
        if not self.on:
            stands = time.monotonic() - self.fell_at < self.holds_s
            return (self.set_voltage if stands else 0.0), 0.0, False
        wants = {"healthy": 0.3, "heavy": 4.0, "none": 0.0}.get(self.load)
        if wants is not None and wants <= self.set_limit:
            return self.set_voltage, wants, False
        volts = {"short": 0.1, "reversed": 0.75}.get(self.load, 6.0)
        return min(volts, self.set_voltage), self.set_limit, True


class SwitchedInstrument(Instrument):
    """SCPI; `outputs` with a load each. `heard` is [(instant, message)]."""

    def __init__(self, loads=("healthy",), **options):
        super().__init__(outputs=len(loads), **options)
        self.each = [Output(load) for load in loads]
        self.heard = []
        self.most_volts = 60.0   # a higher voltage is cut off there without a word
        self.silent_from = None  # (a part of a message): with it the supply falls silent
        self.busy_with = None    # (a part of a message, seconds): slow to answer it
        self.drops_at = None     # (a part of a message): with it the link drops

    def when(self, text, after=0.0):
        """The instant of the first message with this in it; None: there is none."""
        with self.lock:
            return next((at for at, message in self.heard if text in message and at >= after),
                        None)

    def messages(self, after=0.0):
        with self.lock:
            return [message for at, message in self.heard if at >= after]

    def answer(self, message, write, drop, pending):
        if self.drops_at and self.drops_at in message.decode("latin-1"):
            self.execute(message.decode("latin-1"))
            drop()
            raise OSError("dropped")
        super().answer(message, write, drop, pending)

    def execute(self, message):
        self.heard.append((time.monotonic(), message))
        if self.silent_from and self.silent_from in message:
            self.traps.mute = True
        if self.busy_with and self.busy_with[0] in message:
            time.sleep(self.busy_with[1])
        return super().execute(message)

    def execute_terse(self, message):
        message = message.strip().upper()
        output = self.each[0]
        number = message[4:5]
        if message[:4] in ("VSET", "ISET") and number.isdigit():
            output = self.each[int(number) - 1]
            name = "set_voltage" if message[0] == "V" else "set_limit"
            if message[5:6] == ":":
                setattr(output, name, float(message[6:]))
                return []
            return ["%.3f" % getattr(output, name)]
        if message in ("OUT1", "OUT0"):
            for each in self.each:
                each.switch(message == "OUT1")
            return []
        return super().execute_terse(message)

    def output_unit(self, key, query, parameters):
        channel = parameters
        if not query and self.dialect == "list":
            parameters, _, channel = parameters.rpartition(",")
        number = self.output_of(channel if (query or self.dialect == "list") else "")
        if number is None or not 1 <= number <= self.outputs:
            self.error(-108 if number is None else -222, "Parameter not allowed")
            return None
        output = self.each[number - 1]
        if key in ("MEAS:VOLT?", "MEAS:CURR?"):
            return self.measure(key, number)
        if key in ("VOLT", "CURR"):
            name = "set_voltage" if key == "VOLT" else "set_limit"
            most = self.most_volts if key == "VOLT" else 10.0
            setattr(output, name, min(float(parameters), most))
            return None
        if key in ("VOLT?", "CURR?"):
            return self.number(output.set_voltage if key == "VOLT?" else output.set_limit)
        if key in ("OUTP", "OUTP:STAT"):
            output.switch(parameters.upper() in ("ON", "1"))
            return None
        if key in ("OUTP?", "OUTP:STAT?") and not self.traps.no_flags:
            return "1" if output.on else "0"
        if key == "STAT:QUES:COND?" and not self.traps.no_flags:
            return "1" if output.values()[2] else "0"
        self.error(-113, "Undefined header")
        return None

    def measure(self, key, number):
        if key == "MEAS:VOLT?":
            self.readings += 1
        volts, amperes, _ = self.each[number - 1].values()
        return self.number(volts if key == "MEAS:VOLT?" else amperes)

    def hush(self, mute=True):
        """From now on it says nothing, and goes on listening."""
        self.traps.mute = mute


class SwitchedUnit(Unit):
    """Modbus RTU on a pseudo-terminal, by the map of the profile modbus-holding-u16:
    set points in 0 and 1, the switch in bit 0 of 2 (its other bits are someone else's),
    readings in 16 and 17, states in 18. `heard` is [(instant, frame)]."""

    def __init__(self, load="healthy", **faults):
        self.output = Output(load)
        self.others = 0x00A4  # the other bits of the switch's register
        self.heard = []
        self.mute = False
        self.lock = threading.Lock()
        super().__init__(self.words, 16, **faults)

    def words(self, _k):
        volts, amperes, limited = self.output.values()
        return {0: round(self.output.set_voltage * 100), 1: round(self.output.set_limit * 1000),
                2: self.others | self.output.on, 16: round(volts * 100),
                17: round(amperes * 1000), 18: self.output.on | limited << 1}

    def answer(self, frame):
        with self.lock:
            self.heard.append((time.monotonic(), bytes(frame)))
        if frame[1] != 6:
            return super().answer(frame)
        at, value = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        if at == 0:
            self.output.set_voltage = value / 100
        elif at == 1:
            self.output.set_limit = value / 1000
        elif at == 2:
            self.others = value & ~1
            self.output.switch(bool(value & 1))
        else:
            return bytes((frame[1] | 0x80, 2))
        return bytes(frame[1:6])

    def send(self, data):
        if not self.mute:
            super().send(data)

    def when_off(self, after=0.0):
        """The instant of the first write of the switch with its bit clear."""
        with self.lock:
            return next((at for at, frame in self.heard if at >= after and frame[1] == 6 and
                         frame[2:4] == b"\x00\x02" and not frame[5] & 1), None)


assert crc(b"\x01\x03\x00\x00\x00\x01") == b"\x84\x0a"  # serial line V1.02's polynomial
