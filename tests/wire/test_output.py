#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Switching an output: what goes out on the wire, and in which order, before it is on;
what the gentle look finds; when it goes off by itself; that a hand at the supply and an
off that is asked for win. The supplies are written in another language than the daemon
(peers/switched_instrument.py) or simulated with modules on them."""
import json
import pathlib
import signal
import sys
import threading
import time
import unittest

from bench_process import (PATIENCE_S, ROOT, Daemon, Supply, config_text, main,
                           temporary_folder)

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent / "peers"))
from switched_instrument import SwitchedInstrument, SwitchedUnit  # noqa: E402

TYPE = {"name": "tank gauge", "nominal_voltage_V": 13.8, "current_limit_A": 2.0,
        "look_limit_A": 0.2, "limit_longest_s": 2.0}


def plain_profile(folder, name="plain", more="", rated="rated_voltage_V = 30\nrated_current_A = 5",
                  timeout_s=0.4):
    """A copy of the installed one with ratings, and a shorter patience."""
    text = (ROOT / "daemon" / "profiles" / "scpi.ini").read_text()
    text = text.replace("reply_timeout_s = 1", f"reply_timeout_s = {timeout_s}\n{rated}")
    path = folder / f"{name}.ini"
    path.write_text(text + more)
    return path


def wait(fits, what, timeout=PATIENCE_S):
    deadline = time.monotonic() + timeout
    while time.monotonic() < deadline:
        value = fits()
        if value:
            return value
        time.sleep(0.01)
    raise AssertionError(f"{what} did not come about")


class Bench(unittest.TestCase):
    """One output on a peer's supply, with the type on it."""
    loads = ("healthy",)
    type_more = {}
    options = {}
    control = "on"

    def setUp(self):
        self.folder_object = temporary_folder()
        self.addCleanup(self.folder_object.cleanup)
        self.folder = pathlib.Path(self.folder_object.name)
        self.peer, self.link = self.start_peer()
        self.output = self.peer.each[0]
        self.config = config_text(self.folder, {"left": (
            self.link, f"profile = {self.profile()}\ncontrol = {self.control}")})
        self.daemon = Daemon(self.folder, self.config)
        self.addCleanup(lambda: self.daemon.stop())
        self.prepare()

    def start_peer(self):
        peer = SwitchedInstrument(self.loads, **self.options)
        self.addCleanup(peer.stop)
        return peer, peer.start_tcp()

    def profile(self):
        return plain_profile(self.folder)

    def prepare(self):
        status, body = self.daemon.ask("POST", "module-types", {**TYPE, **self.type_more})
        self.assertIn(status, (200, 201), body)
        self.put_type()
        self.wait_reading()

    def put_type(self, name=TYPE["name"]):
        status, body = self.daemon.ask("PUT", "supplies/left/on-bench",
                                       {"module_type": name, "unit": None, "work_order": None,
                                        "stage": None})
        self.assertEqual(status, 200, body)

    def wait_reading(self, fits=lambda item: True):
        return self.daemon.wait_supply("left", lambda item: item["state"] == "reading" and
                                       item["voltage_V"] is not None and fits(item))

    def put(self, on, **more):
        return self.daemon.ask("PUT", "supplies/left/output", {"on": on, **more})

    def switch_on(self):
        status, body = self.put(True, hand="AB")
        self.assertEqual(status, 200, body)
        return body

    def log(self):
        return self.daemon.get("output-log")["items"]

    def wait_log(self, what):
        return wait(lambda: next((item for item in self.log() if item["what"] == what), None),
                    what)

    def order(self, *parts, after=0.0):
        """The messages hold these parts in this order, each after the one before."""
        messages = self.peer.messages(after)
        at = 0
        for part in parts:
            at = next((i + 1 for i in range(at, len(messages)) if part in messages[i]), None)
            self.assertIsNotNone(at, f"no {part} in its place: {messages[-80:]}")


