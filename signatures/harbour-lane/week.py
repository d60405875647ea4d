#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the Harbour Lane bench's week, all invented, by the real path: simulated
supplies on real ports, the daemon with its wall time set for each part of a day,
orders through the API as a tablet puts them in.

usage: week.py BUILD [--small] [--goes-on-at DATA]
What it makes is BUILD/demo-week; nothing is done where that is there already, made by
this file, this program and this form of store. A few minutes; --small: half of one.
"""
import argparse
import contextlib
import ctypes
import datetime
import functools
import hashlib
import http.client
import json
import os
import pathlib
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

from week_told import (CHECK_TIME, CHECKED, DAYS, HANDS, MODBUS, READ_BY, REAR_GAIN, SEED, SMALL,
                       STORIES, SUPPLIES, TIMES, TYPES, Step, Story, ordinary)

HERE = pathlib.Path(__file__).resolve().parent
PATIENCE_S = 60


def day_of(working_days, today):
    day = today
    for _ in range(working_days):
        day -= datetime.timedelta(days=1)
        while day.weekday() >= 5:
            day -= datetime.timedelta(days=1)
    return day


def die_with_parent():
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


class Process:
    def __init__(self, *command, ready, log):
        self.process = subprocess.Popen([str(word) for word in command], stdin=subprocess.DEVNULL,
                                        stdout=subprocess.PIPE, stderr=log, text=True,
                                        preexec_fn=die_with_parent)
        self.first_line = self.process.stdout.readline()
        if ready not in self.first_line:
            self.stop()
            raise RuntimeError(f"did not start: {' '.join(map(str, command))}")

    def stop(self):
        if self.process.poll() is None:
            self.process.terminate()
        self.process.wait(PATIENCE_S)
        self.process.stdout.close()


class Supply(Process):
    """A simulated supply, its panel, and the desk of who works at it."""

    def __init__(self, bench, name, gain=0):
        self.bench, self.name, self.profile = bench, name, SUPPLIES[name]
        self.panel = bench.folder / f"{name}.panel"
        link = "modbus-tcp:127.0.0.1:0?address=1" if self.profile == MODBUS else "tcp:127.0.0.1:0"
        super().__init__(bench.wakedraw, "simulate", "--link", link, "--profile", self.profile,
                         "--panel", self.panel, "--module", "none", "--conversion-hz", 50,
                         "--gain", gain, "--seed", SEED + list(SUPPLIES).index(name),
                         ready="ready", log=bench.log)
        self.link = self.first_line.split()[1]

    def say(self, *lines):
        with socket.socket(socket.AF_UNIX) as panel:
            panel.settimeout(PATIENCE_S)
            panel.connect(str(self.panel))
            stream = panel.makefile("rw")
            for line in lines:
                stream.write(line + "\n")
                stream.flush()
                answer = stream.readline().strip()
                if answer.startswith("error"):
                    raise RuntimeError(f"{self.name}: {line}: {answer}")
        return answer

    def ask(self, method, path, body=None, wanted=(200, 201)):
        return self.bench.ask(method, path, body, wanted)

    def item(self):
        items = self.ask("GET", "supplies")["items"]
        return next(item for item in items if item["name"] == self.name)

    def newest(self):
        items = self.ask("GET", f"power-ups?limit=1&supply={self.name}")["items"]
        return items[0] if items else None

    def wait(self, what, fits):
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            found = fits()
            if found:
                return found
            time.sleep(0.1)
        raise RuntimeError(f"{self.name}: no {what} within {PATIENCE_S} s")

    def readings(self, count=8):
        """Voltages and currents of so many readings, each another."""
        taken = {}

        def enough():
            item = self.item()
            if item["current_A"] is not None:
                taken[item["last_reading_at"]] = (item["voltage_V"], item["current_A"])
            return len(taken) >= count
        self.wait("readings", enough)
        return [[pair[i] for pair in taken.values()] for i in (0, 1)]

    def power_up(self, step, fault):
        self.wait("reset", lambda: json.loads(self.say("status"))["module_voltage_V"] < 0.3)
        before = self.newest()
        self.say("output on")
        begun = time.monotonic()

        def decided():
            item = self.newest()
            if item is None or (before and item["id"] == before["id"]):
                return None
            bad = item["verdict"] and item["verdict"]["final"] and item["verdict"]["verdict"] == "bad"
            return item if bad or item["state"] != "open" else None
        item = self.wait("power-up", decided)
        if step.hot_after_s:
            time.sleep(max(0, begun + step.hot_after_s - time.monotonic()))
            self.say(f"temperature {step.ambient_C}")
            time.sleep(3)
            self.say("temperature 23")
        time.sleep(max(0.3, begun + step.on_s - time.monotonic()))
        self.say("output off")
        self.wait("end of a power-up", lambda: self.newest()["ended_why"])
        self.bench.told(item["id"], step, fault)
        return item["id"]


class Job:
    """One step of a story, at one output."""

    def __init__(self, story, step, hand):
        self.story, self.step, self.hand = story, step, hand
        self.supplies = [step.on] if step.on else [
            name for name, profile in SUPPLIES.items()
            if profile == READ_BY[story.type] and name != "rear"]
        # The bad ones are seen sooner; this is for sharing the work out.
        self.cost_s = (step.power_ups + step.run) * 9 + step.on_s

    def do(self, supply):
        story, step = self.story, self.step
        order = self.put_on(supply) if step.order else None
        unit = step.strayed or story.unit
        if order is None or step.strayed or step.stage != "intake" or step.tag:
            supply.ask("PUT", f"supplies/{supply.name}/on-bench", {
                "module_type": story.type, "unit": unit, "stage": step.stage,
                "work_order": None if step.strayed or not order else order, "tag": step.tag})
        if order:
            self.write_down(supply, order)
        supply.say(f"module {story.type}", f"unit {story.unit}")
        if not step.hot_after_s:
            supply.say(f"temperature {step.ambient_C}")
        ids = self.power(supply)
        supply.say("temperature 23")
        if step.strayed:
            for id_ in ids:
                supply.ask("PUT", f"power-ups/{id_}/attachment", {
                    "unit": story.unit, "work_order": order, "stage": step.stage,
                    "why": "the wrong label was scanned", "hand": self.hand})
        for id_ in ids if step.trusted else ():
            supply.ask("PUT", f"power-ups/{id_}/known-good",
                       {"why": step.trusted, "hand": self.hand})
        if step.close:
            self.finish(supply, order, ids)

    def finish(self, supply, order, ids):
        """Closes the order and writes its record; what was to go out and is not good
        stays."""
        outcome, cause, parts = self.step.close
        verdicts = [supply.ask("GET", f"power-ups/{id_}")["verdict"]["verdict"] for id_ in ids]
        if outcome == "repaired" and verdicts[-1] != "good":
            supply.ask("POST", f"work-orders/{order}/notes", {
                "stage": self.step.stage, "hand": self.hand,
                "text": f"{verdicts[-1]} at the last: it stays until that is understood"})
        else:
            supply.ask("POST", f"work-orders/{order}/close", {
                "outcome": outcome, "found_cause": cause, "parts": parts, "hand": self.hand})
            supply.ask("POST", f"work-orders/{order}/record", {"hand": self.hand})

    def put_on(self, supply):
        story = self.story
        facts = {key: getattr(story, key) for key in ("complaint", "cells", "condition", "revision")}
        taken = supply.ask("POST", f"supplies/{supply.name}/intake", {
            "serial": story.unit, "module_type": story.type, "hand": self.hand,
            **(dict(facts, customer_reference=story.customer) if self.step.stage == "intake"
               else {})})
        return taken["work_order"]["id"]

    def write_down(self, supply, order):
        for text in self.step.notes:
            supply.ask("POST", f"work-orders/{order}/notes",
                       {"stage": self.step.stage, "text": text, "hand": self.hand})
        for what, value, unit in self.step.readings:
            supply.ask("POST", f"work-orders/{order}/meter-readings", {
                "stage": self.step.stage, "before_power": self.step.stage == "intake",
                "what": what, "value": value, "unit": unit, "hand": self.hand})

    def power(self, supply):
        step, ids = self.step, []
        faults = step.fault if isinstance(step.fault, tuple) else (step.fault,) * step.power_ups
        on = None
        for fault in faults:
            # Put on anew it would wake exactly as before.
            if fault != on:
                supply.say(f"fault {fault}")
            on = fault
            ids.append(supply.power_up(step, fault))
        if step.run:
            supply.ask("POST", f"supplies/{supply.name}/run", {
                "wanted": step.run, "off_s": 1, "stop_on": "bad", "switched": "hand"})
            for _ in range(step.run):
                ids.append(supply.power_up(step, "none"))
        return ids


class Bench:
    def __init__(self, wakedraw, folder, today):
        self.wakedraw, self.folder, self.today = wakedraw, folder, today
        self.log = open(folder / "log", "w")
        self.supplies, self.daemon, self.port = {}, None, 0
        self.lock, self.began = threading.Lock(), time.monotonic()
        self.meant = {}
        self.failures = []

    def ask(self, method, path, body=None, wanted=(200, 201)):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        connection.request(method, "/api/v1/" + path, body and json.dumps(body),
                           {"Content-Type": "application/json"} if body else {})
        response = connection.getresponse()
        text = response.read().decode()
        connection.close()
        if response.status not in wanted:
            raise RuntimeError(f"{method} {path} {body}: {response.status} {text[:400]}")
        return json.loads(text)

    def told(self, id_, step, fault):
        with self.lock:
            self.meant[id_] = {"fault": fault, "tag": step.tag, "ambient_C": step.ambient_C}

    @contextlib.contextmanager
    def open(self, at, names):
        """The daemon on these outputs, its wall time beginning there."""
        text = (f"[bench]\nname = Harbour Lane\ndata = {self.folder}/data\nlisten = 127.0.0.1:0\n"
                f"simulated_from = {at:%Y-%m-%dT%H:%M:%S}Z\n")
        for name in names:
            supply = self.supplies[name]
            text += (f"\n[supply {name}]\nlink = {supply.link}\nprofile = {supply.profile}\n"
                     "rate_hz = 50\n")
        (self.folder / "bench.ini").write_text(text)
        self.daemon = Process(self.wakedraw, "serve", "--config", self.folder / "bench.ini",
                              ready="listening", log=self.log)
        try:
            self.port = int(self.daemon.first_line.strip().rstrip("/").rsplit(":", 1)[1])
            for name in names:
                self.supplies[name].wait("reading", lambda name=name: self.supplies[name].item()[
                    "current_A"] is not None)
            yield
        finally:
            self.daemon.stop()

    def each(self, names, work):
        """Does the work of each output at the same time."""
        def guarded(name):
            try:
                work(self.supplies[name])
            except Exception as failure:  # told by whoever waits for all
                self.failures.append(failure)
        threads = [threading.Thread(target=guarded, args=(name,), daemon=True) for name in names]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if self.failures:
            raise self.failures[0]

    def settle(self):
        """What the shop set for itself, before its first day."""
        first = day_of(DAYS["a"], self.today) - datetime.timedelta(days=1)
        with self.open(datetime.datetime.combine(first, datetime.time(9)), []):
            self.ask("PUT", "settings", {
                "check_standard": {"serial": "HL-0001"},
                "shop": {"name": "Harbour Lane Controls (simulated)",
                         "lines": ["2 Harbour Lane, Port Orrin", "An invented shop"]}})
            for path in sorted((HERE / "references").glob("*.json")):
                self.ask("POST", "references", json.loads(path.read_text()))
            known = {item["name"]: item for item in self.ask("GET", "module-types")["items"]}
            for name, (volts, feeds, cautions) in TYPES.items():
                self.ask("POST", "module-types", {
                    "name": name, "nominal_voltage_V": volts, "watch_s": known[name]["watch_s"],
                    "current_limit_A": known[name]["current_limit_A"], "cautions": cautions})

    def check(self, day, names, gain, standard):
        """The morning's check: the resistor, nothing, and perhaps the check standard."""
        if "rear" in names:
            self.supplies["rear"].stop()
            self.supplies["rear"] = Supply(self, "rear", gain)
        for name in names:
            self.supplies[name].say(f"module {HERE / 'bench' / 'resistor-47-ohm.ini'}", "output on")
        time.sleep(0.3)

        def at(supply):
            volts, amperes = supply.readings()
            supply.say("module none")
            time.sleep(0.3)
            body = {"zero": {"current_A": supply.readings()[1]}, "hand": HANDS[day.day % 3],
                    "resistors": [{"ohm": 47, "tolerance_percent": 1, "voltage_V": volts,
                                   "current_A": amperes}]}
            supply.say("output off")
            if supply.name == standard:
                supply.wait("off", lambda: supply.item()["voltage_V"] < 0.4)
                job = Job(Story("HL-0001", "reefer-controller", None, []),
                          Step("", order=False), HANDS[0])
                job.do(supply)
                body["check_standard"] = {"power_up": supply.newest()["id"]}
            supply.ask("POST", f"supplies/{supply.name}/checks", body)
        with self.open(datetime.datetime.combine(day, datetime.time.fromisoformat(CHECK_TIME)),
                       names):
            self.each(names, at)

    def shared_out(self, jobs):
        """The jobs of one part of a day by output, the longest first, each where a hand
        is free."""
        queues = {name: [] for name in self.supplies}
        for job in sorted(jobs, key=lambda job: -job.cost_s):
            name = min((name for name in job.supplies if name in queues),
                       key=lambda name: sum(each.cost_s for each in queues[name]))
            queues[name].append(job)
        return {name: queue for name, queue in queues.items() if queue}

    def part(self, part, queues):
        at = datetime.datetime.combine(day_of(DAYS[part[0]], self.today),
                                       datetime.time.fromisoformat(TIMES[part[1]]))
        with self.open(at, list(queues)):
            self.each(queues, lambda supply: [job.do(supply) for job in queues[supply.name]])

    def plan(self, stories, small):
        """(seconds it takes, what it is, the work) in the order of time."""
        dice, jobs = random.Random(SEED), {}
        for story in stories:
            hand = dice.choice(HANDS)
            for step in story.steps:
                jobs.setdefault(step.part, []).append(Job(story, step, hand))
        checks = {day_of(back, self.today): REAR_GAIN[-1 - back]
                  for back in range(1 if small else len(REAR_GAIN))}
        week = {day_of(told, self.today): letter for letter, told in DAYS.items()}
        for day in sorted({*checks, *(day_of(DAYS[part[0]], self.today) for part in jobs)}):
            names = list(self.supplies) if day in week else list(CHECKED)
            standard = "left" if day in week and day in checks and not small else None
            yield (12 if standard else 3, f"{day:%A %-d %B}, bench check",
                   functools.partial(self.check, day, names, checks.get(day, 0), standard))
            for part in sorted(part for part in jobs if part[0] == week.get(day)):
                queues = self.shared_out(jobs[part])
                cost_s = max(sum(job.cost_s for job in queue) for queue in queues.values())
                yield (cost_s, f"{day:%A %-d %B}, from {TIMES[part[1]]}",
                       functools.partial(self.part, part, queues))

    def make(self, stories, small):
        names = ["left", "right", "rear", "rack-1", "rack-2"] if small else list(SUPPLIES)
        self.supplies = {name: Supply(self, name) for name in names}
        self.settle()
        plan = list(self.plan(stories, small))
        for i, (_, what, work) in enumerate(plan):
            done_s, left_s = (sum(cost for cost, _, _ in some) for some in (plan[:i], plan[i:]))
            pace = (time.monotonic() - self.began) / done_s if done_s else 1
            print(f"The week of the Harbour Lane bench, about {left_s * pace:.0f} s left: {what}",
                  flush=True)
            work()

    def end(self):
        for supply in self.supplies.values():
            supply.stop()
        self.log.close()


