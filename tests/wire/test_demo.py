#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo: a week of the bench, a small one here, lived by the real path; served with
modules that wake on it; ended with all that was started, whoever is told to end: itself,
as by Ctrl-C, or the make that started it, alone."""
import json
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import time
import unittest
import urllib.request

from bench_process import (PATIENCE_S, ROOT, WAKEDRAW, Daemon, config_text, main, run,
                           temporary_folder)

LANE = ROOT / "signatures" / "harbour-lane"
SCRIPT = LANE / "demo.sh"
# Not how fast it must be: how slow it may.
WEEK_S = 300
week_folder = temporary_folder()
WEEK = pathlib.Path(week_folder.name) / "build"


def setUpModule():
    WEEK.mkdir()
    (WEEK / "wakedraw").symlink_to(WAKEDRAW)
    made = subprocess.run([LANE / "week.py", WEEK, "--small"], capture_output=True, text=True,
                          timeout=WEEK_S)
    if made.returncode != 0:
        raise RuntimeError(f"no week: {made.stdout}{made.stderr}")
    print(made.stdout.splitlines()[-1], flush=True)


def tearDownModule():
    week_folder.cleanup()


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


class Week(unittest.TestCase):
    """What the small week left behind."""

    @classmethod
    def setUpClass(cls):
        folder = temporary_folder()
        cls.addClassCleanup(folder.cleanup)
        cls.folder = pathlib.Path(folder.name)
        shutil.copytree(WEEK / "demo-week" / "data", cls.folder / "data")
        told = subprocess.run([LANE / "week.py", WEEK, "--goes-on-at", cls.folder / "data"],
                              capture_output=True, text=True, check=True)
        cls.goes_on_at = told.stdout.strip()
        cls.daemon = Daemon(cls.folder, config_text(
            cls.folder, {}, extra=f"simulated_from = {cls.goes_on_at}\n"))
        cls.addClassCleanup(cls.daemon.stop)

    def orders(self, serial):
        """The unit's, oldest first."""
        unit = self.daemon.get(f"units?serial={serial}")["items"][0]
        return self.daemon.get(f"units/{unit['id']}")["work_orders"][::-1]

    def test_every_verdict_fits_what_was_put_on(self):
        meant = json.loads((WEEK / "demo-week" / "meant.json").read_text())
        items = self.daemon.get("power-ups?limit=100")["items"]
        self.assertEqual({item["id"] for item in items}, set(meant))
        for item in items:
            fault = meant[item["id"]]["fault"]
            self.assertEqual(item["verdict"]["verdict"], "good" if fault == "none" else "bad",
                             (item["unit"], fault, item["verdict"]))
            self.assertEqual(item["bench"]["state"], "verified")

    def test_closed_orders_have_a_chain_of_records(self):
        records = self.daemon.get("records")["items"]
        self.assertEqual([item["number"] for item in records], [3, 2, 1])
        closed = [item for item in self.daemon.get("work-orders?limit=100")["items"]
                  if item["closed_at"]]
        self.assertEqual({item["record"] for item in closed}, {item["id"] for item in records})
        for item in records:
            content = self.daemon.get(f"records/{item['id']}")["content"]
            self.assertTrue(content["simulated"])
            self.assertEqual(content["after"]["verdict"], "good")
        verified = run("verify-records", self.folder / "data")
        self.assertEqual(verified.returncode, 0, verified.stdout + verified.stderr)
        self.assertIn("3 records", verified.stdout)

    def test_a_return_is_seen_against_what_was_shipped(self):
        first, again = self.orders("HL-4107")
        self.assertEqual((first["outcome"], again["outcome"]), ("repaired", None))
        days = (self.instant(again["created_at"]) - self.instant(first["closed_at"])) / 86400
        self.assertTrue(10 < days < 15, days)  # nine working days
        newest = self.daemon.get("power-ups?unit=HL-4107&limit=1")["items"][0]
        self.assertEqual((newest["work_order"], newest["verdict"]["verdict"]), (again["id"], "bad"))
        told = self.daemon.get(f"units/{self.unit_id('HL-4107')}/shipped-comparison"
                               f"?power_up={newest['id']}")
        self.assertTrue(told["rows"], told)

    def test_the_ledger_counts_what_was_done(self):
        ledger = self.daemon.get("ledger")
        self.assertEqual([(item["unit"], item["work_order"]) for item in ledger["returns"]],
                         [("HL-4107", self.orders("HL-4107")[1]["id"])])
        self.assertTrue(10 < ledger["returns"][0]["days_after"] < 15, ledger["returns"])
        outcomes = {item["outcome"]: item["count"] for item in ledger["outcomes"]}
        self.assertEqual(outcomes, {"repaired": 2, "nothing found": 1})
        decided = [item[word] for item in ledger["verdicts_by_day"]
                   for word in ("good", "bad", "unsure")]
        self.assertEqual(sum(decided), 7)

    def unit_id(self, serial):
        return self.daemon.get(f"units?serial={serial}")["items"][0]["id"]

    @staticmethod
    def instant(text):
        return time.mktime(time.strptime(text[:19], "%Y-%m-%dT%H:%M:%S"))

    def test_it_says_that_it_is_simulated(self):
        health = self.daemon.get("health")
        self.assertTrue(health["simulated"])
        passed_s = self.instant(health["at"]) - self.instant(self.goes_on_at)
        self.assertTrue(0 <= passed_s < WEEK_S, (health["at"], self.goes_on_at))

    def test_a_whole_week_is_left_alone(self):
        before = (WEEK / "demo-week" / "data" / "wakedraw.db").stat().st_mtime_ns
        made = subprocess.run([LANE / "week.py", WEEK, "--small"], capture_output=True, text=True,
                              timeout=WEEK_S, check=True)
        self.assertEqual(made.stdout, "")
        after = (WEEK / "demo-week" / "data" / "wakedraw.db").stat().st_mtime_ns
        self.assertEqual(before, after)

    def test_an_interrupted_one_is_not_taken_for_a_week(self):
        build = self.folder / "build"
        build.mkdir()
        (build / "wakedraw").symlink_to(WAKEDRAW)
        made = subprocess.Popen([LANE / "week.py", build, "--small"], stdout=subprocess.PIPE,
                                text=True, start_new_session=True)
        self.assertIn("left", made.stdout.readline())
        made.terminate()
        made.communicate(timeout=PATIENCE_S)
        self.assertNotEqual(made.returncode, 0)
        self.assertEqual(os.listdir(build), ["wakedraw"])
        self.assertEqual(processes_of(made.pid), [])