class On(Bench):
    def test_set_and_read_back_before_on(self):
        item = self.switch_on()
        self.assertTrue(item["output_ours"])
        self.assertEqual((item["output_by"], item["output_hand"], item["output_last"]),
                         ("page", "AB", "on"))
        # The look at its limit, off, then in full; each limit before its voltage.
        self.order("CURR 0.2", "CURR?", "VOLT 13.8", "VOLT?", "OUTP ON", "OUTP?", "OUTP OFF",
                   "CURR 2", "CURR?", "VOLT 13.8", "VOLT?", "OUTP ON", "OUTP?")
        self.assertEqual([(on, limit) for _, on, _, limit in self.output.history],
                         [(True, 0.2), (False, 0.2), (True, 2.0)])
        self.assertEqual([entry["what"] for entry in reversed(self.log())],
                         ["looked", "set", "on"])
        # The answer says what is set now.
        self.assertEqual((item["voltage_set_V"], item["limit_set_A"]), (13.8, 2.0))
        # A power-up begins with the on in full, not with the look.
        wait(lambda: self.daemon.get("power-ups")["items"], "a power-up")
        self.assertEqual(len(self.daemon.get("power-ups")["items"]), 1)
        status, body = self.put(True)
        self.assertEqual(status, 409)
        self.assertIn("on already", body["detail"])
        status, body = self.put(False)
        self.assertEqual(status, 200, body)
        self.assertFalse(self.output.on)
        self.assertEqual(self.wait_log("off")["who"], "page")

    def test_what_it_cuts_off_is_refused(self):
        self.peer.most_volts = 12.0
        status, body = self.put(True)
        self.assertEqual(status, 409, body)
        self.assertIn("set to 13.8 V, reads back 12 V", body["detail"])
        self.assertEqual(self.output.history, [])
        self.assertEqual(self.wait_log("refused")["who"], "page")
        self.assertIn("reads back 12 V", self.wait_reading()["output_problem"])

    def test_ratings(self):
        for more, text in (({"nominal_voltage_V": 30.5}, "30.5 V is outside"),
                           ({"current_limit_A": 5.5}, "5.5 A is outside")):
            status, body = self.daemon.ask("POST", "module-types",
                                           {**TYPE, "name": "too much", **more})
            self.assertIn(status, (200, 201), body)
            self.put_type("too much")
            status, body = self.put(True)
            self.assertEqual(status, 409, body)
            self.assertIn(text, body["detail"])
        self.assertEqual(self.output.history, [])
        self.assertIsNone(self.peer.when("CURR 5.5"))
        self.assertIsNone(self.peer.when("VOLT 30.5"))

    def test_without_a_type_what_is_set_is_read_back(self):
        self.put_type(None)
        status, body = self.put(True)
        self.assertEqual(status, 200, body)
        self.assertEqual([entry[1:] for entry in self.output.history], [(True, 5.0, 1.0)])
        entry = self.wait_log("on")
        self.assertEqual((entry["voltage_V"], entry["limit_A"]), (5.0, 1.0))

    def test_an_output_that_does_not_obey(self):
        self.output.stuck_off = True
        status, body = self.put(True)
        self.assertEqual(status, 409, body)
        self.assertIn("still reads off", body["detail"])
        # It may come late: off is sent all the same.
        wait(lambda: self.peer.when("OUTP OFF"), "an off")

    def test_off_that_is_not_obeyed(self):
        self.switch_on()
        self.output.stuck_on = True
        status, body = self.put(False)
        self.assertEqual(status, 503, body)
        self.assertIn("use the switch on the supply", body["detail"])
        self.wait_reading(lambda item: item["off_wanted"])
        self.wait_log("off not confirmed")
        # It is tried again, and gets through.
        self.output.stuck_on = False
        self.wait_reading(lambda item: not item["off_wanted"] and not item["output_ours"])
        self.assertFalse(self.output.on)
        self.wait_log("off")

    def test_a_hand_at_the_supply_wins(self):
        self.switch_on()
        self.output.switch(False)
        entry = self.wait_log("off at the supply")
        self.assertEqual(entry["who"], "front panel")
        before = time.monotonic()
        self.output.set_voltage, self.output.load = 9.0, "heavy"
        self.output.switch(True)
        self.wait_log("on at the supply")
        self.assertFalse(self.wait_reading()["output_ours"])
        self.wait_log("set at the supply")
        # In current limit for longer than its type may: left alone.
        self.wait_reading(lambda item: item["limited"])
        time.sleep(TYPE["limit_longest_s"] + 0.5)
        for part in ("OUTP O", "VOLT ", "CURR "):
            self.assertIsNone(self.peer.when(part, before), part)
        self.assertTrue(self.output.on)
        status, body = self.put(False)
        self.assertEqual(status, 200, body)
        self.assertFalse(self.output.on)