def made_by(wakedraw, small):
    """What a week depends on; another one is made when it changes."""
    with tempfile.TemporaryDirectory(prefix="wakedraw-form-") as folder:
        subprocess.run([wakedraw, "import", "--data", folder,
                        next((HERE / "references").glob("*.json"))], check=True,
                       stdout=subprocess.DEVNULL)
        with sqlite3.connect(pathlib.Path(folder) / "wakedraw.db") as store:
            form = store.execute("PRAGMA user_version").fetchone()[0]
    version = subprocess.run([wakedraw, "--version"], check=True, capture_output=True, text=True)
    told = hashlib.sha256()
    for path in (HERE / "week.py", HERE / "week_told.py"):
        told.update(path.read_bytes())
    return f"{'small' if small else 'whole'} {version.stdout.strip()} form {form} {told.hexdigest()}\n"


def goes_on_at(data):
    """When a demo on that data begins: now, or soon after the last thing kept, where
    that is of another day or yet to come."""
    with sqlite3.connect(f"file:{data}/wakedraw.db?mode=ro", uri=True) as store:
        last_us = store.execute("SELECT max(started_us) FROM power_up").fetchone()[0]
    last = datetime.datetime.fromtimestamp(last_us / 1e6, datetime.timezone.utc)
    now = datetime.datetime.now(datetime.timezone.utc)
    if not last < now or now.date() != last.date():
        now = last + datetime.timedelta(minutes=5)
    return f"{now:%Y-%m-%dT%H:%M:%S}Z"


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("build", type=pathlib.Path, help="the build directory")
    parser.add_argument("--small", action="store_true", help="a handful of units")
    parser.add_argument("--goes-on-at", metavar="DATA", help="only say when a demo on it begins")
    options = parser.parse_args()
    if options.goes_on_at:
        print(goes_on_at(options.goes_on_at))
        return
    build = options.build.resolve()
    wakedraw, week = build / "wakedraw", build / "demo-week"
    stamp = made_by(wakedraw, options.small)
    if (week / "made-by").is_file() and (week / "made-by").read_text() == stamp:
        return
    die_with_parent()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="demo-week-", dir=build) as name:
        folder = pathlib.Path(name)
        bench = Bench(wakedraw, folder, datetime.datetime.now(datetime.timezone.utc).date())
        try:
            bench.make(SMALL if options.small else STORIES + ordinary(random.Random(SEED)),
                       options.small)
        finally:
            bench.end()
        made = folder / "made"
        made.mkdir()
        (folder / "data").rename(made / "data")
        (made / "meant.json").write_text(json.dumps(bench.meant, indent=0))
        (made / "made-by").write_text(stamp)
        if week.exists():
            shutil.rmtree(week)
        made.rename(week)
    print(f"Made in {time.monotonic() - began:.0f} s, kept in {week}")


main()
