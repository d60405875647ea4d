#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`judge --unit NAME`: the lines of the traces stay as they are, one line more
is the unit's. Ends with "N passed, N failed, N skipped"."""
import json
import os
import pathlib
import random
import subprocess
import sys
import tempfile

WAKEDRAW = os.path.abspath(os.environ.get("WAKEDRAW", "build/wakedraw"))
SEED = 20260205
passed = failed = 0


def check(what, true):
    global passed, failed
    passed, failed = passed + bool(true), failed + (not true)
    print(f"{'ok' if true else 'FAILED':7}{what}")


def write_trace(path, dice, unit=1.0, last_A=0.40):
    levels = [(0.0, 0.10), (1.0, 0.25), (3.0, last_A)]
    lines = ["time_s,voltage_V,current_A,output_on"]
    again = dice.gauss(1, 0.002)
    for i in range(330):
        time = 0.02 * i
        since = time - 0.5
        on = since >= -1e-9
        level = [a for begin, a in levels if since >= begin - 1e-9][-1] if on else 0.0
        current = level * unit * again + dice.gauss(0, 0.0004) if on else 0.0
        lines.append(f"{time:.3f},{13.8 if on else 0.0},{round(current, 3):.3f},{int(on)}")
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return str(path)


def run(*arguments):
    done = subprocess.run([WAKEDRAW, *arguments], capture_output=True, text=True, timeout=60,
                          check=False)
    return done.returncode, done.stdout, done.stderr


def main():
    print(f"seed {SEED}")
    dice = random.Random(SEED)
    with tempfile.TemporaryDirectory() as folder:
        root = pathlib.Path(folder)
        units = []
        for u in range(4):
            unit = root / f"unit-{u}"
            unit.mkdir()
            for k in range(3):
                write_trace(unit / f"{k}.csv", dice, dice.gauss(1, 0.008))
            units.append(str(unit))
        reference = str(root / "reference.json")
        status, _, said = run("build-reference", "--type", "harbour-lane-logger", "--out",
                              reference, *units)
        check(f"a reference is built {said.strip()}", status == 0)
        good = [write_trace(root / f"good-{k}.csv", dice) for k in range(10)]
        low = write_trace(root / "low.csv", dice, last_A=0.32)

        status, plain, _ = run("judge", "--reference", reference, *good)
        with_status, with_unit, _ = run("judge", "--reference", reference, "--unit", "CH-0042",
                                        *good)
        check("the traces' lines are the same",
              with_unit.splitlines()[:-1] == plain.splitlines() and len(plain.splitlines()) == 10)
        check("so is the exit status", status == with_status == 0)
        last = json.loads(with_unit.splitlines()[-1])
        check("the unit is good",
              last["unit"] == "CH-0042" and last["verdict"] == "good" and last["power_ups"] == 10
              and last["good"] == 10 and last["bad"] == 0 and last["unsure"] == 0)
        rate = last["failure_rate"]
        check("ten without failure bound the rate",
              rate["low"] == 0 and abs(rate["high"] - (1 - 0.05 ** 0.1)) < 1e-9
              and rate["confidence"] == 0.95 and rate["sides"] == 1)

        status, lines, _ = run("judge", "--reference", reference, "--unit", "CH-0042", *good, low)
        last = json.loads(lines.splitlines()[-1])
        check("one bad of eleven: intermittent",
              status == 1 and last["verdict"] == "bad" and last["intermittent"] is True
              and last["reasons"][0]["code"] == "intermittent" and last["bad"] == 1
              and last["reasons"][1]["code"] == "low_final")
        check("with the rate's two limits",
              0 < last["failure_rate"]["low"] < 1 / 11 < last["failure_rate"]["high"] < 0.5)

        status, lines, _ = run("judge", "--reference", reference, "--unit", "CH-0042",
                               str(root / "none.csv"))
        last = json.loads(lines.splitlines()[-1])
        check("nothing readable: unsure, no rate",
              status == 66 and last["verdict"] == "unsure" and last["power_ups"] == 0
              and last["failure_rate"] is None and len(last["reasons"]) == 1)
    print(f"{passed} passed, {failed} failed, 0 skipped")
    return 1 if failed else 0


sys.exit(main())