class Guards(Bench):
    def test_a_limit_that_lasts(self):
        self.switch_on()
        begun = time.monotonic()
        self.output.load = "heavy"
        entry = self.wait_log("off")
        self.assertGreater(self.output.history[-1][0] - begun, TYPE["limit_longest_s"] - 0.1)
        self.assertEqual(entry["who"], "wakedraw")
        self.assertIn("s in current limit", entry["why"])
        self.assertFalse(self.output.on)
        self.assertIn("in current limit", self.wait_reading()["output_why"])

    def test_hold(self):
        self.switch_on()
        status, body = self.daemon.ask("PUT", "supplies/left/hold", {"on": True, "hand": "AB"})
        self.assertEqual(status, 200, body)
        before = time.monotonic()
        self.output.load = "heavy"
        self.wait_reading(lambda item: item["limited"])
        time.sleep(TYPE["limit_longest_s"] + 0.5)
        self.assertTrue(self.output.on)
        # Not even the end of the daemon switches it.
        self.daemon.stop()
        self.assertTrue(self.output.on)
        self.assertIsNone(self.peer.when("OUTP O", before))
        self.daemon = Daemon(self.folder, self.config, "again")
        self.wait_reading(lambda item: item["hold"])
        self.wait_log("found on")
        self.assertTrue(self.output.on)
        # A deliberate off does.
        status, body = self.put(False)
        self.assertEqual(status, 200, body)
        self.assertFalse(self.output.on)
        status, body = self.put(True)
        self.assertEqual(status, 409, body)
        self.assertFalse(self.output.on)

    def test_the_link_lost_and_back(self):
        self.switch_on()
        cut = time.monotonic()
        # Whoever is connected is thrown out; the supply itself goes on.
        self.peer.traps.close_at.update(range(self.peer.readings + 1, self.peer.readings + 3))
        entry = self.wait_log("off")
        self.assertEqual(entry["who"], "wakedraw")
        self.assertIn("the supply did not answer for", entry["why"])
        self.assertFalse(self.output.on)
        # Before anything is measured again.
        back = self.peer.when("*IDN?", cut)
        self.assertLess(self.peer.when("OUTP OFF", back), self.peer.when("MEAS:", back))

    def test_the_end_of_the_daemon(self):
        self.switch_on()
        self.daemon.stop()
        self.assertFalse(self.output.on)
        self.assertIsNotNone(self.peer.when("OUTP OFF"))

    def test_the_end_without_a_link(self):
        """It is opened once more for off, and what came of it is said."""
        self.switch_on()
        # Thrown out again and again: it is on by us, and never comes back for long.
        self.peer.drops_at = "*IDN?"
        self.peer.traps.close_at.add(self.peer.readings + 2)
        self.daemon.wait_supply("left", lambda item: item["state"] == "gone")
        self.assertTrue(self.output.on)
        self.daemon.stop()
        self.assertFalse(self.output.on)
        self.assertIn("off not confirmed by wakedraw, wakedraw stops",
                      (self.folder / "daemon.log").read_text())

    def test_the_end_in_the_midst_of_a_look(self):
        self.output.load = "short"
        asked = threading.Thread(target=self.put, args=(True,), daemon=True)
        asked.start()
        wait(lambda: self.output.on, "the look")
        self.daemon.stop()
        self.assertFalse(self.output.on)

    def test_a_hand_is_left_on_at_the_end(self):
        self.output.switch(True)
        self.wait_log("on at the supply")
        self.daemon.stop()
        self.assertTrue(self.output.on)

    def test_killed_and_started_again(self):
        self.switch_on()
        self.daemon.stop(signal.SIGKILL)
        self.assertTrue(self.output.on)
        self.daemon = Daemon(self.folder, self.config, "again")
        wait(lambda: not self.output.on, "off after the restart")
        self.wait_log("found on")
        self.assertEqual(self.wait_log("off")["who"], "wakedraw")


