#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A made-up week of a shop in a store, served until standard input ends, for the
tests of the pages that look at what is kept. Says `listening URL` when it is ready."""
import datetime
import pathlib
import sqlite3
import sys

from bench_process import Daemon, config_text, temporary_folder
from stored_bench import StoredBench

SEED = 20260407
NOW = datetime.datetime.now(datetime.timezone.utc)
LONG = ("Stops on the quay when the compressor of the next container starts, comes up again after "
        "a minute, and has lost the log of the hour before. Fitted new in spring; the cable gland "
        "was found loose and the board damp on the side of the connector. ") * 8


def stamp(days_ago, minutes=0, seconds=0):
    at = NOW - datetime.timedelta(days=days_ago) + datetime.timedelta(minutes=minutes,
                                                                      seconds=seconds)
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


class Week:
    def __init__(self, folder):
        self.folder = folder
        self.bench = StoredBench(folder, SEED)
        self.plan = []  # (unit, days ago it came in, closed days ago or None, {}, stages added)
        self.dates = []

    def repair(self, unit, came, closed, draws, **closing):
        """draws: [(stage, how much of the final draw there is, how many times)]."""
        for at, (stage, last, times) in enumerate(draws):
            day = came - at * (came - (closed or 0)) / max(1, len(draws))
            for k in range(times):
                self.bench.add(unit, stage, stamp(day, 2 * k + 1, last_digit(unit)), 1 + (last_digit(unit) - 5) * 0.0008,
                               last)
        self.plan.append((unit, came, closed, closing))

    def fill(self):
        whole = [("intake", 0.8, 1), ("heat check", 1.0, 1), ("after rework", 1.0, 2), ("final", 1.0, 3)]
        for n in range(6):
            self.repair(f"HL-040{n}", 9 - n, 6.5 - n if n < 5 else 0.4, whole,
                        outcome="repaired", hand="TM", found_cause="open joint under the regulator",
                        parts="none")
        self.repair("HL-0406", 5, 3, [("intake", 0.8, 2), ("after rework", 0.8, 1)],
                    outcome="not repairable", hand="AK", found_cause="inner layer burnt")
        self.repair("HL-0407", 4, 1, whole, outcome="repaired", hand="AK", found_cause=LONG[:600],
                    parts="two capacitors, one connector, lacquer")
        self.repair("HL-0408", 3, 1, whole, outcome="repaired", hand="TM", found_cause="dry joint")
        self.repair("HL-0400", 0.05, None, [("intake", 0.94, 1)])
        self.repair("HL-0409", 0.3, None, [("intake", 0.8, 2)])

    def ask(self, method, path, body, wanted):
        status, answer = self.daemon.ask(method, path, body)
        assert status == wanted, (path, answer)
        return answer

    def write_order(self, unit, came, closed, closing):
        texts = {"complaint": LONG if unit == "HL-0407" else "does not wake, now and then",
                 "customer_reference": f"CR-{unit[-3:]}", "condition": "gland loose, no corrosion",
                 "cells": "coin cell" if unit == "HL-0408" else None}
        order = self.ask("POST", "work-orders", {"unit": unit, **texts}, 201)["id"]
        first, last = stamp(came + 0.01), stamp(closed - 0.01 if closed else -1)
        for item in reversed(self.daemon.get(f"power-ups?limit=100&unit={unit}")["items"]):
            if first <= item["started_at"] <= last and item["work_order"] is None:
                self.ask("PUT", f"power-ups/{item['id']}/attachment",
                         {"unit": unit, "work_order": order, "stage": item["stage"],
                          "why": "kept before the order was written"}, 200)
        self.slips(order, 12 if unit == "HL-0407" else 1)
        if closed is not None:
            self.ask("POST", f"work-orders/{order}/close", closing, 200)
        self.dates.append((came + 0.02, closed, order))
        return order

    def slips(self, order, count):
        for k in range(count):
            self.ask("POST", f"work-orders/{order}/notes",
                     {"stage": "intake", "hand": "TM",
                      "text": f"joint {k + 1} by the regulator reflowed, looked at under the glass"},
                     201)
            self.ask("POST", f"work-orders/{order}/meter-readings",
                     {"stage": "intake", "before_power": True, "what": f"supply to ground {k + 1}",
                      "value": 1840 + 10 * k, "unit": "ohm", "hand": "TM"}, 201)

    def write(self):
        self.daemon = self.bench.start()
        # The first orders of a unit before its later ones.
        for unit, came, closed, closing in sorted(self.plan, key=lambda each: -each[1]):
            order = self.write_order(unit, came, closed, closing)
            if closed is not None and unit != "HL-0408":
                self.ask("POST", f"work-orders/{order}/record", {"hand": closing["hand"]}, 201)
        self.daemon.stop()
        with sqlite3.connect(next((self.folder / "data").glob("*.db"))) as store:
            for came, closed, order in self.dates:
                store.execute("UPDATE work_order SET created_us = unixepoch(?) * 1000000 WHERE id = ?",
                              (stamp(came), order))
                if closed is not None:
                    store.execute("UPDATE work_order SET closed_us = unixepoch(?) * 1000000"
                                  " WHERE id = ?", (stamp(closed), order))
        store.close()

    def serve(self):
        self.fill()
        self.write()
        self.daemon = Daemon(self.folder, config_text(self.folder, {}))
        print(f"listening http://127.0.0.1:{self.daemon.port}/", flush=True)
        sys.stdin.read()
        self.daemon.stop()


def last_digit(unit):
    return int(unit[-1])


if __name__ == "__main__":
    with temporary_folder() as folder:
        week = Week(pathlib.Path(folder))
        week.bench.teach_range(0.36, 0.44)
        week.serve()