class Demo(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        shutil.copytree(WEEK / "demo-week", self.folder / "demo-week")
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
                env=dict(environment, WAKEDRAW_DEMO_PORT=str(free_port()),
                         WAKEDRAW_DEMO_WEEK="small"))
            line = made.stdout.readline()
            if "http://127.0.0.1:" in line:
                break
            made.wait()
        self.assertIn("http://127.0.0.1:", line)
        self.page = line.split(" is at ")[1].split()[0]
        self.addCleanup(self.end, made)
        return made

    def get(self, path):
        with urllib.request.urlopen(f"{self.page}api/v1/{path}", timeout=PATIENCE_S) as answer:
            return json.load(answer)

    def put_on(self, *words):
        return subprocess.run([LANE / "put-on", "--build", self.folder, *words],
                              capture_output=True, text=True, timeout=PATIENCE_S)

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
        self.assertGreaterEqual(len(processes_of(made.pid)), 6)
        os.killpg(made.pid, signal.SIGINT)
        self.check_ends(made)

    def test_a_module_and_its_fault_are_chosen(self):
        made = self.start()
        self.assertTrue(self.get("health")["simulated"])
        self.assertEqual(len(self.get("records")["items"]), 3)
        wrong = self.put_on("left", "winch-brake-controller", "late:9:2")
        self.assertEqual(wrong.returncode, 65, wrong.stderr)
        self.assertIn("phase", wrong.stderr)
        chosen = self.put_on("left", "winch-brake-controller", "short", "--unit", "HL-9044")
        self.assertEqual(chosen.returncode, 0, chosen.stderr)
        deadline, items = time.monotonic() + PATIENCE_S, []
        while time.monotonic() < deadline and not (items and items[0]["verdict"]):
            items = self.get("power-ups?unit=HL-9044&limit=1")["items"]
            time.sleep(0.2)
        self.assertEqual(items[0]["module_type"], "winch-brake-controller")
        self.assertEqual(items[0]["verdict"]["reasons"][0]["code"], "at_limit")
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