class Looks(Bench):
    type_more = {"limit_longest_s": 30.0}

    def look(self, load):
        self.output.load = load
        status, body = self.put(True)
        return status, body.get("detail")

    def test_short_and_reversed(self):
        for load, volts in (("short", "0.10 V"), ("reversed", "0.75 V")):
            before = len(self.output.history)
            status, detail = self.look(load)
            self.assertEqual(status, 409, detail)
            self.assertIn(f"at 0.200 A the feed stands at {volts}: short or reversed", detail)
            self.assertIn("left set to 13.8 V, 0.2 A", detail)
            self.assertEqual(self.daemon.supply("left")["limit_set_A"], 0.2)
            seen = self.output.history[before:]
            # On once, at the look's limit, and not for long.
            self.assertEqual([(on, limit) for _, on, _, limit in seen], [(True, 0.2),
                                                                         (False, 0.2)])
            self.assertFalse(self.output.on)
            self.assertIsNone(self.peer.when("CURR 2"))
            self.wait_reading(lambda item: item["output_doing"] is None)
        self.assertEqual(self.daemon.get("power-ups")["items"], [])

    def test_a_feed_that_sags_passes(self):
        # Draws 0.3 A, more than the look's limit lets through.
        status, detail = self.look("healthy")
        self.assertEqual(status, 200, detail)
        self.assertIn("the look's limit", self.wait_log("looked")["why"])

    def test_a_voltage_that_stands(self):
        self.output.holds_s = 60
        status, detail = self.look("healthy")
        self.assertEqual(status, 200, detail)
        self.assertIn("yet 3 s after it", self.wait_log("looked")["why"])


class LooksAtLowVoltage(Bench):
    type_more = {"look_voltage_V": 3.0}

    def test_low_voltage_first(self):
        self.switch_on()
        self.order("CURR 0.2", "VOLT 3", "OUTP ON", "OUTP OFF", "CURR 2", "VOLT 13.8", "OUTP ON")
        self.assertEqual(self.output.history[0][1:], (True, 3.0, 0.2))


class Untold(Bench):
    """A supply that does not say whether its output is on: its voltage shows it."""
    options = {"dialect": "terse"}

    def profile(self):
        return "terse"

    def start_peer(self):
        peer = SwitchedInstrument(("healthy", "none"), **self.options)
        self.addCleanup(peer.stop)
        peer.traps.terminator = b""
        return peer, peer.start_tcp()

    def test_on_and_off(self):
        self.switch_on()
        self.assertTrue(self.output.on)
        self.order("ISET1:0.2", "ISET1?", "VSET1:13.8", "VSET1?", "OUT1", "OUT0", "ISET1:2",
                   "ISET1?", "VSET1:13.8", "VSET1?", "OUT1")
        status, body = self.put(False)
        self.assertEqual(status, 200, body)
        self.assertFalse(self.output.on)
        # Off that does nothing is not believed.
        self.switch_on()
        self.output.stuck_on = True
        status, body = self.put(False)
        self.assertEqual(status, 503, body)
        self.assertIn("use the switch on the supply", body["detail"])


