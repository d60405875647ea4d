# SPDX-License-Identifier: GPL-3.0-or-later
"""The ways of speaking over which faults are tried: for each a peer whose readings
tell which conversion they are of, a man in the middle, a profile like the shipped
one with a short reply time, and what of a reading is wrong."""

import os

from checks import PROFILES, told_at_other_times
from fault_line import FaultLine, Framing
from modbus_unit import Unit
from scpi_instrument import Instrument, Traps

try:
    from modbus_server import Supply
except ImportError as missing:
    Supply, NO_SERVER = None, str(missing)

TIMEOUT_S = 0.4


def counted(k, _time_s=0.0):
    return 10 + (k % 1000) * 0.001, 0.1 + (k % 19000) * 0.0001


def conversion(current_A):
    """The number of the conversion that told this current."""
    return round((current_A - 0.1) / 0.0001)


def registers(k):
    """Hundredths of a volt, tenths of a milliampere; output on, no limit; set
    points 13.8 V and 2 A."""
    return {16: 1000 + k % 1000, 17: 1000 + k % 19000, 18: 1, 0: 1380, 1: 2000, 2: 1}


def profile(folder, base, change=()):
    """The shipped profile with a short reply time and the peer's ratings."""
    lines = open(os.path.join(PROFILES, base + ".ini")).read().splitlines()
    kept = [line for line in lines if not line.startswith(("reply_timeout_s", "rated_"))]
    at = kept.index("[supply]") + 1
    kept[at:at] = ["reply_timeout_s = %g" % TIMEOUT_S, "rated_voltage_V = 30",
                   "rated_current_A = 5"]
    text = "\n".join(kept) + "\n"
    for old, new in change:
        assert old in text, (base, old)
        text = text.replace(old, new)
    path = os.path.join(folder, base + "-fast.ini")
    with open(path, "w") as file:
        file.write(text)
    return path


class Way:
    """One supply with a bad line to it."""

    dialect = None

    def __init__(self, folder, name, seed=1):
        self.name, self.folder = name, folder
        self.path = os.path.join(folder, name + "-port")
        self.peer = self.profile = self.line = None
        self.begin(seed)

    def front(self, seed, framing, peer, terminal):
        self.line = FaultLine(framing, peer, self.path if terminal else "tcp", seed, TIMEOUT_S)

    def told(self, k):
        """(instant, volts, amperes) of the newest conversion of that number, or None."""
        return self.peer.told.get(k)

    def wrong(self, readings):
        """Readings that are not what one conversion told, at that instant."""
        wrong, right = [], []
        for reading in readings:
            told = self.told(conversion(reading["current_A"]))
            if told is None:
                wrong.append((reading, "current told never"))
                continue
            told_s, volts, amperes = told
            if abs(volts - reading["voltage_V"]) > 5e-5 or \
                    abs(amperes - reading["current_A"]) > 5e-6:
                wrong.append((reading, "told %r" % (told,)))
                continue
            right.append((reading, told_s))
        return wrong + told_at_other_times(right)

    def stop(self):
        self.line.stop()
        self.peer.stop()


class Text(Way):
    kinds = {  # name: dialect, shipped profile, over a terminal
        "plain": ("plain", "scpi", False), "terminal": ("plain", "scpi", True),
        "selected": ("nselect", "scpi-nselect", False),
        "channels": ("list", "scpi-channel-list", False), "terse": ("terse", "terse", True),
    }

    def begin(self, seed):
        dialect, base, terminal = self.kinds[self.name]
        terse = dialect == "terse"
        self.peer = Instrument(Traps(terminator=b"" if terse else b"\n"), values=counted,
                               outputs=2 if terse else 1, dialect=dialect)
        framing = Framing("bursts", b"") if terse else Framing("lines")
        peer = self.peer.start_pty() if terminal else self.peer.start_tcp()
        self.profile = profile(self.folder, base)
        self.front(seed, framing, peer, terminal)
        self.link = ("serial:" if terminal else "tcp:") + self.line.place()


class Rtu(Way):
    def begin(self, seed):
        terminal = self.name == "rtu"
        self.peer = Unit(registers, 16)
        self.profile = profile(self.folder, "modbus-holding-u16",
                               [("17,u16,big,0.001", "17,u16,big,0.0001")])
        self.front(seed, Framing("rtu", b""), self.peer.path, terminal)
        self.link = ("modbus-rtu:%s?baud=115200" if terminal else "modbus-rtu-tcp:%s") % \
            self.line.place()

    def told(self, k):
        if k not in self.peer.told:
            return None
        told_s, words = self.peer.told[k]
        return told_s, words[16] * 0.01, words[17] * 0.0001


class Tcp(Way):
    def begin(self, seed):
        layout = {"voltage": (0, "f32", "big", 1), "current": (2, "f32", "big", 1), "flags": 4}
        self.peer = Supply(layout, 4, settings={0: 0x415C, 1: 0xCCCD, 2: 0x4000, 3: 0, 4: 1},
                           values=counted)
        at = self.peer.start_tcp().split(":", 1)[1].split("?")[0]
        self.profile = profile(self.folder, "modbus-input-f32")
        self.front(seed, Framing("mbap", b""), "tcp:" + at, False)
        self.link = "modbus-tcp:" + self.line.place()


def all_ways():
    """name -> class, as far as there is a peer for it here."""
    ways = {name: Text for name in Text.kinds}
    ways |= {"rtu": Rtu, "rtu-tcp": Rtu}
    if Supply:
        ways["modbus-tcp"] = Tcp
    return ways
