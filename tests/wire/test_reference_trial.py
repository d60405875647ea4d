#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""References made from stored power-ups: tried out, published, gone back to."""
import json
import pathlib
import unittest

from bench_process import main, temporary_folder
from stored_bench import MODULE, StoredBench

SEED = 20260211


class Trial(unittest.TestCase):
    """Four good units of three power-ups each, and one whose final draw is 10 % low;
    all were judged by a stated range so wide that it called every one good. And one
    that came up under heat, which is unsure and stays so."""

    @classmethod
    def setUpClass(cls):
        print(f"seed {SEED}")
        cls.folder_object = temporary_folder()
        cls.addClassCleanup(cls.folder_object.cleanup)
        bench = StoredBench(pathlib.Path(cls.folder_object.name), SEED)
        bench.teach_range(0.30, 0.50)
        for u in range(4):
            factor = bench.dice.gauss(1, 0.006)
            for k in range(3):
                bench.add(f"HL-010{u}", "final", f"2026-02-0{1 + u}T09:0{k}:00Z", factor)
        for k in range(3):
            bench.add("HL-0190", "intake", f"2026-02-06T09:0{k}:00Z", 1.0, 0.9)
        bench.add("HL-0191", "heat check", "2026-02-07T09:00:00Z")
        cls.daemon = bench.start()
        cls.addClassCleanup(cls.daemon.stop)
        cls.items = cls.daemon.get("power-ups?limit=100")["items"]

    def ids(self, *units):
        return [item["id"] for item in self.items if item["unit"] in units]

    def trial(self, **wish):
        return self.daemon.ask("POST", "reference-trials", {"module_type": MODULE, **wish})

    def test_what_would_change(self):
        good = [f"HL-010{u}" for u in range(4)]
        status, trial = self.trial(power_ups=self.ids(*good), set_up="bench harness 1")
        self.assertEqual(status, 200, trial)
        self.assertEqual(trial["judged"], 16)
        warm = self.daemon.get("power-ups?unit=HL-0191")["items"][0]["verdict"]
        self.assertEqual(warm["reasons"][0]["code"], "under_heat")
        self.assertFalse(trial["left_out"])
        reference = trial["reference"]
        newest = self.daemon.get("references")["items"][0]["version"]
        self.assertEqual(reference["version"], newest + 1)
        self.assertEqual(reference["set_up"], "bench harness 1")
        self.assertEqual(reference["taught_by"]["units"], 4)
        self.assertEqual(len(reference["phases"]), 3)
        self.assertTrue(reference["final"]["low_A"] < 0.40 < reference["final"]["high_A"])
        self.assertTrue(trial["claims"])
        changed = {(change["unit"], change["was"], change["would_be"])
                   for change in trial["changes"]}
        self.assertEqual(changed, {("HL-0190", "good", "bad")})
        self.assertEqual(len(trial["changes"]), 3)
        self.assertIn("settles", trial["changes"][0]["reason"])
        # Nothing of it is kept.
        self.assertEqual(self.daemon.get("references")["items"][0]["version"], newest)

    def test_a_known_good_that_is_not_is_named(self):
        units = [f"HL-010{u}" for u in range(4)] + ["HL-0190"]
        status, trial = self.trial(power_ups=self.ids(*units))
        self.assertEqual(status, 200, trial)
        said = [claim for claim in trial["claims"] if "HL-0190" in claim]
        self.assertTrue(said, trial["claims"])

    def test_publish_and_go_back(self):
        status, trial = self.trial(power_ups=self.ids("HL-0100", "HL-0101"))
        self.assertEqual(status, 200, trial)
        status, made = self.daemon.ask("POST", "references", trial["reference"])
        self.assertEqual(status, 201, made)
        self.assertEqual(made["version"], trial["reference"]["version"])
        first = self.daemon.get("references")["items"][-1]
        status, back = self.daemon.ask("POST", f"references/{first['id']}/restore", {})
        self.assertEqual(status, 201, back)
        self.assertEqual(back["version"], made["version"] + 1)
        self.assertTrue(back["range_only"])
        newest = self.daemon.get(f"references?module_type={MODULE}&limit=1")["items"][0]
        self.assertEqual(newest["id"], back["id"])
        status, text = self.daemon.ask("GET", f"references/{back['id']}/file")
        self.assertEqual(status, 200)
        self.assertEqual(text["taught_by"]["stated_range_A"], [0.3, 0.5])

    def test_a_stated_range_alone(self):
        status, trial = self.daemon.ask("POST", "module-types", {"name": MODULE, "watch_s": 6})
        self.assertEqual(status, 200, trial)
        status, trial = self.trial(range={"low_A": 0.38, "high_A": 0.42})
        self.assertEqual(status, 200, trial)
        self.assertEqual(trial["reference"]["watch_s"], 6)
        self.assertEqual(trial["reference"]["taught_by"]["units"], 0)
        self.assertEqual({change["unit"] for change in trial["changes"]}, {"HL-0190"}, trial["changes"])

    def check_refused(self, field, **wish):
        status, problem = self.trial(**wish)
        self.assertEqual(status, 422, problem)
        self.assertEqual(problem["field"], field, problem)
        return problem["detail"]

    def test_what_cannot_teach(self):
        self.check_refused("power_ups", power_ups=[])
        self.check_refused("power_ups", power_ups=["no"])
        self.assertIn("not here", self.check_refused("power_ups", power_ups=["99999"]))
        self.check_refused("range", range={"low_A": 2, "high_A": 1})
        self.check_refused("range", range={"low_A": 1})
        self.check_refused("power_ups", power_ups={"a": 1})
        self.check_refused("colour", power_ups=self.ids("HL-0100"), colour="x")
        status, problem = self.daemon.ask("POST", "reference-trials",
                                          {"module_type": "other", "power_ups":
                                           self.ids("HL-0100")})
        self.assertEqual(status, 422)
        self.assertIn("another type", problem["detail"])
        status, _ = self.daemon.ask("POST", "references/999/restore", {})
        self.assertEqual(status, 404)


if __name__ == "__main__":
    main()
