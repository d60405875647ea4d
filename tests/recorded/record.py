#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the recordings anew: record.py [NAME...]. The supply room itself speaks to the
peers of the wire tests (written to the standards, in another language), and a tap
between the two writes down what passes. What the lines mean is said behind them."""

import copy
import os
import struct
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(HERE, "..", "wire", "peers"))
from modbus_unit import Unit  # noqa: E402
from recording import Hand, Tap, text_of  # noqa: E402
from scpi_instrument import Instrument, Traps  # noqa: E402

SWITCHED = ["open", "read", "read", "set 12.5 1.5", "on", "read", "read", "read", "off", "read"]
WATCHED = ["open"] + ["read"] * 6


def steady(k, _t):
    return 12.5, 0.25 + k % 5 * 0.001


class Supply:
    """A Modbus supply that does what is written: its registers by a function of what is
    set."""

    def __init__(self, words, takes, bits=None, **faults):
        self.state = {"on": False, "V": 12.0, "A": 1.0, "k": 0}
        self.bits = bits
        self.takes = takes
        self.faults = faults

        def registers(k):
            volts = self.state["V"] if self.state["on"] else 0.0
            amperes = 0.25 + k % 5 * 0.001 if self.state["on"] else 0.0
            return words(self.state, volts, amperes)
        self.registers = registers

    def written(self, function, at, words):
        self.takes(self.state, function, at, words)
        if self.bits is not None:
            self.bits[0] = self.state["on"]

    def start(self, voltage_at):
        return Unit(self.registers, voltage_at, bits=self.bits, written=self.written, **self.faults)


def holding(state, volts, amperes):
    return {0: round(state["V"] * 100), 1: round(state["A"] * 1000), 2: int(state["on"]),
            16: round(volts * 100), 17: round(amperes * 1000), 18: int(state["on"])}


def holding_takes(state, _function, at, words):
    if at == 2:
        state["on"] = bool(words[0] & 1)
    else:
        state["VA"[at]] = words[0] / (100, 1000)[at]


def pair(number):
    raw = struct.pack(">f", number)
    return int.from_bytes(raw[:2], "big"), int.from_bytes(raw[2:], "big")


def floats(state, volts, amperes):
    # The map of modbus-input-f32 has readings in input registers and set points in
    # holding registers at the same addresses; FloatUnit tells them apart.
    words = {4: int(state["on"])}
    for at, number in ((0, volts), (2, amperes)):
        words[at], words[at + 1] = pair(number)
    return words


def floats_takes(state, _function, at, words):
    if at == 4:
        state["on"] = bool(words[0] & 1)
        return
    state["V" if at == 0 else "A"] = struct.unpack(
        ">f", b"".join(w.to_bytes(2, "big") for w in words))[0]


class FloatUnit(Unit):
    state = None

    def read(self, function, at, count):
        if function == 4:
            return super().read(function, at, count)
        words = {4: int(self.state["on"])}
        words[0], words[1] = pair(self.state["V"])
        words[2], words[3] = pair(self.state["A"])
        if any(at + i not in words for i in range(count)):
            return bytes((function | 0x80, 2))
        return bytes((function, 2 * count)) + b"".join(
            words[at + i].to_bytes(2, "big") for i in range(count))


class FloatSupply(Supply):
    def start(self, voltage_at):
        FloatUnit.state = self.state
        return FloatUnit(self.registers, voltage_at, written=self.written, **self.faults)


def coils(state, volts, amperes):
    milli, tenths = round(volts * 1000), round(amperes * 10000)
    return {0x100: milli & 0xFFFF, 0x101: milli >> 16, 0x102: tenths & 0xFFFF,
            0x103: tenths >> 16, 0x110: round(state["V"] * 100), 0x111: round(state["A"] * 1000)}


def coils_takes(state, function, at, words):
    if function == 5:
        state["on"] = words[0] == 0xFF00
    else:
        state["V" if at == 0x10 else "A"] = words[0] / (100 if at == 0x10 else 1000)


def scpi(dialect="plain", outputs=1, values=steady, off=True, **traps):
    def start():
        instrument = Instrument(Traps(**copy.deepcopy(traps)), dialect=dialect, outputs=outputs, values=values)
        instrument.output_on = not off
        return instrument.start_pty(), instrument.stop
    return start


def modbus(supply, voltage_at):
    def start():
        unit = supply().start(voltage_at)
        return unit.path, unit.stop
    return start


SLOW = {"baud": 9600}
# name, profile, link, output, control, what is done, the supply, what the recording shows
SCENES = [
    ("scpi", "scpi", "serial baud=9600", 1, "on", SWITCHED, scpi(**SLOW),
     "Plain SCPI-1999 on a line of 9600 baud, with control: opened, tried out, set, switched on, "
     "read and switched off."),
    ("scpi-watched", "scpi", "serial baud=9600", 1, "off", WATCHED, scpi(off=False, **SLOW),
     "The same without control: nothing goes out but questions and *CLS."),
    ("scpi-faults", "scpi", "serial baud=9600", 1, "off", ["open"] + ["read"] * 10,
     scpi(off=False, instead={14: b"~x;~y\n", 18: b'-113,"Undefined header"\n'},
          noise={22: b"\x00\xff#"}, **SLOW),
     "Garbage instead of an answer, an error text instead of one, noise in front of one: no "
     "reading each time, and back in step by asking who is there."),
    ("scpi-silence", "scpi", "serial baud=9600", 1, "off", ["open"] + ["read"] * 6,
     scpi(off=False, half={14}, **SLOW),
     "Half an answer and then nothing: no reading; waited out, and back in step by asking who is "
     "there."),
    ("scpi-nselect", "scpi-nselect", "serial baud=9600", 2, "on", SWITCHED,
     scpi("nselect", outputs=3, **SLOW),
     "Outputs selected by INST:NSEL, the second one of three: selected once, and the selection "
     "read with every reading."),
    ("scpi-nselect-watched", "scpi-nselect", "serial baud=9600", 2, "off", ["open"] + ["read"] * 2,
     scpi("nselect", outputs=3, **SLOW),
     "Without control another output's selection is left alone: output 2 is not read while "
     "output 1 is selected."),
    ("scpi-channel-list", "scpi-channel-list", "serial baud=9600", 2, "on", SWITCHED,
     scpi("list", outputs=4, **SLOW),
     "Outputs named in each message, (@2)."),
    ("scpi-array", "scpi-array", "serial baud=115200", 1, "off", ["open"] + ["read"] * 60,
     scpi(off=False, arrays="f32", baud=115200),
     "Fifty conversions of 1 ms each in definite-length blocks, big-endian 32-bit floats: 61 reads "
     "take two acquisitions, handed on one by one."),
    ("scpi-array-faults", "scpi-array", "serial baud=115200", 1, "off", ["open"] + ["read"] * 103,
     scpi(off=False, arrays="f32", baud=115200, array_fault={2: "length", 4: "indefinite"}),
     "A block that is twelve bytes shorter than fifty floats, and one without a length (#0): "
     "neither gives a reading."),
    ("terse", "terse", "serial baud=9600", 1, "on", SWITCHED,
     scpi("terse", outputs=2, terminator=b"", **SLOW),
     "The older terse dialect: one question a message, nothing but silence ends an answer."),
    ("terse-status", "terse-status", "serial baud=9600", 1, "on", SWITCHED,
     scpi("terse", terminator=b"", **SLOW),
     "The same with a status byte: bit 6 is the output, bit 0 is 0 in current limit."),
    ("modbus-holding-u16", "modbus-holding-u16", "modbus-rtu baud=9600", 1, "on", SWITCHED,
     modbus(lambda: Supply(holding, holding_takes, **SLOW), 16),
     "Modbus RTU, all in holding registers. The switch is one bit of register 2: read, changed, "
     "written back."),
    ("modbus-input-f32", "modbus-input-f32", "modbus-rtu baud=9600", 1, "on", SWITCHED,
     modbus(lambda: FloatSupply(floats, floats_takes, **SLOW), 0),
     "Modbus RTU, floats in input registers; set points in holding registers, two at a time."),
    ("modbus-coils", "modbus-coils", "modbus-rtu baud=9600", 1, "on", SWITCHED,
     modbus(lambda: Supply(coils, coils_takes, bits={0: False, 1: False}, **SLOW), 0x100),
     "Modbus RTU with the output as a coil, its state and the limit as discrete inputs; set points "
     "written to holding registers and read back from input registers."),
    ("modbus-faults", "modbus-holding-u16", "modbus-rtu baud=9600", 1, "off",
     ["open"] + ["read"] * 12,
     modbus(lambda: Supply(holding, holding_takes, crc={4}, silent={6}, busy={8}, other={10},
                           **SLOW), 16),
     "A wrong check sum, no answer, an exception (busy) and another unit's answer: no reading each "
     "time."),
]

MEANINGS = {
    "*CLS": "what is stale is cleared", "*IDN?": "who is there: two in a row must agree",
    "SYST:ERR?": "the error queue, until it is empty", "MEAS:VOLT?": "voltage by itself",
    "MEAS:CURR?": "current by itself", "OUTP?": "is the output on",
    "STAT:QUES:COND?": "bit 0: in current limit", "VOLT?": "the set voltage",
    "CURR?": "the set limit", "OUTP ON": "on", "OUTP OFF": "off", "OUT1": "on", "OUT0": "off",
    "VOUT1?": "voltage", "IOUT1?": "current", "VSET1?": "the set voltage",
    "ISET1?": "the set limit", "STATUS?": "the status byte", "INST:NSEL?": "which is selected",
    "INST:NSEL 2": "output 2 is selected", "FETC:ARR:CURR?": "the currents of that acquisition",
    "SENS:SWE:TINT?": "seconds between conversions",
    "MEAS:ARR:VOLT? (50)": "fifty conversions, their voltages",
}


def scpi_meaning(way, data):
    text = data.decode("latin-1").strip()
    if way == "tell":
        if text[:1] == "#":
            return "a block of %d bytes" % len(data)
        return "bits %s" % format(data[0], "08b") if len(data) == 1 and not text.isdigit() else ""
    plain = text.replace(" (@2)", "").replace(",(@2)", "")
    if plain in MEANINGS:
        return MEANINGS[plain]
    if plain.startswith(("VOLT ", "VSET1:")):
        return "the voltage is set"
    if plain.startswith(("CURR ", "ISET1:")):
        return "the limit is set, before the voltage"
    return "joined in one message" if ";" in plain else ""


NAMES = {1: "coils", 2: "discrete inputs", 3: "holding registers", 4: "input registers"}


def modbus_meaning(way, data):
    function = data[1] if len(data) > 1 else 0
    if function & 0x80:
        return "exception %d" % data[2]
    at, number = int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:6], "big")
    if way == "ask" and function in NAMES:
        return "function %d: %d of the %s from %d" % (function, number, NAMES[function], at)
    if way == "ask":
        return "function %d: writes %s %d" % (function, "coil" if function == 5 else "register", at)
    if function in (3, 4):
        return "registers " + " ".join(str(int.from_bytes(data[i:i + 2], "big"))
                                       for i in range(3, len(data) - 2, 2))
    if function in (1, 2):
        return "states " + format(data[3], "08b")
    return "taken"


def wrapped(text, width=88):
    lines, line = [], "#"
    for word in text.split():
        if len(line) + 1 + len(word) > width:
            lines.append(line)
            line = "#"
        line += " " + word
    return lines + [line]


def parted(entries, binary):
    """Questions that went out one behind the other, a line each."""
    for at, way, data in entries:
        if binary or way == "tell":
            yield at, way, data
            continue
        for message in data.splitlines(True):
            yield at, way, message


def record(name, profile, link, output, control, does, start, shows):
    path, stop = start()
    tap = Tap(path)
    kind, _, keys = link.partition(" ")
    hand = Hand(profile, "%s:%s?%s" % (kind, tap.path, keys), output, control)
    marks = []
    for what in does:
        before = len(tap.entries)
        said = hand.do(what)
        marks.append((what, said, before, len(tap.entries)))
    ended = len(tap.entries)
    hand.end()
    tap.stop()
    stop()
    wanted = {"scpi-faults": 3, "scpi-silence": 1, "scpi-nselect-watched": 2,
              "scpi-array-faults": 2, "modbus-faults": 4}.get(name, 0)
    if sum(bool(said) and not said.startswith(("open", "reading", "done"))
           for _, said, _, _ in marks) != wanted:
        return None  # the machine stood still in the middle of an answer
    if len(tap.entries) > ended:
        marks.append((None, None, ended, len(tap.entries)))
    lines = wrapped(shows) + ["profile " + profile, "link " + link, "output %d" % output,
                              "control " + control, ""]
    binary = kind.startswith("modbus")
    meaning = modbus_meaning if binary else scpi_meaning
    for what, said, begin, end in marks:
        if what:
            lines.append("do " + what)
        for at, way, data in parted(tap.entries[begin:end], binary):
            line = "%-4s %9.4f %s" % (way, at, text_of(data, binary))
            told = meaning(way, data)
            lines.append(line + (" " * max(2, 60 - len(line)) + "# " + told if told else ""))
        if what:
            lines.append("got " + said)
    with open(os.path.join(HERE, name + ".rec"), "w") as file:
        file.write("\n".join(lines) + "\n")
    print("%s: %d bytes passed, %.1f s" % (name, sum(len(e[2]) for e in tap.entries),
                                           tap.entries[-1][0]))
    return [(what, said) for what, said, _, _ in marks], \
        b"".join(data for _, way, data in tap.entries if way == "ask")


def keep(scene):
    """Until two in a row went alike: then neither was disturbed."""
    before = None
    for _ in range(12):
        now = record(*scene)
        if now and now == before:
            return
        before = now
    sys.exit(scene[0] + ": no two recordings are alike")


if __name__ == "__main__":
    for scene in SCENES:
        if len(sys.argv) == 1 or scene[0] in sys.argv[1:]:
            keep(scene)
