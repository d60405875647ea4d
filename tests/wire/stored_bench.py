# SPDX-License-Identifier: GPL-3.0-or-later
"""Power-ups of a made-up week, put into a store by import and served by the daemon
without a supply: for what looks at many of them, without waiting for each."""
import json
import random

from bench_process import Daemon, config_text, run

MODULE = "harbour-lane-logger"
LEVELS = [(0.0, 0.10), (1.0, 0.25), (3.0, 0.40)]  # from onset, s, A


def trace_lines(dice, unit=1.0, last=1.0, watch_s=6.0, every_s=0.02):
    """A module that wakes in three phases; `last` scales the final one."""
    lines = ["time_s,voltage_V,current_A,output_on"]
    again = dice.gauss(1, 0.002)
    for i in range(int((watch_s + 0.6) / every_s)):
        time = every_s * i
        since = time - 0.5
        on = since >= -1e-9
        step = max((n for n, (begin, _) in enumerate(LEVELS) if since >= begin - 1e-9), default=0)
        level = LEVELS[step][1] * (last if step == len(LEVELS) - 1 else 1) if on else 0.0
        current = level * unit * again + dice.gauss(0, 0.0004) if on else 0.0
        lines.append(f"{time:.3f},{13.8 if on else 0.0},{round(current, 3):.3f},{int(on)}")
    return lines


class StoredBench:
    """add() power-ups, then start(): the daemon on the store that holds them."""

    def __init__(self, folder, seed):
        self.folder, self.dice = folder, random.Random(seed)
        self.files, self.reference = [], None
        (folder / "power-ups").mkdir()

    def teach_range(self, low_A, high_A):
        self.reference = self.folder / "range.json"
        done = run("build-reference", "--type", MODULE, "--out", self.reference, "--range",
                   f"{low_A}:{high_A}", "--watch", 6)
        assert done.returncode == 0, done.stderr

    def add(self, unit, stage, started_at, factor=1.0, last=1.0):
        name = self.folder / "power-ups" / f"{len(self.files):03}"
        trace = name.with_suffix(".csv")
        trace.write_text("\n".join(trace_lines(self.dice, factor, last)) + "\n")
        if self.reference:
            judged = run("judge", "--reference", self.reference, trace).stdout
            verdict = json.loads(judged.splitlines()[0])
            version = 1
        else:
            verdict = {"verdict": "unsure", "decided_at_s": None, "onset_s": 0.5, "final": False,
                       "reasons": [{"code": "no_reference", "text": "there is no reference"}]}
            version = None
        phases = json.loads(run("segment", trace).stdout.splitlines()[0])["phases"]
        for phase in phases:
            phase["from_s"] -= 0.5
            phase["to_s"] -= 0.5
        phases = [phase for phase in phases if phase["to_s"] > 0.05]
        verdict = {key: verdict.get(key) for key in ("verdict", "final", "decided_at_s", "onset_s",
                                                     "final_draw_A", "reasons")}
        verdict["final_draw_A"] = phases[-1]["level_A"]
        item = {"id": "0", "supply": "left", "started_at": started_at, "state": "complete",
                "module_type": MODULE, "unit": unit, "work_order": None, "stage": stage,
                "verdict": verdict, "reference_version": version, "onset_s": 0.5,
                "ended_why": "output off", "on_time_s": 6.0, "readings": 330,
                "signature": {"onset_s": 0.5, "baseline_A": 0.0, "phases": phases}}
        name.with_suffix(".json").write_text(json.dumps(item))
        self.files.append(trace)

    def start(self):
        files = ([self.reference] if self.reference else []) + self.files
        done = run("import", "--data", self.folder / "data", *files)
        assert done.returncode == 0, done.stderr
        return Daemon(self.folder, config_text(self.folder, {}))