class OverModbus(Bench):
    """The switch is one bit of a register whose other bits are someone else's."""

    def start_peer(self):
        unit = SwitchedUnit()
        unit.each = [unit.output]
        self.addCleanup(unit.stop)
        return unit, f"modbus-rtu:{unit.path}?baud=9600&address=1"

    def profile(self):
        return "modbus-holding-u16"

    def test_on_and_off(self):
        self.switch_on()
        self.assertEqual([(on, limit) for _, on, _, limit in self.output.history],
                         [(True, 0.2), (False, 0.2), (True, 2.0)])
        self.assertEqual(self.peer.others, 0x00A4)
        status, body = self.put(False)
        self.assertEqual(status, 200, body)
        self.assertFalse(self.output.on)
        self.assertEqual(self.peer.others, 0x00A4)

    def test_off_where_the_register_cannot_be_read(self):
        self.switch_on()
        self.peer.mute = True
        before = time.monotonic()
        status, body = self.put(False)
        self.assertEqual(status, 503, body)
        self.assertFalse(self.output.on)
        # Sent blind, with the other bits as they were last.
        self.assertIsNotNone(self.peer.when_off(before))
        self.assertEqual(self.peer.others, 0x00A4)
        self.peer.mute = False
        self.wait_reading(lambda item: not item["off_wanted"] and not item["output_ours"])


class Modules(unittest.TestCase):
    """The look lets each of the Harbour Lane modules pass, and finds what is wrong."""

    def setUp(self):
        self.folder_object = temporary_folder()
        self.addCleanup(self.folder_object.cleanup)
        self.folder = pathlib.Path(self.folder_object.name)

    def bench(self, name, faults):
        """A supply with the module, and one more for each fault."""
        supplies = {}
        for fault in faults:
            key = f"{name}-{fault}"
            supplies[key] = Supply(self.folder, key, "--module", name, "--fault", fault)
            self.addCleanup(supplies[key].stop)
        return supplies

    def test_harbour_lane(self):
        names = sorted(path.stem for path in
                       (ROOT / "signatures" / "harbour-lane" / "modules").glob("*.ini"))
        self.assertGreater(len(names), 4)
        supplies = {}
        for name in names:
            supplies.update(self.bench(name, ("none", "short", "reversed")))
        daemon = Daemon(self.folder, config_text(self.folder, {
            key: (supply.link, "profile = scpi\ncontrol = on")
            for key, supply in supplies.items()}))
        self.addCleanup(lambda: daemon.stop())
        for name in names:
            told = {}
            for line in (ROOT / "signatures" / "harbour-lane" / "modules" /
                         f"{name}.ini").read_text().splitlines():
                key, _, value = line.partition("=")
                told.setdefault(key.strip(), value.strip())
            status, body = daemon.ask("POST", "module-types",
                                      {"name": name,
                                       "nominal_voltage_V": float(told["nominal_voltage_V"]),
                                       "current_limit_A": float(told["current_limit_A"])})
            self.assertIn(status, (200, 201), body)
        answers = {}

        def switch(key):
            name = key.rpartition("-")[0]
            daemon.wait_supply(key, lambda item: item["voltage_V"] is not None)
            daemon.ask("PUT", f"supplies/{key}/on-bench",
                       {"module_type": name, "unit": None, "work_order": None, "stage": None})
            answers[key] = daemon.ask("PUT", f"supplies/{key}/output", {"on": True})

        for key in supplies:
            switch(key)
        for key, (status, body) in answers.items():
            panel = json.loads(supplies[key].say("status"))
            if key.endswith("-none"):
                self.assertEqual(status, 200, (key, body))
                self.assertTrue(panel["output_on"], key)
            else:
                self.assertEqual(status, 409, (key, body))
                self.assertIn("short or reversed", body["detail"], key)
                self.assertFalse(panel["output_on"], key)
                # Full power was never set.
                limit = next(item for item in daemon.get("module-types")["items"]
                             if item["name"] == key.rpartition("-")[0])["current_limit_A"]
                self.assertLess(panel["set_limit_A"], limit, key)


if __name__ == "__main__":
    main()
