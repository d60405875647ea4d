#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A bad line, or a supply of bad manners, between the daemon and peers whose
readings tell which conversion they are of: over plain SCPI (TCP and terminal),
a selected output, a channel list, the terse dialect, Modbus RTU, RTU framing over
TCP and Modbus TCP. After each fault every reading is right (value and instant) or
absent; polling comes back by itself; the fault is counted and shown.

What no client can tell, and what is not tried here: a digit of an SCPI line that
became another digit. A line has no checksum; parity on the line is the guard
(parity=even in the link). A digit too many, or one that got lost, is told by the
form in which a supply writes its numbers, and by nothing else where a supply
writes them as short as they go.

The seed is printed; WAKEDRAW_TEST_SEED gives another. How fast polling comes back
counts as skipped where it fails on a machine that has other work."""

import os
import pathlib
import random
import re
import subprocess
import sys
import time
import unittest

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from bench_process import PATIENCE_S, Daemon, config_text, main, temporary_folder  # noqa: E402
from checks import PROGRAM, busy, read  # noqa: E402
import fault_ways  # noqa: E402
from fault_ways import TIMEOUT_S, all_ways  # noqa: E402
from fault_line import faults_of  # noqa: E402

SEED = int(os.environ.get("WAKEDRAW_TEST_SEED", random.randrange(10**6)))
# Nothing need be noticed of these: the reading is right all the same. A Modbus frame
# too many is thrown away before the next question, and over TCP passed over by its
# number.
HARMLESS = {"echo", "in_time", "half_then_rest", "doubled", "doubled_later"}
# Longest without a reading after the last byte of a fault: two reply times to be
# sure that nothing more comes, one for what is asked to get into step, and rounds.
BACK_S = 3 * TIMEOUT_S + 0.8
COUNTERS = ("timeouts", "garbled", "resynchronised", "supply_errors")


class Bench(unittest.TestCase):
    """The daemon with one supply for each way, all read at 40 a second."""

    names = None

    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        print("seed", SEED)
        ways = all_ways()
        if "modbus-tcp" not in ways:
            print("without python3-pymodbus (%s): Modbus TCP not tried" % fault_ways.NO_SERVER)
        self.ways = {name: ways[name](str(self.folder), name, SEED + 10**6 * number)
                     for number, name in enumerate(self.names or ways) if name in ways}
        for way in self.ways.values():
            self.addCleanup(way.stop)
        self.daemon = Daemon(self.folder, config_text(self.folder, {
            name: (way.link, "profile = %s\nrate_hz = 40" % way.profile)
            for name, way in self.ways.items()}))
        self.addCleanup(self.daemon.stop)
        self.events = self.daemon.events()
        self.addCleanup(self.events.close)
        self.readings = {name: [] for name in self.ways}
        self.came_s = {name: 0.0 for name in self.ways}
        self.longest_s = {}
        self.wait_reading()

    def take(self):
        """What the live stream brought of readings."""
        while not self.events.items.empty():
            name, data, at_s = self.events.items.get()
            if name != "reading" or data["supply"] not in self.readings:
                continue
            for time_s, volts, amperes in zip(data["time_s"], data["voltage_V"],
                                              data["current_A"]):
                if volts is not None and amperes is not None:
                    self.readings[data["supply"]].append(
                        {"time_s": time_s, "voltage_V": volts, "current_A": amperes})
                    self.came_s[data["supply"]] = at_s

    def wait(self, what, fits):
        deadline = time.monotonic() + PATIENCE_S
        while not fits():
            if time.monotonic() > deadline:
                told = [{key: item[key] for key in ("name", "state", "problem", "readings") + COUNTERS}
                        for item in self.daemon.get("supplies")["items"]]
                self.fail("it did not come about: %s: %s" % (what, told))
            time.sleep(0.01)
            self.take()

    def wait_reading(self, more=4, names=None):
        names = names or list(self.ways)
        before = {name: len(self.readings[name]) for name in names}
        for name in names:
            self.wait("readings of " + name,
                      lambda name=name: len(self.readings[name]) >= before[name] + more)

    def counters(self):
        return {item["name"]: {key: item[key] for key in COUNTERS}
                for item in self.daemon.get("supplies")["items"]}

    def check_right(self):
        for name, way in self.ways.items():
            with self.subTest(name):
                self.assertGreater(len(self.readings[name]), 20)
                wrong = way.wrong(self.readings[name])
                self.assertEqual(wrong[:3], [], "%d of %d readings wrong" % (
                    len(wrong), len(self.readings[name])))

    def check_only_asked(self):
        for name, way in self.ways.items():
            for _, request in way.line.requests:
                if way.line.framing.text:
                    for part in request.decode("latin-1").split(";"):
                        word = part.strip().split(" ")[0]
                        self.assertTrue(word.endswith("?") or word.upper() == "*CLS",
                                        (name, request))
                else:
                    self.assertIn(way.line.framing.pdu(request)[0], (1, 2, 3, 4), (name, request))


class Single(Bench):
    """Each fault once, at every supply at the same time."""

    def applies(self, fault):
        return [name for name, way in self.ways.items() if fault in faults_of(way.line.framing)]

    def once(self, fault, times=1, where=None):
        names = self.applies(fault) or list(self.ways)
        before, done = self.counters(), {}
        for name in names:
            done[name] = len(self.ways[name].line.done)
            self.ways[name].line.arm(fault, times, where)
        over_s = {}
        for name in names:
            line = self.ways[name].line

            def through(name=name, line=line):
                over = line.through() and len(line.done) > done[name]
                if line.path and line.front < 0:
                    line.replug()  # it was dropped: put in again
                return over
            self.wait("%s at %s" % (fault, name), through)
            line.calm()
            over_s[name] = time.monotonic()
        fresh = {name: len(self.readings[name]) for name in names}
        for name in names:
            self.wait("%s over at %s" % (fault, name),
                      lambda name=name: len(self.readings[name]) > fresh[name])
            back_s = self.came_s[name] - over_s[name]
            self.longest_s[fault] = max(self.longest_s.get(fault, 0), back_s)
        self.wait_reading(names=names)
        # The board is written every half second, and on each change of the link.
        for name in names:
            if fault in HARMLESS or fault == "dropped":
                continue
            self.wait("%s counted at %s" % (fault, name), lambda name=name: sum(
                self.counters()[name][key] - before[name][key] for key in COUNTERS) > 0)

    def test_every_reading_is_right_or_absent_and_polling_comes_back(self):
        faults = []
        for way in self.ways.values():
            faults += [fault for fault in faults_of(way.line.framing) if fault not in faults]
        for fault in faults:
            self.once(fault)
        self.once("previous", 6, lambda _request: True)
        self.once("busy")
        self.take()
        self.check_right()
        self.check_only_asked()
        late = {fault: back_s for fault, back_s in self.longest_s.items() if back_s > BACK_S}
        print("back after at most", {fault: round(back_s, 2) for fault, back_s in
                                     sorted(self.longest_s.items(), key=lambda item: -item[1])[:5]})
        # A pause doubles with each attempt to open.
        for fault in ("previous", "busy", "dropped"):
            self.assertLess(self.longest_s[fault], PATIENCE_S)
            late.pop(fault, None)
        if late and busy():
            self.skipTest("the machine has other work, no time can be told: %s" % late)
        self.assertEqual(late, {})


class Lasting(Bench):
    """What goes on for a while is said in words, and is over when it is over."""

    names = ("plain", "terse", "rtu", "modbus-tcp")
    said = {
        "silent": {"plain": "no answer|not come back into step", "terse": "no answer|into step",
                   "rtu": "unit 1 does not", "modbus-tcp": "unit 1 does not answer"},
        "garbage": {"plain": "noise|not a reading|into step|nobody asked|same answer|no whole line",
                    "terse": "noise|not a reading|into step|nobody asked|same answer",
                    "rtu": "unit 1 answers garbled|into step",
                    "modbus-tcp": "unit 1 answers garbled|into step"},
        "previous": {"plain": "into step|not a reading|no answer",
                     "terse": "into step|not a reading|no answer",
                     "rtu": "into step|garbled|does not answer",
                     "modbus-tcp": "unit 1 does not answer"},
        "exception_busy": {"rtu": "unit 1 answers: Server device busy",
                           "modbus-tcp": "unit 1 answers: Server device busy"},
        "wrong_unit": {"rtu": "unit 1 answers garbled|into step",
                       "modbus-tcp": "unit 1 answers garbled|into step"},
        "bad_crc": {"rtu": "unit 1 answers garbled|into step|does not answer"},
    }

    def test_it_is_said_and_over_when_it_is_over(self):
        for fault, words in self.said.items():
            names = [name for name in words if name in self.ways]
            for name in names:
                self.ways[name].line.arm(fault, None, lambda _request: True)
            for name in names:
                item = self.daemon.wait_supply(name, lambda item: item["problem"])
                with self.subTest(fault=fault, supply=name):
                    self.assertRegex(item["problem"], words[name])
                    self.assertIn(self.ways[name].link, item["problem"])
            for name in names:
                self.ways[name].line.calm()
            self.wait_reading(names=names)
            for name in names:
                item = self.daemon.wait_supply(name, lambda item: not item["problem"])
                self.assertEqual(item["state"], "reading")
        self.check_right()
        self.check_only_asked()


class Unplugged(Bench):
    """The link goes at each bad moment, and comes back, a terminal by another name."""

    names = ("plain", "terminal", "terse", "rtu", "modbus-tcp")

    def pull(self, name):
        self.ways[name].line.unplug()
        item = self.daemon.wait_supply(name, lambda item: item["state"] == "gone")
        self.assertRegex(item["problem"], re.escape(self.ways[name].link.split("?")[0]))

    def put_in(self, name):
        self.ways[name].line.replug()

    def wait_sent(self, name, fits):
        line = self.ways[name].line
        begun = len(line.requests)
        self.wait("a message of " + name, lambda: any(
            fits(request) for _, request in line.requests[begun:]))

    def test_in_each_state(self):
        # While it is read, in the middle of a question.
        for name in self.ways:
            self.pull(name)
        time.sleep(0.5)
        for name in self.ways:
            self.put_in(name)
        self.wait_reading()
        # In the middle of an answer.
        for name, way in self.ways.items():
            way.line.arm("half")
            self.wait("half an answer", way.line.through)
            way.line.unplug()
        for name in self.ways:
            self.put_in(name)
        self.wait_reading()
        # While it is being opened: at its first messages.
        for name in self.ways:
            self.pull(name)
            self.put_in(name)
            self.wait_sent(name, lambda _request: True)
            self.pull(name)
        for name in self.ways:
            self.put_in(name)
        self.wait_reading()
        # While it is getting back into step.
        for name, way in self.ways.items():
            way.line.arm("silent")
            self.wait("silence", way.line.through)
            self.wait_sent(name, lambda _request: True)
            way.line.unplug()
        time.sleep(0.2)
        for name in self.ways:
            self.put_in(name)
        self.wait_reading()
        for name, way in self.ways.items():
            if way.line.path:
                self.assertGreaterEqual(way.line.terminals, 6)
        self.check_right()
        self.check_only_asked()


class TwoOnOnePort(Bench):
    names = ("terminal", "rtu")

    def test_the_second_is_refused_and_gets_its_turn(self):
        for name, way in self.ways.items():
            run = read(way.link, 5, way.profile)
            self.assertEqual(run.status, 69, (run.status, run.error))
            self.assertIn("in use by another process", run.error)
            self.wait_reading(names=[name])
        # The other way round: the daemon comes second.
        for name, way in self.ways.items():
            way.line.unplug()
            self.daemon.wait_supply(name, lambda item: item["state"] == "gone")
            way.line.replug(hidden=True)
            first = subprocess.Popen([PROGRAM, "identify", "--profile", way.profile, "--readings",
                                      "1e6", way.link.replace(way.line.path, way.line.hidden())],
                                     stdout=subprocess.DEVNULL)
            begun = len(way.line.requests)
            self.wait("the first", lambda way=way: len(way.line.requests) > begun + 20)
            way.line.show()
            item = self.daemon.wait_supply(
                name, lambda item: "in use" in (item["problem"] or ""))
            self.assertIn("in use by another process", item["problem"])
            first.kill()
            first.wait()
            self.wait_reading(names=[name])
        self.check_right()

    def test_one_who_knows_no_locks_takes_bytes_away(self):
        """It reads some of what was meant for the daemon, and asks in between."""
        for name, way in self.ways.items():
            question = b"MEAS:CURR?\n" if way.line.framing.text else \
                way.line.framing.with_pdu(b"\x01", bytes((3, 0, 16, 0, 3)))
            before = sum(self.counters()[name].values())
            other = os.open(os.path.realpath(way.line.path), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                for _ in range(12):
                    os.write(other, question)
                    until = time.monotonic() + 0.04
                    while time.monotonic() < until:
                        try:
                            os.read(other, 7)
                        except BlockingIOError:
                            time.sleep(0.001)
            finally:
                os.close(other)
            self.wait_reading(names=[name])
            # On a line of frames what is stale is thrown away before each question.
            if way.line.framing.text:
                self.wait("it is counted", lambda name=name, before=before:
                          sum(self.counters()[name].values()) > before)
        self.check_right()


class Random(Bench):
    """Faults at any answer, whatever was asked, for a while."""

    # A fault that needs the reply time to be told costs so much of it: fewer of them.
    wanted = 500
    share = 0.01

    def test_soak(self):
        for name, way in self.ways.items():
            way.line.at_random(self.share)
        counted = self.counters()
        for name in self.ways:
            wanted = self.wanted // 3 if name == "terse" else self.wanted
            self.wait("readings of " + name,
                      lambda name=name, wanted=wanted: self.revive() or
                      len(self.readings[name]) >= wanted)
        for way in self.ways.values():
            way.line.calm()
        self.revive()
        self.wait_reading()
        self.check_right()
        self.check_only_asked()
        fired = sum(len(way.line.done) for way in self.ways.values())
        after = self.counters()
        counted = sum(after[name][key] - counted[name][key] for name in self.ways
                      for key in ("timeouts", "garbled", "supply_errors"))
        print("%d readings, %d faults, %d counted" % (
            sum(len(readings) for readings in self.readings.values()), fired, counted))
        self.assertGreater(fired, 5)
        self.assertGreater(counted, 0)

    def revive(self):
        for way in self.ways.values():
            if way.line.path and way.line.front < 0:
                way.line.replug()


class RandomWorse(Random):
    """One answer in ten."""

    wanted = 120
    share = 0.1


if __name__ == "__main__":
    main()
