#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""build-reference and judge as commands: files in, JSON lines and exit statuses
out; the reference by its schema."""
import json
import pathlib
import random
import unittest

from bench_process import ROOT, main, run, temporary_folder

SEED = 20260131


def power_up(path, seed, levels=(0.10, 0.25, 0.40), lengths=(1.0, 1.5), seconds=6.0, rate=40):
    """A power-up of a made-up module, 0.6 s from before onset included."""
    dice = random.Random(SEED + seed)
    lines = ["time_s,voltage_V,current_A"]
    time = 0.0
    while time < 0.6 + seconds:
        since = time - 0.6
        level = 0.0
        if since >= 0:
            level = levels[0]
            if since >= lengths[0]:
                level = levels[1]
            if since >= lengths[0] + lengths[1]:
                level = levels[2]
        volts = 13.8 + dice.gauss(0, 0.003) if since >= 0 else 0.0
        lines.append(f"{time:.6f},{volts:.3f},{level + dice.gauss(0, 0.0006):.4f}")
        time += (1 + dice.uniform(-0.05, 0.05)) / rate
    path.write_text("\n".join(lines) + "\n")
    return path


class Commands(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        room = temporary_folder()
        cls.addClassCleanup(room.cleanup)
        cls.folder = pathlib.Path(room.name)
        for unit in range(3):
            directory = cls.folder / f"HL-{unit:04}"
            directory.mkdir()
            factor = 1 + 0.01 * (unit - 1)
            for again in range(3):
                power_up(directory / f"{again}.csv", 10 * unit + again,
                         [factor * level for level in (0.10, 0.25, 0.40)])
        cls.reference = cls.folder / "reference.json"
        cls.built = run("build-reference", "--type", "made up", "--out", cls.reference,
                        *sorted(cls.folder.glob("HL-*")))
        cls.good = power_up(cls.folder / "good.csv", 100)
        cls.bad = power_up(cls.folder / "bad.csv", 101, (0.10, 0.25, 0.25))
        cls.short = power_up(cls.folder / "short.csv", 102, seconds=3)

    def judge(self, *traces, reference=None):
        done = run("judge", "--reference", reference or self.reference, *traces)
        lines = [json.loads(line) for line in done.stdout.splitlines()]
        self.assertEqual([line["trace"] for line in lines], [str(trace) for trace in traces])
        return done.returncode, lines

    def test_reference_is_built_and_says_what_it_claims(self):
        self.assertEqual(self.built.returncode, 0, self.built.stderr)
        self.assertIn("known-good", self.built.stdout)
        content = json.loads(self.reference.read_text())
        self.assertEqual(content["format"]["major"], 1)
        self.assertEqual(content["taught_by"]["units"], 3)
        self.assertEqual(content["taught_by"]["power_ups"], 9)
        self.assertEqual([good["unit"] for good in content["taught_by"]["known_goods"]],
                         ["HL-0000", "HL-0001", "HL-0002"])
        self.assertEqual(len(content["phases"]), 3)
        envelope = content["envelope"]
        self.assertEqual(len(envelope["time_s"]), len(envelope["low_A"]))
        self.assertEqual(len(envelope["time_s"]), len(envelope["high_A"]))

    def test_schema_holds(self):
        try:
            import jsonschema
        except ImportError:
            self.skipTest("python3-jsonschema is not installed")
        schema = json.loads((ROOT / "signatures" / "reference.schema.json").read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        validator = jsonschema.Draft202012Validator(schema)
        stated = self.folder / "stated.json"
        self.assertEqual(run("build-reference", "--type", "x", "--range", "0.38:0.41", "--out",
                             stated).returncode, 0)
        files = [self.reference, stated, *(ROOT / "signatures").glob("*/references/*.json")]
        for file in files:
            content = json.loads(file.read_text())
            self.assertEqual([error.message for error in validator.iter_errors(content)], [], file)
        # It can fail, too.
        content = json.loads(self.reference.read_text())
        del content["phases"][0]["shape"]
        content["watch_s"] = "six"
        self.assertEqual(len(list(validator.iter_errors(content))), 2)

    def test_one_line_a_trace_in_order_and_the_worst_is_the_status(self):
        status, lines = self.judge(self.good)
        self.assertEqual((status, lines[0]["verdict"], lines[0]["reasons"]), (0, "good", []))
        status, lines = self.judge(self.good, self.short)
        self.assertEqual((status, lines[1]["verdict"]), (2, "unsure"))
        self.assertEqual(lines[1]["reasons"][0]["code"], "incomplete")
        self.assertIsNone(lines[1]["decided_at_s"])
        status, lines = self.judge(self.short, self.bad, self.good)
        self.assertEqual((status, [line["verdict"] for line in lines]),
                         (1, ["unsure", "bad", "good"]))

    def test_keys_of_a_line(self):
        _, (line,) = self.judge(self.bad)
        self.assertLess(line["decided_at_s"], 5.5)
        self.assertAlmostEqual(line["onset_s"], 0.6, delta=0.05)
        reason = line["reasons"][0]
        self.assertIn(reason["code"], ("stalled", "low_final"))
        self.assertTrue({"text", "phase"} <= reason.keys())
        phases = line["phases"]
        self.assertEqual(phases[0]["from_s"], 0)
        self.assertTrue({"from_s", "to_s", "level_A", "kind"} <= phases[0].keys())

    def test_cut_at_the_decision_gives_the_same(self):
        _, (whole,) = self.judge(self.bad)
        until = whole["onset_s"] + whole["decided_at_s"] + 1e-6
        rows = self.bad.read_text().splitlines()
        kept = [row for row in rows[1:] if float(row.split(",")[0]) <= until]
        cut = self.folder / "cut.csv"
        cut.write_text("\n".join(rows[:1] + kept) + "\n")
        _, (part,) = self.judge(cut)
        for key in ("verdict", "decided_at_s", "onset_s", "reasons"):
            self.assertEqual(part[key], whole[key])

    def test_unreadable_files_are_told_and_the_rest_is_judged(self):
        broken = self.folder / "broken.csv"
        broken.write_text("time_s,voltage_V,current_A\n0,13.8,0.1\n0.1,13.8,much\n")
        missing = self.folder / "missing.csv"
        status, lines = self.judge(self.good, broken, self.bad)
        self.assertEqual(status, 65)
        self.assertEqual([line["verdict"] for line in lines], ["good", None, "bad"])
        self.assertEqual(lines[1]["error"]["line"], 3)
        self.assertIn("much", lines[1]["error"]["found"])
        status, lines = self.judge(missing)
        self.assertEqual((status, lines[0]["verdict"]), (66, None))
        self.assertEqual(lines[0]["error"]["file"], str(missing))

    def test_a_newer_major_is_refused_by_name(self):
        newer = self.folder / "newer.json"
        newer.write_text(self.reference.read_text().replace('"major": 1', '"major": 2'))
        done = run("judge", "--reference", newer, self.good)
        self.assertEqual((done.returncode, done.stdout), (65, ""))
        self.assertIn("major version 2", done.stderr)

    def test_usage(self):
        self.assertEqual(run("judge", self.good).returncode, 64)
        self.assertEqual(run("judge", "--reference", self.reference).returncode, 64)
        out = self.folder / "none.json"
        for arguments in (["--type", "x", "--out", out],
                          ["--out", out, "--range", "0.1:0.2"],
                          ["--type", "x", "--out", out, "--range", "0.4:0.3"],
                          ["--type", "x", "--out", out, "--range", "a lot"],
                          ["--type", "x", "--out", out, "--rang", "0.1:0.2"]):
            done = run("build-reference", *arguments)
            self.assertEqual((done.returncode, done.stderr.count("\n")), (64, 1), done.stderr)
        self.assertFalse(out.exists())

    def test_bad_known_goods_leave_nothing_behind(self):
        empty = self.folder / "empty"
        empty.mkdir(exist_ok=True)
        out = self.folder / "none.json"
        done = run("build-reference", "--type", "x", "--out", out, empty)
        self.assertEqual(done.returncode, 65)
        self.assertIn("empty", done.stderr)
        done = run("build-reference", "--type", "x", "--out", out, self.folder / "nowhere")
        self.assertEqual(done.returncode, 66)
        self.assertFalse(out.exists())

    def test_another_supply_by_its_profile(self):
        done = run("judge", "--reference", self.reference, "--profile", "scpi", self.good)
        self.assertEqual(done.returncode, 0, done.stdout)
        done = run("judge", "--reference", self.reference, "--profile", "nobody", self.good)
        self.assertNotIn(done.returncode, (0, 1, 2))


if __name__ == "__main__":
    main()
