#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The register finder over the API: a link that a supply uses is refused, a finding is
led to a profile, what is out of turn or out of bounds is told, the link is free after."""
import pathlib
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent / "peers"))

from bench_process import PATIENCE_S, Daemon, config_text, main, run, temporary_folder
from panel_supply import PanelSupply

BODY = {"rated_voltage_V": 30, "rated_current_A": 5, "most_voltage_V": 24, "most_current_A": 3,
        "load": "resistor", "load_ohm": 8.2, "load_W": 60}


class FindTest(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.used, self.free = PanelSupply(11), PanelSupply(12)
        self.links = self.used.start_tcp(), self.free.start_tcp(rtu=True)
        self.addCleanup(self.used.stop)
        self.addCleanup(self.free.stop)
        self.daemon = Daemon(self.folder, config_text(self.folder, {
            "left": (self.links[0], "profile = modbus-holding-u16")}))
        self.addCleanup(self.daemon.stop)

    def begin(self, **more):
        return self.daemon.ask("POST", "register-finds",
                               {**BODY, "link": self.links[1], **more})

    def wait(self, place, states):
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            find = self.daemon.get(place)
            if find["state"] in states:
                return find
            time.sleep(0.02)
        raise AssertionError(f"not {states}: {find}")

    def test_refused(self):
        status, body = self.begin(link=self.links[0])
        self.assertEqual(status, 409)
        self.assertIn("supply left uses this link", body["detail"])
        for key, value, said in (("most_voltage_V", 31, "at most what the supply can give"),
                                 ("step_A", 0.1, "a fiftieth of the current allowed"),
                                 ("load_ohm", 5000, "draws too little"),
                                 ("link", "tcp:127.0.0.1:1", "modbus-rtu"),
                                 ("link", "modbus-tcp:x", "HOST:PORT"),
                                 ("from", 900, "below")):
            status, body = self.begin(**{key: value})
            self.assertEqual((status, key, said in body["detail"]), (422, key, True), body)
        for method, place, sent in (("GET", "register-finds/77", None),
                                    ("POST", "register-finds/77/steps", {"step": 1}),
                                    ("POST", "register-finds/77/profile", {"name": "x"}),
                                    ("POST", "register-finds/77/end", {})):
            self.assertEqual(self.daemon.ask(method, place, sent)[0], 404, place)

    def test_led_to_a_profile(self):
        status, find = self.begin()
        self.assertEqual((status, find["state"]), (201, "looking"))
        place = "register-finds/" + find["id"]
        status, body = self.begin()
        self.assertEqual((status, "already" in body["detail"]), (409, True), body)
        self.assertEqual(self.daemon.ask("POST", place + "/profile", {"name": "early"})[0], 409)
        steps = 0
        while True:
            find = self.wait(place, ("asking", "done", "failed"))
            if find["state"] != "asking":
                break
            step = find["step"]
            self.assertLessEqual(step["set_voltage_V"], 24)
            self.assertLessEqual(step["set_limit_A"], 3)
            with self.free.lock:
                self.free.set_V, self.free.set_A = step["set_voltage_V"], step["set_limit_A"]
                self.free.on, self.free.connected = step["output_on"], step["connected"]
            if steps == 1:
                status, body = self.daemon.ask("POST", place + "/steps", {"step": 9})
                self.assertEqual((status, "step 9" in body["detail"]), (409, True), body)
                self.daemon.ask("POST", place + "/steps", {"step": 2, "set_voltage_V": 29})
                find = self.wait(place, ("asking",))
                self.assertIn("at most the voltage allowed", find["problem"])
                self.assertEqual(find["step"]["number"], 2)
            status, _ = self.daemon.ask("POST", place + "/steps", {"step": step["number"]})
            self.assertEqual(status, 200)
            steps += 1
        self.assertEqual((find["state"], find["enough"]), ("done", True), find)
        self.assertEqual({item["state"] for item in find["findings"]}, {"found"}, find)
        self.assertLessEqual(set(self.free.functions), {3, 4})
        self.assertEqual(self.daemon.ask("POST", place + "/profile", {"name": "../x"})[0], 422)
        status, made = self.daemon.ask("POST", place + "/profile", {"name": "found"})
        self.assertEqual(status, 201, made)
        self.assertEqual(pathlib.Path(made["path"]).read_text(), made["text"])
        self.assertEqual(self.daemon.ask("POST", place + "/profile", {"name": "found"})[0], 409)
        # The link is free again, and the profile is found by its path.
        read = run("identify", "--profile", made["path"], "--readings", "2", self.links[1])
        self.assertEqual(read.returncode, 0, read.stderr)
        self.assertEqual(self.daemon.ask("POST", place + "/end", {})[0], 200)
        self.assertEqual(self.daemon.ask("GET", place)[0], 404)

    def test_ended_with_the_daemon(self):
        status, find = self.begin()
        self.assertEqual(status, 201, find)
        self.wait("register-finds/" + find["id"], ("asking",))
        begun = time.monotonic()
        self.assertEqual(self.daemon.stop(), 0)
        self.assertLess(time.monotonic() - begun, PATIENCE_S / 2)
        self.daemon = Daemon(self.folder, (self.folder / "daemon.ini").read_text())
        self.addCleanup(self.daemon.stop)


if __name__ == "__main__":
    main()
