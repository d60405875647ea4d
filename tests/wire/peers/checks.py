# SPDX-License-Identifier: GPL-3.0-or-later
"""Counts checks for the wire tests and runs the built program."""

import json
import os
import subprocess
import sys

TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))))
PROGRAM = os.environ.get("WAKEDRAW", os.path.join(TOP, "build", "wakedraw"))
PROFILES = os.path.join(TOP, "daemon", "profiles")
# A program of another build directory finds none beside itself.
os.environ.setdefault("WAKEDRAW_PROFILES", PROFILES)

passed = failed = skipped = 0


def check(what, good, detail=""):
    global passed, failed
    if good:
        passed += 1
        print("  ok      " + what)
    else:
        failed += 1
        print("  FAILED  " + what + (": " + str(detail) if detail != "" else ""))
    sys.stdout.flush()
    return good


def skip(what):
    global skipped
    skipped += 1
    print("  skipped " + what)


def finish():
    print("%d passed, %d failed, %d skipped" % (passed, failed, skipped))
    sys.exit(1 if failed else 0)


def busy():
    """Is there more to run than processors to run it on?"""
    return os.getloadavg()[0] > 0.8 * (os.cpu_count() or 1)


class Run:
    """What `wakedraw identify --json --readings N` told."""

    def __init__(self, arguments, timeout=60, environment=None):
        command = [PROGRAM, "identify"] + arguments
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=timeout,
                                  env=dict(os.environ, **(environment or {})))
        except subprocess.TimeoutExpired as late:
            self.status, self.error, lines = -1, "timed out", (late.stdout or b"").decode()
        else:
            self.status, self.error, lines = done.returncode, done.stderr, done.stdout
        self.text = lines
        self.readings, self.problems, self.wire = [], [], {}
        for line in lines.splitlines():
            if not line.startswith("{"):
                continue
            item = json.loads(line)
            if "time_s" in item:
                self.readings.append(item)
            elif "problem" in item:
                self.problems.append(item["problem"])
            else:
                self.wire = item


def read(link, count, profile="scpi", output=1, timeout=60):
    return Run(["--json", "--profile", profile, "--readings", str(count), "--output", str(output),
                link], timeout)
