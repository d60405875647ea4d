#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo ends with all it started, whoever is told to end: itself, as by Ctrl-C,
or the make that started it, alone."""
import os
import pathlib
import signal
import socket
import subprocess
import time
import unittest

from bench_process import PATIENCE_S, ROOT, WAKEDRAW, main, temporary_folder

SCRIPT = ROOT / "signatures" / "harbour-lane" / "demo.sh"


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def processes_of(session):
    found = []
    for stat in pathlib.Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


class Demo(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        (self.folder / "wakedraw").symlink_to(WAKEDRAW)
        # The recipe of the Makefile's own, on a build directory of the test's.
        (self.folder / "Makefile").write_text(f"demo:\n\t@exec {SCRIPT} {self.folder}\n")

    def start(self):
        environment = {key: value for key, value in os.environ.items()
                       if not key.startswith(("MAKE", "MFLAGS"))}
        for _ in range(3):  # somebody may take the port in between
            made = subprocess.Popen(
                ["make", "-s", "-C", self.folder, "demo"], stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE, text=True, start_new_session=True,
                env=dict(environment, WAKEDRAW_DEMO_PORT=str(free_port())))
            line = made.stdout.readline()
            if "http://127.0.0.1:" in line:
                break
            made.wait()
        self.assertIn("http://127.0.0.1:", line)
        self.addCleanup(self.end, made)
        return made

    def end(self, made):
        for pid in processes_of(made.pid):
            os.kill(pid, signal.SIGKILL)
        made.wait()
        made.stdout.close()

    def check_ends(self, made):
        made.wait(PATIENCE_S)
        deadline = time.monotonic() + PATIENCE_S
        while processes_of(made.pid) and time.monotonic() < deadline:
            time.sleep(0.05)
        self.assertEqual(processes_of(made.pid), [])

    def test_it_goes_on_and_ends_as_by_ctrl_c(self):
        made = self.start()
        time.sleep(2)
        self.assertIsNone(made.poll())
        self.assertGreaterEqual(len(processes_of(made.pid)), 5)
        os.killpg(made.pid, signal.SIGINT)
        self.check_ends(made)

    def test_make_alone_is_interrupted(self):
        made = self.start()
        made.send_signal(signal.SIGINT)
        self.check_ends(made)

    def test_make_alone_is_terminated(self):
        made = self.start()
        made.send_signal(signal.SIGTERM)
        self.check_ends(made)

    def test_make_alone_is_killed(self):
        made = self.start()
        made.send_signal(signal.SIGKILL)
        self.check_ends(made)


if __name__ == "__main__":
    main()
