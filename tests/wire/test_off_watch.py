#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A stop-watch from the request that switches an output off to the message that does
so, as it arrives at the supply's end of the line: 100 ms, and where an answer is
outstanding no more than the reply time that the profile allows for it. On a sound line
and on bad ones, over SCPI on TCP and a terminal, the terse dialect, a selected output
with another one selected, Modbus RTU and RTU framing over TCP.

The times count as skipped where one is missed on a machine that has other work. That
the message goes out, and the output off, is checked in any case."""

import os
import pathlib
import random
import sys
import threading
import time
import unittest

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from bench_process import PATIENCE_S, ROOT, Daemon, config_text, main, temporary_folder  # noqa: E402
from checks import busy  # noqa: E402
from fault_line import FaultLine, Framing  # noqa: E402
from scpi_instrument import Traps  # noqa: E402
from switched_instrument import SwitchedInstrument, SwitchedUnit  # noqa: E402

# A peer that answers without pause must not keep the one who touches Off from running: threads of
# this process take turns that often.
sys.setswitchinterval(0.0002)

SEED = int(os.environ.get("WAKEDRAW_TEST_SEED", random.randrange(10**6)))
TIMEOUT_S = 0.4
TOUCH_S = 0.1
# What is armed, how long before the request at most, whether answers are waited for.
LINES = {
    "sound": (None, 0.3, False),
    "silence": ("silent", 0.6, True),
    "garbage": ("garbage", 0.25, True),
    "slow": ("in_time", 1.2, True),
    "half": ("half", 0.6, True),
    "previous": ("previous", 1.0, True),
    "late": ("late", 1.0, True),
}
# Tried over some of the ways at a time.
SOME = ("garbage", "half", "previous", "late")


class Way:
    def __init__(self, folder, name, base, kind, dialect="plain"):
        self.name, self.off = name, b"OUT0" if dialect == "terse" else b"OUTP OFF"
        terminal = kind in ("serial", "modbus-rtu")
        if "modbus" in kind:
            self.peer = SwitchedUnit()
            self.output, peer, framing = self.peer.output, self.peer.path, Framing("rtu", b"")
        else:
            terse = dialect == "terse"
            self.peer = SwitchedInstrument(
                ("healthy", "none"), dialect=dialect,
                traps=Traps(terminator=b"" if terse else b"\n"))
            self.output = self.peer.each[0]
            peer = self.peer.start_pty() if terminal else self.peer.start_tcp()
            framing = Framing("bursts", b"") if terse else Framing("lines")
        text = (ROOT / "daemon" / "profiles" / (base + ".ini")).read_text()
        lines = [line for line in text.splitlines() if not line.startswith("reply_timeout_s")]
        lines.insert(lines.index("[supply]") + 1, "reply_timeout_s = %g" % TIMEOUT_S)
        self.profile = folder / (name + ".ini")
        self.profile.write_text("\n".join(lines) + "\n")
        self.line = FaultLine(framing, peer, str(folder / (name + "-port")) if terminal else "tcp",
                              SEED, TIMEOUT_S)
        self.link = "%s:%s" % (kind, self.line.place())
        if kind == "modbus-rtu":
            self.link += "?baud=115200"

    def is_off(self, message):
        if self.line.framing.text:
            return self.off in message
        pdu = self.line.framing.pdu(message)
        return pdu[0] == 6 and pdu[1:3] == b"\x00\x02" and not pdu[4] & 1

    def off_s(self, after_s):
        """When the first such message came after that; None: none has."""
        return next((at for at, message in list(self.line.requests)
                     if at >= after_s and self.is_off(message)), None)

    def stop(self):
        self.line.stop()
        self.peer.stop()


WAYS = {
    "plain": ("scpi", "tcp"), "terminal": ("scpi", "serial"), "terse": ("terse", "serial", "terse"),
    "selected": ("scpi-nselect", "tcp", "nselect"), "rtu": ("modbus-holding-u16", "modbus-rtu"),
    "rtu-tcp": ("modbus-holding-u16", "modbus-rtu-tcp"),
}


class Bench(unittest.TestCase):
    names = tuple(WAYS)

    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        print("seed", SEED)
        self.random = random.Random(SEED)
        self.ways = {name: Way(self.folder, name, *WAYS[name]) for name in self.names}
        for way in self.ways.values():
            self.addCleanup(way.stop)
        supplies = {name: (way.link, "profile = %s\ncontrol = on\nrate_hz = 40" % way.profile)
                    for name, way in self.ways.items()}
        if "selected" in self.ways:
            way = self.ways["selected"]
            supplies["beside"] = (way.link, "profile = %s\noutput = 2\ncontrol = on\nrate_hz = 40" %
                                  way.profile)
        self.daemon = Daemon(self.folder, config_text(self.folder, supplies))
        self.addCleanup(self.daemon.stop)
        self.times = {}

    def wait(self, what, fits):
        deadline = time.monotonic() + PATIENCE_S
        while True:
            found = fits()
            if found:
                return found
            if time.monotonic() > deadline:
                self.fail("it did not come about: %s: %s" % (what, [
                    (item["name"], item["state"], item["problem"], item["output_on"],
                     item["off_wanted"], item["output_problem"])
                    for item in self.daemon.get("supplies")["items"]]))
            time.sleep(0.005)

    def switch_on_by_hand(self, way):
        """On, read as on, nothing wanted of it any more."""
        way.output.set_voltage, way.output.set_limit = 13.8, 2.0
        self.daemon.wait_supply(way.name, lambda item: item["state"] == "reading" and
                                not item["off_wanted"])
        way.output.switch(True)
        self.daemon.wait_supply(way.name, lambda item: item["state"] == "reading" and
                                item["voltage_V"] is not None and item["voltage_V"] > 10 and
                                not item["off_wanted"])

    def put_off(self, way):
        """Asks from a thread of its own; (instant, thread, what it was answered)."""
        told = []
        thread = threading.Thread(target=lambda: told.append(
            self.daemon.ask("PUT", "supplies/%s/output" % way.name, {"on": False})))
        begun_s = time.monotonic()
        thread.start()
        return begun_s, thread, told

    def watch(self, way, line_name, allowed_s):
        begun_s, thread, told = self.put_off(way)
        off_s = self.wait("off at %s, %s" % (way.name, line_name),
                          lambda: way.off_s(begun_s)) - begun_s
        self.times.setdefault(line_name, []).append((off_s, allowed_s, way.name))
        way.line.calm()
        thread.join(PATIENCE_S)
        self.assertTrue(told, "no answer to the request: %s, %s" % (way.name, line_name))
        status, body = told[0]
        self.assertIn(status, (200, 503), body)
        if status == 503:
            self.assertIn("use the switch on the supply", body["detail"])
        self.wait("%s off, %s" % (way.name, line_name), lambda: not way.output.on)
        return status

    def check_times(self):
        for name, found in self.times.items():
            print("%s: %.0f ms at most, of %.0f" % (name, 1e3 * max(found)[0], 1e3 * max(
                allowed_s for _, allowed_s, _ in found)))
        late = {name: [item for item in found if item[0] > item[1]]
                for name, found in self.times.items()}
        late = {name: items for name, items in late.items() if items}
        if late and busy():
            self.skipTest("the machine has other work, no time can be told: %s" % late)
        self.assertEqual(late, {})


class OnTheLine(Bench):
    def one(self, way, line_name):
        fault, longest_s, waits = LINES[line_name]
        self.switch_on_by_hand(way)
        if fault:
            way.line.arm(fault, None, lambda _request: True)
        time.sleep(self.random.uniform(0, longest_s))
        status = self.watch(way, line_name, TOUCH_S + (TIMEOUT_S if waits else 0))
        if line_name == "sound":
            self.assertEqual(status, 200)

    def test_off_goes_out_at_once(self):
        for line_name in LINES:
            ways = list(self.ways.values())
            if line_name in SOME:
                ways = self.random.sample(ways, 3)
            for way in ways:
                with self.subTest(line=line_name, way=way.name):
                    self.one(way, line_name)
        self.check_times()


class WhileOpening(Bench):
    """The link is there, and it is being found out who is at its end."""

    names = ("plain", "rtu-tcp")

    def test_off_goes_out_at_once(self):
        for way in self.ways.values():
            for _ in range(4):
                with self.subTest(way=way.name):
                    self.one(way)
        self.check_times()

    def one(self, way):
        self.switch_on_by_hand(way)
        while True:
            way.line.unplug()
            self.daemon.wait_supply(way.name, lambda item: item["state"] == "gone")
            way.line.arm("late", None, lambda _request: True)
            heard = len(way.line.requests)
            way.line.replug()
            self.wait("opening", lambda: len(way.line.requests) > heard)
            time.sleep(self.random.uniform(0, 0.1))
            if way.line.front >= 0:
                break
            way.line.calm()
        self.watch(way, "opening", TOUCH_S + TIMEOUT_S)


class NoLink(Bench):
    """Nothing can be sent: that is said, and off is what goes out first when the supply
    is back."""

    names = ("plain", "terminal", "rtu")

    def test_off_goes_out_first_when_it_is_back(self):
        for way in self.ways.values():
            with self.subTest(way=way.name):
                self.switch_on_by_hand(way)
                way.line.unplug()
                self.daemon.wait_supply(way.name, lambda item: item["state"] == "gone")
                status, body = self.daemon.ask("PUT", "supplies/%s/output" % way.name,
                                               {"on": False})
                self.assertEqual(status, 503, body)
                self.assertIn("use the switch on the supply", body["detail"])
                self.assertTrue(self.daemon.supply(way.name)["off_wanted"])
                heard = len(way.line.requests)
                way.line.replug()
                self.wait("off", lambda: not way.output.on)
                requests = [message for _, message in way.line.requests[heard:]]
                first = next(i for i, message in enumerate(requests) if way.is_off(message))
                if way.line.framing.text:
                    self.assertFalse(any(way.line.framing.is_reading(message)
                                         for message in requests[:first]), requests[:first])
                self.assertLessEqual(first, 6, requests[:first])
                self.daemon.wait_supply(way.name, lambda item: not item["off_wanted"])


class Switching(Bench):
    """The link goes at any moment of switching on: what is on then goes off when the
    supply is back, as nobody looked after it meanwhile."""

    names = ("plain", "terminal", "rtu")

    def one(self, way):
        way.output.set_voltage, way.output.set_limit = 13.8, 2.0
        self.daemon.wait_supply(way.name, lambda item: item["state"] == "reading" and
                                item["output_on"] is False and not item["off_wanted"])
        told = []
        thread = threading.Thread(target=lambda: told.append(
            self.daemon.ask("PUT", "supplies/%s/output" % way.name, {"on": True})))
        thread.start()
        time.sleep(self.random.uniform(0, 0.5))
        way.line.unplug()
        thread.join(PATIENCE_S)
        self.assertTrue(told)
        self.assertIn(told[0][0], (200, 409, 503), told)
        self.daemon.wait_supply(way.name, lambda item: item["state"] == "gone")
        self.went_on += way.output.on
        way.line.replug()
        self.wait("off again", lambda: not way.output.on)
        self.daemon.wait_supply(way.name, lambda item: item["state"] == "reading" and
                                item["output_on"] is False and not item["output_ours"])
        self.assertFalse(way.output.on)

    def test_the_link_goes_while_it_is_switched_on(self):
        self.went_on = 0
        for _ in range(4):
            for way in self.ways.values():
                with self.subTest(way=way.name):
                    self.one(way)
        print("on when the link went: %d of 12" % self.went_on)


if __name__ == "__main__":
    main()
