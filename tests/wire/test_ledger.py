#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Units that come back, against how they left; and the shop's ledger by its days."""
import os
import pathlib
import sqlite3
import unittest

os.environ["TZ"] = "SHOP-10"  # ten hours ahead of UTC, whatever the machine's own

from bench_process import Daemon, config_text, main, temporary_folder  # noqa: E402
from stored_bench import MODULE, StoredBench  # noqa: E402

SEED = 20260311

# When each order came in and was closed, in UTC; the shop's day is ten hours ahead.
DATES = {
    "HL-0300": [("2026-03-02T00:30:00Z", "2026-03-05T05:00:00Z"), ("2026-03-23T01:00:00Z", None)],
    "HL-0301": [("2026-03-02T01:30:00Z", "2026-03-04T05:00:00Z"),
                ("2026-03-24T01:00:00Z", "2026-03-25T01:00:00Z")],
    "HL-0302": [("2026-03-03T00:00:00Z", "2026-03-10T00:00:00Z")],
}


class ComesBack(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder_object = temporary_folder()
        cls.addClassCleanup(cls.folder_object.cleanup)
        cls.folder = pathlib.Path(cls.folder_object.name)
        bench = StoredBench(cls.folder, SEED)
        bench.teach_range(0.36, 0.44)
        # 20:30 UTC is the next day's morning in the shop.
        bench.add("HL-0300", "intake", "2026-03-01T20:30:00Z", 1.0, 0.8)
        bench.add("HL-0301", "intake", "2026-03-02T01:31:00Z", 1.0, 0.8)
        bench.add("HL-0302", "intake", "2026-03-03T00:01:00Z", 1.0, 0.8)
        for k in range(3):
            bench.add("HL-0300", "final", f"2026-03-04T01:0{k}:00Z")
            bench.add("HL-0301", "final", f"2026-03-04T02:0{k}:00Z")
        bench.add("HL-0302", "after rework", "2026-03-04T03:00:00Z", 1.0, 0.8)
        bench.add("HL-0300", "intake", "2026-03-23T01:01:00Z", 1.0, 0.94)
        bench.add("HL-0301", "intake", "2026-03-24T01:01:00Z")
        cls.daemon = bench.start()
        cls.orders = {}
        cls.first_orders()
        cls.second_orders()
        cls.set_dates()
        cls.addClassCleanup(lambda: cls.daemon.stop())

    @classmethod
    def do(cls, method, path, body, wanted):
        status, answer = cls.daemon.ask(method, path, body)
        assert status == wanted, answer
        return answer

    @classmethod
    def take_in(cls, unit, choose):
        order = cls.do("POST", "work-orders", {"unit": unit}, 201)["id"]
        for item in cls.daemon.get(f"power-ups?limit=100&unit={unit}")["items"]:
            if choose(item):
                cls.do("PUT", f"power-ups/{item['id']}/attachment",
                       {"unit": unit, "work_order": order, "stage": item["stage"],
                        "why": "caught before the order was opened"}, 200)
        cls.orders.setdefault(unit, []).append(order)
        return order

    @classmethod
    def close(cls, order, outcome):
        cls.do("POST", f"work-orders/{order}/close", {"outcome": outcome, "hand": "TM"}, 200)

    @classmethod
    def first_orders(cls):
        before = lambda item: item["started_at"] < "2026-03-20"  # noqa: E731
        cls.close(cls.take_in("HL-0300", before), "repaired")
        cls.close(cls.take_in("HL-0301", before), "repaired")
        cls.close(cls.take_in("HL-0302", before), "not repairable")

    @classmethod
    def second_orders(cls):
        later = lambda item: item["started_at"] > "2026-03-20"  # noqa: E731
        cls.take_in("HL-0300", later)
        order = cls.take_in("HL-0301", later)
        compared = cls.compare("HL-0301")
        assert compared["changed"] is False, compared
        # What was found, or not, rests on the power-up compared.
        cls.close(order, "nothing found")
        made = cls.do("POST", f"work-orders/{order}/record", {"hand": "TM"}, 201)
        cls.record = cls.daemon.get(f"records/{made['id']}")["content"]

    @classmethod
    def set_dates(cls):
        """The orders were written today: put their dates in March."""
        cls.daemon.stop()
        with sqlite3.connect(next((cls.folder / "data").glob("*.db"))) as store:
            for unit, orders in DATES.items():
                for order, (came, left) in zip(cls.orders[unit], orders):
                    store.execute(
                        "UPDATE work_order SET created_us = unixepoch(?) * 1000000,"
                        " closed_us = unixepoch(?) * 1000000 WHERE id = ?", (came, left, order))
        store.close()
        cls.daemon = Daemon(cls.folder, config_text(cls.folder, {}))

    @classmethod
    def unit(cls, serial):
        return cls.daemon.get(f"units?serial={serial}")["items"][0]["id"]

    @classmethod
    def newest(cls, serial):
        return cls.daemon.get(f"power-ups?limit=1&unit={serial}")["items"][0]["id"]

    @classmethod
    def compare(cls, serial):
        return cls.daemon.get(f"units/{cls.unit(serial)}/shipped-comparison"
                              f"?power_up={cls.newest(serial)}")

    def test_within_the_limits_but_not_as_it_left(self):
        compared = self.compare("HL-0300")
        self.assertEqual(compared["stages"], ["when it left", "today"])
        self.assertEqual(compared["work_order"], self.orders["HL-0300"][0])
        self.assertEqual(len(compared["shipped"]), 3)
        self.assertEqual(compared["power_up"], self.newest("HL-0300"))
        final = next(row for row in compared["rows"] if row["of"] == "final_draw_A")
        self.assertEqual([point["n"] for point in final["points"]], [3, 1])
        self.assertAlmostEqual(final["points"][0]["mean"], 0.400, delta=0.002)
        self.assertAlmostEqual(final["points"][1]["mean"], 0.376, delta=0.002)
        self.assertTrue(final["changes"][0]["more_than_own_spread"])
        self.assertLess(final["changes"][0]["high_share"], 0)
        self.assertIs(compared["changed"], True)
        # Good by the type, and yet another than it was: in words.
        self.assertEqual(compared["together"]["today"]["verdict"], "good")
        self.assertRegex(compared["said"][0], r"^Changed: final draw 0\.37\d A today, 0\.\d+ A when "
                         r"it left, \d\.\d % less \(95 %: .* %\), more than the unit's own spread; "
                         r"still within the type's limits, 0\.360 to 0\.440 A\.$")

    def test_an_unchanged_one_and_its_evidence(self):
        compared = self.compare("HL-0301")
        self.assertIs(compared["changed"], False)
        self.assertRegex(compared["said"][0], "^Nothing changed by more than the unit's own spread")
        self.assertEqual(len(compared["said"]), 1)
        against = self.record["against_shipped"]
        self.assertEqual(against["work_order"], self.orders["HL-0301"][0])
        self.assertEqual(against["power_up"], self.newest("HL-0301"))
        self.assertEqual((against["changed"], against["said"]), (False, compared["said"]))
        self.assertEqual(self.record["work_order"]["outcome"], "nothing found")

    def test_nothing_to_compare_with(self):
        ask = self.daemon.ask
        status, problem = ask("GET", f"units/{self.unit('HL-0302')}/shipped-comparison"
                              f"?power_up={self.newest('HL-0302')}")
        self.assertEqual((status, "nothing to compare" in problem["detail"]), (409, True))
        status, problem = ask("GET", f"units/{self.unit('HL-0302')}/shipped-comparison"
                              f"?power_up={self.newest('HL-0300')}")
        self.assertEqual((status, problem["field"]), (404, "power_up"))
        # What is drawn under heat or cold is no measure.
        warm = self.newest("HL-0300")
        for tag, wanted in (("cold", 409), (None, 200)):
            status, problem = ask("PUT", f"power-ups/{warm}/tag", {"tag": tag})
            self.assertEqual(status, 200, problem)
            status, problem = ask("GET", f"units/{self.unit('HL-0300')}/shipped-comparison"
                                  f"?power_up={warm}")
            self.assertEqual(status, wanted, problem)
        for query in ("", "?power_up=", "?power_up=x"):
            status, problem = ask("GET", f"units/{self.unit('HL-0300')}/shipped-comparison{query}")
            self.assertEqual((status, problem["field"]), (400, "power_up"))

    # --- the ledger ---

    def ledger(self, first, last):
        return self.daemon.get(f"ledger?from={first}&to={last}")

    def test_verdicts_by_the_shops_day(self):
        ledger = self.ledger("2026-03-01", "2026-03-31")
        self.assertEqual((ledger["from"], ledger["to"], ledger["utc_offset"]),
                         ("2026-03-01", "2026-03-31", "+10:00"))
        self.assertEqual(ledger["verdicts_by_day"], [
            {"day": "2026-03-02", "good": 0, "bad": 2, "unsure": 0},  # 20:30 UTC on the 1st, too
            {"day": "2026-03-03", "good": 0, "bad": 1, "unsure": 0},
            {"day": "2026-03-04", "good": 6, "bad": 1, "unsure": 0},
            {"day": "2026-03-23", "good": 1, "bad": 0, "unsure": 0},
            {"day": "2026-03-24", "good": 1, "bad": 0, "unsure": 0},
        ])
        # Each figure is the length of the list it leads to.
        for row in ledger["verdicts_by_day"]:
            for verdict in ("good", "bad", "unsure"):
                items = self.daemon.get(f"power-ups?day={row['day']}&verdict={verdict}")["items"]
                self.assertEqual(len(items), row[verdict], row)
        for row in ledger["reasons_by_type"]:
            items = self.daemon.get(f"power-ups?from=2026-03-01&to=2026-03-31"
                                    f"&module_type={row['module_type']}&reason={row['code']}"
                                    f"&verdict={row['verdict']}")["items"]
            self.assertEqual(len(items), row["count"], row)
        self.assertEqual(ledger["reasons_by_type"], [
            {"module_type": MODULE, "verdict": "bad", "code": "low_final", "count": 4}])

    def test_what_became_of_the_orders(self):
        ledger = self.ledger("2026-03-01", "2026-03-31")
        first = {unit: orders[0] for unit, orders in self.orders.items()}
        again = {unit: orders[-1] for unit, orders in self.orders.items()}
        self.assertEqual(
            [(row["work_order"], row["unit"], row["returned_from"], row["days_after"])
             for row in ledger["returns"]],
            [(again["HL-0300"], "HL-0300", first["HL-0300"], 17),
             (again["HL-0301"], "HL-0301", first["HL-0301"], 19)])
        self.assertEqual(ledger["under_warranty"], 2)
        stages = {row["stage"]: row for row in ledger["stages"]}
        self.assertEqual(list(stages), ["intake", "after rework", "final"])
        self.assertEqual(stages["intake"]["failed"]["count"], 3)
        self.assertEqual(stages["intake"]["passed"]["count"], 2)
        self.assertEqual(stages["after rework"]["failed"],
                         {"count": 1, "work_orders": [first["HL-0302"]]})
        self.assertEqual(stages["final"]["passed"]["count"], 2)
        self.assertEqual(stages["final"]["undecided"], {"count": 0, "work_orders": []})
        outcomes = {row["outcome"]: row["work_orders"] for row in ledger["outcomes"]}
        self.assertEqual(outcomes["nothing found"], [again["HL-0301"]])
        self.assertEqual(outcomes["not repairable"], [first["HL-0302"]])
        self.assertEqual(sorted(outcomes["repaired"]), [first["HL-0300"], first["HL-0301"]])
        days = ledger["turnaround_days"]
        self.assertEqual((days["count"], days["shortest"], days["longest"]), (4, 1.0, 7.0))
        # 1, 2 days 3 h 30 min, 3 days 4 h 30 min, 7: half way between the two in the middle.
        self.assertAlmostEqual(days["median"], (2 + 3.5 / 24 + 3 + 4.5 / 24) / 2, places=6)
        known = {order["id"] for order in ledger["work_orders"]}
        self.assertEqual(known, {order for orders in self.orders.values() for order in orders})

    def test_a_period_of_its_own(self):
        ledger = self.ledger("2026-03-24", "2026-03-24")
        self.assertEqual(len(ledger["verdicts_by_day"]), 1)
        self.assertEqual([row["unit"] for row in ledger["returns"]], ["HL-0301"])
        self.assertEqual(ledger["outcomes"], [])
        self.assertEqual(ledger["turnaround_days"], {"count": 0, "median": None, "shortest": None,
                                                     "longest": None, "work_orders": []})
        # The 25th at 01:00 UTC is 11:00 of the 25th in the shop.
        self.assertEqual(self.ledger("2026-03-25", "2026-03-25")["outcomes"][0]["count"], 1)
        nothing = self.ledger("2025-01-01", "2025-01-31")
        self.assertEqual((nothing["verdicts_by_day"], nothing["work_orders"]), ([], []))
        # Without days: the last two weeks, up to today.
        self.assertEqual(len(self.daemon.get("ledger")["verdicts_by_day"]), 0)
        for query, field in (("from=2026-02-30", "from"), ("to=today", "to"),
                             ("from=2026-3-1", "from"), ("from=2026-03-02&to=2026-03-01", "from"),
                             ("from=2020-01-01&to=2026-01-01", "from"), ("month=3", "month")):
            status, problem = self.daemon.ask("GET", f"ledger?{query}")
            self.assertEqual((status, problem["field"]), (400, field), query)


if __name__ == "__main__":
    main()
