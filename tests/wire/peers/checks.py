# SPDX-License-Identifier: GPL-3.0-or-later
"""Counts checks for the wire tests and runs the built program."""

import json
import os
import statistics
import signal
import subprocess
import sys
import tempfile
import threading
import time

TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))))
PROGRAM = os.environ.get("WAKEDRAW", os.path.join(TOP, "build", "wakedraw"))
PROFILES = os.path.join(TOP, "daemon", "profiles")
# A program of another build directory finds none beside itself.
os.environ.setdefault("WAKEDRAW_PROFILES", PROFILES)

# How long anything may take that makes no claim about speed.
PATIENCE_S = 180

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
    """Is there more to run than processors to run it on? Asked where something was
    slower than it claims to be: then its time cannot be told here."""
    late_s = []
    for _ in range(40):
        begin = time.monotonic()
        time.sleep(0.005)
        late_s.append(time.monotonic() - begin - 0.005)
    return (os.getloadavg()[0] > 0.8 * (os.cpu_count() or 1) or max(late_s) > 0.02 or
            statistics.mean(late_s) > 0.001)


def check_pace(what, good, detail=""):
    """A check of speed: skipped where it fails and the machine has other work."""
    if not good and busy():
        skip("%s (%s): the machine has other work, no time can be told" % (what, detail))
        return
    check(what, good, detail)


def told_at_other_times(told):
    """Of (reading, instant at which its supply told it): those stamped with another
    instant. Half a round trip is the stamp's uncertainty; where the machine stood
    still within it, no other reading comes for as long."""
    if not told:
        return []
    offset_s = statistics.median(told_s - reading["time_s"] for reading, told_s in told)
    wrong = []
    for i, (reading, told_s) in enumerate(told):
        early_s = reading["time_s"] + offset_s - told_s
        following = told[i + 1][0]["time_s"] if i + 1 < len(told) else float("inf")
        if abs(early_s) > max(0.15, following - reading["time_s"] + 0.05):
            wrong.append((reading, "told %.3f s earlier" % early_s))
    return wrong


class Run:
    """What `wakedraw identify --json --readings N` told."""

    def __init__(self, arguments, timeout=PATIENCE_S, environment=None):
        command = [PROGRAM, "identify"] + arguments
        # Into files, and waited for in one go: a reader in this process, or one who looks
        # now and then whether it has ended, would take turns with a peer's thread.
        with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as problems:
            process = subprocess.Popen(command, stdout=out, stderr=problems,
                                       env=dict(os.environ, **(environment or {})))
            late = threading.Timer(timeout, process.kill)
            late.daemon = True
            late.start()
            self.status = process.wait()
            late.cancel()
            if self.status == -signal.SIGKILL:
                self.status = -1
            out.seek(0)
            problems.seek(0)
            lines, self.error = out.read(), problems.read()
            if self.status == -1:
                self.error = "timed out"
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


def read(link, count, profile="scpi", output=1, timeout=PATIENCE_S):
    return Run(["--json", "--profile", profile, "--readings", str(count), "--output", str(output),
                link], timeout)
