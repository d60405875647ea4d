#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Bad moments: a disk that takes nothing in mid-capture, a supply that answers
but never with a reading, a terminal pulled and put back, a link that does not
fit its profile."""
import os
import pathlib
import resource
import time
import unittest

from bench_process import Daemon, config_text, is_off, main, run, temporary_folder
from test_hard_manners import RUN_A, Instrument


class Speechless(Instrument):
    """Says who it is, and nothing of use when it is asked to measure."""

    def __init__(self, answer, **manners):
        self.answer = answer
        super().__init__(**manners)

    def question(self, header):
        return self.answer if header.startswith("MEAS") else super().question(header)


class Bench(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)

    def start(self, supplies):
        self.daemon = Daemon(self.folder, config_text(self.folder, {
            name: (one.link, "profile = scpi") for name, one in supplies.items()}))
        self.addCleanup(self.daemon.stop)


class FullDisk(Bench):
    def test_what_ends_on_a_full_disk_is_incomplete_and_told_again_when_there_is_room(self):
        one = Instrument()
        self.start({"left": one})
        made = run("build-reference", "--type", "quick", "--out", self.folder / "quick.json",
                   "--range", f"{RUN_A - 0.05}:{RUN_A + 0.05}", "--watch", "6")
        self.assertEqual(made.returncode, 0, made.stderr)
        text = (self.folder / "quick.json").read_text()
        self.assertEqual(self.daemon.ask("POST", "references", text)[0], 201)
        self.assertEqual(self.daemon.ask("PUT", "supplies/left/on-bench", {
            "module_type": "quick", "unit": None, "work_order": None, "stage": None})[0], 200)
        self.daemon.wait_readings("left")
        events = self.daemon.events()
        self.addCleanup(events.close)
        one.turn(output=True)
        begun = self.daemon.wait_newest(lambda item: item["state"] == "open")
        pid = self.daemon.process.pid
        _, most = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        # Within the watch, however slow. Every file of the store is longer than this: no write is taken.
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (1, most))
        told = events.wait("verdict", lambda event: event["power_up"] == begun["id"])
        self.assertFalse(told["kept"])
        events.wait("power-up", lambda event: event["power_up"]["state"] != "open")
        status, health = self.daemon.ask("GET", "health")
        self.assertEqual((status, health["status"]), (503, "failing"))
        for method, path, body in (("PUT", "supplies/left/on-bench", {"unit": "HL-0007"}),
                                   ("POST", "units", {"serial": "HL-0007"})):
            status, problem = self.daemon.ask(method, path, body)
            self.assertEqual((status, problem["status"]), (507, 507), problem)
        self.assertIsNone(self.daemon.process.poll())
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, most))
        one.turn(output=False)
        ended = self.daemon.wait_newest(lambda item: item["ended_why"])
        self.assertEqual((ended["id"], ended["state"]), (begun["id"], "incomplete"))
        self.assertEqual(ended["verdict"], told["verdict"])
        self.assertTrue(events.wait("verdict", lambda event: event["kept"])["kept"])
        one.turn(output=True)
        self.daemon.wait_newest(lambda item: item["id"] != begun["id"] and
                                item["state"] == "complete")
        one.turn(output=False)
        after = self.daemon.wait_newest(lambda item: item["id"] != begun["id"] and item["ended_why"])
        self.assertEqual(after["state"], "complete")
        self.assertEqual(self.daemon.ask("GET", "health")[0], 200)


class Said(Bench):
    def test_a_supply_without_readings_says_why(self):
        self.start({"words": Speechless("banana"), "mute": Speechless(None)})
        for name, what in (("words", "not a number"), ("mute", "no answer to MEAS")):
            item = self.daemon.wait_supply(name, lambda item: item["problem"])
            self.assertIn(what, item["problem"])
            self.assertIn(item["link"], item["problem"])
            self.assertIsNone(item["current_A"])
        log = (self.folder / "daemon.log").read_text()
        self.assertEqual(log.count("banana") + log.count("not a number"), 1, log)

    def test_a_link_that_does_not_fit_is_said_with_its_line(self):
        for wrong, what in (("tcp:127.0.0.1:1\noutput = 2", "outputs 1 to 1"),
                            ("modbus-tcp:127.0.0.1:1", "speaks scpi")):
            path = self.folder / "wrong.ini"
            path.write_text(config_text(self.folder, {"left": (wrong, "profile = scpi")}))
            made = run("serve", "--config", path)
            self.assertEqual(made.returncode, 65, made.stderr)
            self.assertRegex(made.stderr, rf"^wakedraw: {path}:\d+: \[supply left\] .*{what}")
            self.assertEqual(made.stderr.count("\n"), 1)


class Terminal(Bench):
    def test_pulled_and_put_back_with_the_output_on(self):
        path = self.folder / "port"
        first = Instrument(path=str(path))
        self.start({"left": first})
        self.daemon.wait_readings("left")
        first.turn(output=True)
        self.daemon.wait_newest(lambda item: item["state"] == "open")
        time.sleep(1)
        second = Instrument(path=str(self.folder / "other"))
        path.unlink()
        os.close(first.slave)
        os.close(first.master)
        gone = self.daemon.wait_supply("left", lambda item: item["state"] == "gone")
        self.assertIn(str(path), gone["problem"])
        # The end of the watch is written first, the end of the on-time behind it.
        lost = self.daemon.wait_newest(lambda item: item["ended_why"])
        self.assertEqual((lost["state"], lost["ended_why"]), ("incomplete", "supply gone"))
        second.turn(output=True)
        os.rename(self.folder / "other", path)
        self.daemon.wait_readings("left")
        second.turn(output=False)
        self.daemon.wait_readings("left", fits=is_off)
        second.turn(output=True)
        again = self.daemon.wait_newest(lambda item: item["state"] == "open" and item["id"] != lost["id"])
        self.assertNotEqual(again["id"], lost["id"])


if __name__ == "__main__":
    main()
