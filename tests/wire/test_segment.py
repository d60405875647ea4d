#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""segment as a command: a file in, one JSON object and an exit status out."""
import json
import pathlib
import random
import unittest

from bench_process import main, run, temporary_folder

SEED = 20260131


def rows(levels, begins=0.0, rate=50):
    """Lines of a trace that steps through (seconds, current) pairs, with noise of 0.5 mA."""
    dice = random.Random(SEED)
    lines = ["time_s,voltage_V,current_A"]
    count = 0
    for seconds, level in levels:
        for _ in range(round(seconds * rate)):
            lines.append(f"{begins + count / rate:.6f},12.00,{level + dice.gauss(0, 0.0005):.4f}")
            count += 1
    return lines


class Segment(unittest.TestCase):
    def setUp(self):
        room = temporary_folder()
        self.addCleanup(room.cleanup)
        self.room = pathlib.Path(room.name)

    def write(self, lines):
        path = self.room / "a.csv"
        path.write_text("\n".join(lines) + "\n")
        return path

    def test_phases_are_in_the_traces_own_time(self):
        path = self.write(rows([(1, 0.0), (2, 0.1), (3, 0.25)], begins=7))
        done = run("segment", path)
        self.assertEqual(done.returncode, 0, done.stderr)
        told = json.loads(done.stdout)
        self.assertEqual(told["trace"], str(path))
        self.assertEqual([p["kind"] for p in told["phases"]], ["level"] * 3)
        for phase, (begin, end, level) in zip(
                told["phases"], [(7, 8, 0), (8, 10, 0.1), (10, 12.98, 0.25)]):
            self.assertAlmostEqual(phase["from_s"], begin, places=6)
            self.assertAlmostEqual(phase["to_s"], end, places=6)
            self.assertAlmostEqual(phase["level_A"], level, places=3)

    def test_the_whole_record_where_there_is_no_onset(self):
        told = json.loads(run("segment", self.write(rows([(4, 0.002)]))).stdout)
        self.assertEqual(len(told["phases"]), 1)
        self.assertAlmostEqual(told["phases"][0]["to_s"], 3.98, places=6)

    def test_bad_lines_are_told_with_file_and_line(self):
        lines = rows([(1, 0.1)])
        for line, text, found in ((20, "x,12,0.1", '"x"'), (20, "0.01,12,0.1", "0.01"),
                                  (1, "time_s,voltage_V", "current_A")):
            bad = self.write(lines[:line - 1] + [text] + lines[line:])
            done = run("segment", bad)
            self.assertEqual(done.returncode, 65)
            self.assertEqual(done.stdout, "")
            self.assertIn(f"{bad}:{line}:", done.stderr)
            self.assertIn(found, done.stderr)
            self.assertIn("expected", done.stderr)

    def test_no_file_and_usage(self):
        self.assertEqual(run("segment", self.room / "none.csv").returncode, 66)
        self.assertEqual(run("segment", self.room).returncode, 66)
        self.assertEqual(run("segment").returncode, 64)
        path = self.write(rows([(1, 0.1)]))
        self.assertEqual(run("segment", path, path).returncode, 64)
        self.assertEqual(run("segment", "--penalty", "0", path).returncode, 64)


if __name__ == "__main__":
    main()
