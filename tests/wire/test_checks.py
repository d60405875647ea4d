#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The daily check of a supply over the API: what passes, what does not, what moved,
and the mark it leaves on verdicts."""
import datetime
import pathlib
import unittest

from bench_process import Daemon, Supply, config_text, main, temporary_folder

MODULE = "reefer-controller"


class Checks(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.supply = Supply(self.folder, "left", "--module", MODULE, "--seed", "9")
        self.addCleanup(self.supply.stop)
        self.daemon = Daemon(self.folder, config_text(
            self.folder, {"left": (self.supply.link, "profile = scpi")}))
        self.addCleanup(self.daemon.stop)
        self.daemon.wait_supply("left", lambda item: item["state"] == "reading")

    def check(self, zero=0.0005, current=0.2555, wanted=201, **more):
        body = {"zero": {"current_A": [zero] * 8},
                "resistors": [{"ohm": 47, "tolerance_percent": 1, "voltage_V": [12.0] * 8,
                               "current_A": [current] * 8}], "hand": "TM", **more}
        status, answer = self.daemon.ask("POST", "supplies/left/checks", body)
        self.assertEqual(status, wanted, answer)
        return answer

    def state(self):
        return self.daemon.get("supplies/left/checks")["state"]

    def power_up(self):
        """Caught and over; what it says of the bench."""
        earlier = {item["id"] for item in self.daemon.get("power-ups")["items"]}
        self.supply.say("output on")
        item = self.daemon.wait_newest(lambda item: item["id"] not in earlier)
        self.supply.say("output off")
        live = self.daemon.wait_newest(lambda item: item["ended_why"] is not None)
        self.daemon.wait_readings("left", fits=lambda item: item["voltage_V"] < 0.4)
        return live["bench"] if item else None

    def test_from_never_to_verified_to_failed(self):
        self.assertEqual(self.state(), "never")
        self.assertEqual(self.power_up()["state"], "never")
        made = self.check()
        self.assertTrue(made["passed"])
        self.assertAlmostEqual(made["resistors"][0]["expected_A"], 12 / 47)
        self.assertEqual(self.state(), "verified")
        self.assertEqual(self.power_up()["state"], "verified")
        status, answer = self.daemon.ask("PUT", "settings", {"check_every_h": 48})
        self.assertEqual(status, 200, answer)
        checks = self.daemon.get("supplies/left/checks")
        at, due = (datetime.datetime.fromisoformat(checks[key].replace("Z", "+00:00"))
                   for key in ("checked_at", "due_at"))
        self.assertAlmostEqual((due - at).total_seconds(), 48 * 3600, delta=0.01)
        self.assertFalse(self.check(current=0.30)["passed"])
        self.assertEqual(self.state(), "failed")
        self.assertEqual(self.power_up()["state"], "failed")

    def test_what_moved(self):
        for day in range(8):
            self.check(current=0.2555 + 0.0002 * (day % 3))
        self.assertEqual(self.daemon.get("supplies/left/checks")["findings"], [])
        for _ in range(6):
            self.check(current=0.2575)
        checks = self.daemon.get("supplies/left/checks")
        self.assertEqual(len(checks["items"]), 14)
        self.assertIn("gain", checks["findings"][0])
        resistor = next(chart for chart in checks["charts"] if chart["kind"] == "resistor")
        self.assertTrue(resistor["points"][-1]["signal"])
        self.assertFalse(resistor["points"][7]["signal"])

    def test_what_is_no_check(self):
        problem = self.check(wanted=422, zero="x")
        self.assertEqual(problem["field"], "zero")
        problem = self.check(wanted=422, check_standard={"power_up": "999"})
        self.assertEqual(problem["field"], "check_standard")
        problem = self.check(wanted=422, resistors=[{"ohm": -1}])
        self.assertEqual(problem["field"], "resistors")
        status, _ = self.daemon.ask("POST", "supplies/right/checks", {"zero": {}})
        self.assertEqual(status, 404)
        status, _ = self.daemon.ask("GET", "supplies/right/checks")
        self.assertEqual(status, 404)
        self.assertEqual(self.state(), "never")


if __name__ == "__main__":
    main()
