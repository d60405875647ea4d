#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs over the API: a unit powered again and again, by the daemon or by hand, and
the soak's log with its drops. Three simulated supplies: wakedraw may switch two."""
import datetime
import json
import pathlib
import unittest

from bench_process import Daemon, Supply, config_text, main, run, temporary_folder
from test_http import Document

MODULE = "bilge-pump-controller"
WATCH_S = 1.5
# Draws less where the voltage falls, and goes on all the same.
LAMP = """[module]
name = Cabin lamp
nominal_voltage_V = 12
current_limit_A = 1
wakes_above_V = 6
drops_below_V = 4
quiescent_A = 0.001
input_capacitor_F = 0.0001
unit_level_percent = 0
power_up_level_percent = 0

[phase 1]
name = driver up
duration_s = 0.5
level_A = 0.04
law = linear

[phase 2]
name = lit
level_A = 0.1
law = resistive
"""


def begun_s(item):
    return datetime.datetime.fromisoformat(item["started_at"].replace("Z", "+00:00")).timestamp()


class Runs(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder_object = temporary_folder()
        cls.addClassCleanup(cls.folder_object.cleanup)
        cls.folder = pathlib.Path(cls.folder_object.name)
        lamp = cls.folder / "lamp.ini"
        lamp.write_text(LAMP)
        cls.supplies = {}
        for name, module in (("left", MODULE), ("mid", MODULE), ("hand", lamp)):
            cls.supplies[name] = Supply(cls.folder, name, "--module", module, "--time-scale", "5",
                                        "--seed", "7")
            cls.addClassCleanup(cls.supplies[name].stop)
        more = {"left": "control = on", "mid": "control = on", "hand": "control = off"}
        cls.config = config_text(cls.folder, {
            name: (supply.link, "profile = scpi\n" + more[name])
            for name, supply in cls.supplies.items()})
        cls.daemon = Daemon(cls.folder, cls.config)
        cls.addClassCleanup(lambda: cls.daemon.stop())
        for kind, range_A in ((MODULE, "0.06:0.08"), ("Cabin lamp", "0.09:0.11")):
            path = cls.folder / "range.json"
            made = run("build-reference", "--type", kind, "--out", path, "--range", range_A,
                       "--watch", WATCH_S)
            assert made.returncode == 0, made.stderr
            status, body = cls.daemon.ask("POST", "references", path.read_text())
            assert status == 201, body
        cls.document = Document(cls.daemon.get("openapi.json"))
        for name in cls.supplies:
            cls.daemon.wait_supply(name, lambda item: item["state"] == "reading")

    def setUp(self):
        self.events = self.daemon.events()
        self.addCleanup(self.events.close)

    def put_on(self, name, unit, stage=None, kind=MODULE):
        status, body = self.daemon.ask("PUT", f"supplies/{name}/on-bench",
                                       {"module_type": kind, "unit": unit, "stage": stage})
        self.assertEqual(status, 200, body)

    def begin(self, name, expect=201, **wish):
        wish = {"wanted": 10, "off_s": 0.5, "on_s": None, "stop_on": "never",
                "switched": "wakedraw", **wish}
        status, body = self.daemon.ask("POST", f"supplies/{name}/run", wish)
        self.assertEqual(status, expect, body)
        return body

    def check_as_told(self, name, item):
        """What is sent is as the API's description says."""
        faults = self.document.faults({"$ref": "#/components/schemas/" + name}, item)
        self.assertFalse(faults, item)

    def told(self, item, fits):
        data = self.events.wait("run", lambda data: data["id"] == item["id"] and fits(data))
        self.check_as_told("Run", data)
        return data

    def whole(self, item):
        kept = self.daemon.get("runs/" + item["id"])
        self.check_as_told("WholeRun", kept)
        return kept

    def opened(self, name):
        return self.events.wait("power-up", lambda data: data["supply"] == name and
                                data["power_up"]["state"] == "open" and data["power_up"]["id"])

    def is_off(self, name):
        return json.loads(self.supplies[name].say("status"))["output_on"] is False

    def test_four_quick_ones(self):
        self.put_on("left", "HL-0001", "final")
        self.assertIsNone(self.daemon.supply("left")["run"])
        item = self.begin("left", wanted=4, tag=None)
        self.assertEqual((item["done"], item["power_ups"], item["result"], item["left_s"]),
                         (0, [], None, None))
        self.assertEqual(self.daemon.supply("left")["run"], item["id"])
        self.begin("left", expect=409)
        status, problem = self.daemon.ask("PUT", "supplies/left/output", {"on": True})
        self.assertEqual(status, 409)
        self.assertIn("run " + item["id"], problem["detail"])
        first = self.told(item, lambda data: data["done"] == 1)
        self.assertGreater(first["left_s"], 3 * (0.5 + WATCH_S) - 1)
        self.told(item, lambda data: data["ended_at"])
        kept = self.whole(item)
        self.assertEqual((kept["ended_why"], kept["done"], kept["good"], kept["left_s"]),
                         ("complete", 4, 4, None))
        self.assertEqual(len(kept["power_ups"]), 4)
        self.assertTrue(self.is_off("left"))
        self.assertIsNone(self.daemon.wait_supply("left", lambda it: not it["run"])["run"])
        # No failure in four: the rate is below 1 - 0.05^(1/4), one-sided 95 %.
        result = kept["result"]
        self.assertEqual((result["verdict"], result["good"], result["bad"]), ("good", 4, 0))
        self.assertAlmostEqual(result["failure_rate"]["high"], 1 - 0.05 ** 0.25, places=9)
        self.assertEqual(result["failure_rate"]["sides"], 1)
        listed = self.daemon.get("power-ups?run=" + item["id"])["items"]
        self.assertEqual([each["id"] for each in reversed(listed)], kept["power_ups"])
        times = [begun_s(each) for each in reversed(listed)]
        for earlier, later in zip(times, times[1:]):
            self.assertGreater(later - earlier, WATCH_S + 0.5)
        self.assertEqual({each["unit"] for each in listed}, {"HL-0001"})
        told = [data["power_up"]["run"] for name, data, _ in self.events.seen
                if name == "power-up" and data["power_up"]["id"] in kept["power_ups"]]
        self.assertEqual(set(told), {item["id"]})

    def test_stops_on_the_first_bad_one(self):
        self.put_on("mid", "HL-0002")
        self.addCleanup(self.supplies["mid"].say, "fault none")
        item = self.begin("mid", stop_on="bad", tag="cold")
        self.assertEqual(item["tag"], "cold")
        self.assertEqual(self.daemon.supply("mid")["tag"], "cold")
        self.told(item, lambda data: data["good"] == 1)
        self.supplies["mid"].say("fault low:40")
        over = self.told(item, lambda data: data["ended_at"] and data["bad"] == 1)
        self.assertEqual(over["ended_why"], "stopped on the first bad one")
        kept = self.whole(item)
        self.assertEqual((kept["done"], kept["good"], kept["bad"]), (2, 1, 1))
        self.daemon.wait_supply("mid", lambda it: it["output_on"] is False)
        result = kept["result"]
        self.assertEqual((result["verdict"], result["intermittent"]), ("bad", True))
        # Clopper and Pearson, one of two: from (1 - x)^2 = 0.975 and x^2 = 0.975.
        self.assertAlmostEqual(result["failure_rate"]["low"], 1 - 0.975 ** 0.5, places=6)
        self.assertAlmostEqual(result["failure_rate"]["high"], 0.975 ** 0.5, places=6)

    def test_nothing_is_good_under_heat(self):
        self.put_on("mid", "HL-0003")
        item = self.begin("mid", wanted=1, tag="heat")
        self.told(item, lambda data: data["ended_at"])
        kept = self.whole(item)
        self.assertEqual((kept["unsure"], kept["good"]), (1, 0))
        self.assertEqual(kept["result"]["verdict"], "unsure")
        self.assertEqual(kept["result"]["reasons"][0]["code"], "under_heat")

    def test_by_hand_and_a_soak_with_a_drop(self):
        self.put_on("hand", "HL-0004", kind="Cabin lamp")
        self.begin("hand", expect=409)
        hand = self.supplies["hand"]
        self.addCleanup(hand.say, "voltage 12", "output off")
        item = self.begin("hand", wanted=2, switched="hand")
        hand.say("output on")
        self.told(item, lambda data: data["done"] == 1)
        hand.say("output off")
        self.daemon.wait_supply("hand", lambda it: it["power_up"] is None)
        hand.say("output on")
        over = self.told(item, lambda data: data["ended_at"])
        self.assertEqual((over["ended_why"], over["done"], over["good"]), ("complete", 2, 2))
        self.assertFalse(self.is_off("hand"), "the hand's switch is left alone")
        power_up = self.whole(item)["power_ups"][-1]

        # It goes on, now as a soak: about a reading a second, a drop at once.
        def read_on(seconds, fits=lambda current_A: True):
            events = self.daemon.events()  # of now, not of before
            until_s = events.wait("reading", at_hand)["time_s"][-1] + seconds
            events.wait("reading", lambda data: at_hand(data) and data["time_s"][-1] > until_s
                        and fits(data["current_A"][-1] or 0))
            events.close()

        def at_hand(data):
            return data["supply"] == "hand"

        # What it falls from is known by eight readings.
        while len(self.daemon.get(f"power-ups/{power_up}/on-time")["time_s"]) < 9:
            read_on(0.4)
        hand.say("voltage 8.4")
        read_on(0.3, lambda current_A: current_A < 0.075)
        hand.say("voltage 12")
        read_on(1, lambda current_A: current_A > 0.09)
        hand.say("output off")
        self.events.wait("power-up", lambda data: data["power_up"]["id"] == power_up and
                         data["power_up"]["on_time_s"] is not None)
        log = self.daemon.get(f"power-ups/{power_up}/on-time")
        self.check_as_told("OnTime", log)
        self.assertEqual(len(log["time_s"]), len(log["current_A"]))
        self.assertGreater(log["time_s"][0], WATCH_S)
        self.assertEqual(len(log["drops"]), 1, log)
        drop = log["drops"][0]
        self.assertAlmostEqual(drop["low_A"], 0.07, delta=0.005)
        self.assertAlmostEqual(drop["of_A"], 0.1, delta=0.005)
        self.assertLess(drop["from_s"], drop["to_s"])

    def test_off_on_the_page_ends_it(self):
        self.put_on("left", "HL-0005")
        item = self.begin("left")
        self.opened("left")
        status, _ = self.daemon.ask("PUT", "supplies/left/output", {"on": False})
        self.assertEqual(status, 200)
        over = self.told(item, lambda data: data["ended_at"])
        self.assertEqual(over["ended_why"], "switched off on the page")
        self.told(item, lambda data: data["done"] == 1)
        # Longer than the off-time: nothing switches it on again.
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is False)
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is False)
        self.assertEqual(len(self.daemon.get("runs/" + item["id"])["power_ups"]), 1)

    def test_ended_by_a_hand_or_by_another_unit(self):
        self.put_on("left", "HL-0006")
        item = self.begin("left", on_s=60)
        self.opened("left")
        status, kept = self.daemon.ask("POST", f"runs/{item['id']}/end", {"why": "the cap is off"})
        self.assertEqual((status, kept["ended_why"]), (200, "the cap is off"))
        self.daemon.wait_supply("left", lambda it: it["output_on"] is False)
        status, _ = self.daemon.ask("POST", f"runs/{item['id']}/end", {})
        self.assertEqual(status, 409)
        item = self.begin("left")
        self.opened("left")
        self.put_on("left", "HL-0007")
        over = self.told(item, lambda data: data["ended_at"])
        self.assertEqual(over["ended_why"], "something else was put on the bench")
        self.daemon.wait_supply("left", lambda it: it["output_on"] is False)

    def test_ended_at_the_supply(self):
        """A switch at the front panel wins."""
        self.put_on("mid", "HL-0008")
        item = self.begin("mid", on_s=60)
        self.opened("mid")
        self.supplies["mid"].say("output off")
        over = self.told(item, lambda data: data["ended_at"])
        self.assertIn("at the supply", over["ended_why"])
        self.assertTrue(self.is_off("mid"))

    def test_what_cannot_be(self):
        for field, wish in (("wanted", {"wanted": 0}), ("wanted", {"wanted": 10001}),
                            ("wanted", {"wanted": 1.5}), ("off_s", {"off_s": 0.4}),
                            ("off_s", {"off_s": 601}), ("on_s", {"on_s": 0}),
                            ("stop_on", {"stop_on": "x"}), ("switched", {"switched": None}),
                            ("tag", {"tag": "wet"}), ("colour", {"colour": 1})):
            self.assertEqual(self.begin("mid", expect=422, **wish)["field"], field)
        self.begin("nowhere", expect=404)
        for method, path in (("GET", "runs/999"), ("POST", "runs/999/end"), ("GET", "runs/x"),
                             ("GET", "power-ups/999/on-time")):
            self.assertEqual(self.daemon.ask(method, path, {} if method == "POST" else None)[0], 404)

    def test_z_the_daemon_stops_in_a_run(self):
        self.put_on("left", "HL-0009")
        item = self.begin("left", on_s=60)
        self.opened("left")
        self.events.close()
        self.assertEqual(self.daemon.stop(), 0)
        self.assertTrue(self.is_off("left"), "what it switched on goes off with it")
        type(self).daemon = Daemon(self.folder, self.config)
        kept = self.whole(item)
        self.assertEqual(kept["ended_why"], "wakedraw stopped")
        self.assertEqual(len(kept["power_ups"]), 1)
        self.assertIsNone(self.daemon.supply("left")["run"])


if __name__ == "__main__":
    main()
