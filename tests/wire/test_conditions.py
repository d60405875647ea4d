#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A reference holds at its voltage, for its feeds, revision and set-up: under
others the live verdict is unsure and says what would settle it, and doing that
settles it; judged again as a file it is the same."""
import json
import pathlib
import unittest

from bench_process import ROOT, Daemon, Supply, config_text, is_off, main, run, temporary_folder

MODULE = "reefer-controller"
UNIT = "HL-0001"
REFERENCE = ROOT / "signatures" / "harbour-lane" / "references" / f"{MODULE}.json"


class Conditions(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        # As the demo's reference was taught.
        self.supply = Supply(self.folder, "left", "--module", MODULE, "--unit", UNIT, "--seed", "7",
                             "--conversion-hz", "100", "--aperture", "0.01")
        self.addCleanup(self.supply.stop)
        self.daemon = Daemon(self.folder, config_text(
            self.folder, {"left": (self.supply.link, "profile = scpi")}))
        self.addCleanup(self.daemon.stop)
        self.events = self.daemon.events()
        self.addCleanup(self.events.close)
        self.daemon.wait_supply("left", lambda item: item["state"] == "reading")

    def post(self, what, body, status):
        answer = self.daemon.ask("POST", what, body)
        self.assertEqual(answer[0], status, answer)
        return answer[1]

    def teach(self, **conditions):
        return self.post("references", json.loads(REFERENCE.read_text()) | conditions, 201)

    def put_on(self, order=None):
        status, body = self.daemon.ask("PUT", "supplies/left/on-bench",
                                       {"module_type": MODULE, "unit": UNIT, "work_order": order,
                                        "stage": "intake"})
        self.assertEqual(status, 200, body)

    def power_up(self):
        """The kept power-up's item, from output on until its verdict is kept."""
        self.daemon.wait_readings("left", fits=is_off)
        self.supply.say("output on")
        told = self.events.wait("verdict", lambda data: data["kept"] and data["verdict"]["final"])
        self.supply.say("output off")
        self.events.wait("power-up", lambda data: data["power_up"]["id"] == told["power_up"] and
                         data["power_up"]["ended_why"])
        kept = self.daemon.get("power-ups/" + told["power_up"])
        self.assertEqual(kept["verdict"], told["verdict"])
        return kept

    def again(self, kept, reference, *options):
        """The same as a file, by the commands."""
        status, text = self.daemon.ask("GET", f"power-ups/{kept['id']}/trace.csv")
        self.assertEqual(status, 200)
        path = self.folder / "again.csv"
        path.write_text(text)
        by = self.folder / "by.json"
        by.write_text(json.dumps(json.loads(REFERENCE.read_text()) | reference))
        told = json.loads(run("judge", "--reference", by, "--profile", "scpi", *options,
                              path).stdout)
        for key in ("verdict", "decided_at_s", "reasons", "settle"):
            self.assertEqual(told.get(key), kept["verdict"].get(key), key)

    def test_outside_the_window_and_back(self):
        self.teach()
        self.put_on()
        for voltage in (21, 27.5):
            self.supply.say(f"voltage {voltage}")
            kept = self.power_up()
            verdict = kept["verdict"]
            reason = verdict["reasons"][0]
            self.assertEqual((verdict["verdict"], reason["code"]), ("unsure", "outside_voltage"),
                             reason)
            self.assertAlmostEqual(reason["measured_V"], voltage, delta=0.1)
            content = json.loads(REFERENCE.read_text())
            self.assertEqual((reason["low_V"], reason["high_V"]),
                             (content["voltage_low_V"], content["voltage_high_V"]))
            self.assertLess(verdict["decided_at_s"], 2)
            self.again(kept, {})
        settle, = verdict["settle"]
        self.assertEqual(settle["code"], "voltage")
        self.assertIn(settle["text"], reason["text"])
        self.supply.say(f"voltage {0.5 * (settle['low_V'] + settle['high_V']):.3f}")
        self.assertEqual(self.power_up()["verdict"]["verdict"], "good")

    def test_other_feeds_and_as_taught(self):
        self.post("module-types", {"name": MODULE, "feeds": ["30"]}, 201)
        self.teach(feeds=["30", "15"])
        order = self.post("work-orders", {"unit": UNIT, "complaint": "does not wake"}, 201)["id"]
        self.put_on(order)
        kept = self.power_up()
        together = self.daemon.get(f"work-orders/{order}/trend")["together"]["intake"]
        self.assertEqual((together["verdict"], together["reasons"][0]["code"]),
                         ("unsure", "other_feeds"))
        verdict = kept["verdict"]
        reason, = verdict["reasons"]
        self.assertEqual((verdict["verdict"], reason["code"]), ("unsure", "other_feeds"))
        self.assertEqual((reason["taught"], reason["on_bench"]), ("30, 15", "30"))
        self.assertLess(verdict["decided_at_s"], 2)
        self.again(kept, {"feeds": ["30", "15"]}, "--feeds", "30")
        settle = verdict["settle"][0]
        self.assertEqual(settle["text"], "repeat with feeds 30 and 15 live, as taught")
        # As the settle says; it counts for what is on the bench already.
        self.post("module-types", {"name": MODULE, "feeds": settle["feeds"].split(", ")}, 200)
        kept = self.power_up()
        self.assertEqual(kept["verdict"]["verdict"], "good")
        self.again(kept, {"feeds": ["30", "15"]}, "--feeds", "15,30")

    def test_other_revision_and_set_up(self):
        self.post("units", {"serial": UNIT, "module_type": MODULE}, 201)
        first = self.teach(revision="A", set_up="bare board")
        self.put_on()
        # What the unit does not say is not compared.
        self.assertEqual(self.power_up()["verdict"]["verdict"], "good")
        self.post("units", {"serial": UNIT, "revision": "B", "set_up": "in its case"}, 201)
        kept = self.power_up()
        verdict = kept["verdict"]
        self.assertEqual(verdict["verdict"], "unsure")
        self.assertEqual([(reason["code"], reason["taught"], reason["on_bench"])
                          for reason in verdict["reasons"]],
                         [("other_revision", "A", "B"),
                          ("other_set_up", "bare board", "in its case")])
        settle, = verdict["settle"]
        self.assertEqual((settle["code"], settle["revision"], settle["set_up"]),
                         ("reference_for", "B", "in its case"))
        self.again(kept, {"revision": "A", "set_up": "bare board"}, "--revision", "B", "--set-up",
                   "in its case")
        second = self.teach(revision=settle["revision"], set_up=settle["set_up"])
        kept = self.power_up()
        self.assertEqual((kept["verdict"]["verdict"], kept["reference_version"]),
                         ("good", second["version"]))
        # The first still is the one for a unit of revision A.
        self.post("units", {"serial": UNIT, "revision": "a", "set_up": "bare board"}, 201)
        kept = self.power_up()
        self.assertEqual((kept["verdict"]["verdict"], kept["reference_version"]),
                         ("good", first["version"]))


class Commands(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.reference = self.folder / "reference.json"
        self.trace = self.folder / "trace.csv"
        rows = ["time_s,voltage_V,current_A"]
        for k in range(400):
            on = k >= 25
            rows.append(f"{k * 0.02:.2f},{13.8 if on else 0},{0.4 if on else 0}")
        self.trace.write_text("\n".join(rows) + "\n")

    def build(self, *options):
        return run("build-reference", "--type", "x", "--range", "0.3:0.5", "--watch", "6", "--out",
                   self.reference, *options)

    def judge(self, *options):
        done = run("judge", "--reference", self.reference, *options, self.trace)
        return done.returncode, json.loads(done.stdout)

    def test_built_and_judged_under_conditions(self):
        built = self.build("--feeds", "30, 15", "--revision", "B", "--set-up", "loom 2")
        self.assertEqual(built.returncode, 0, built.stderr)
        self.assertIn("feeds 30 and 15 live", built.stdout)
        content = json.loads(self.reference.read_text())
        self.assertEqual((content["feeds"], content["revision"], content["set_up"]),
                         (["30", "15"], "B", "loom 2"))
        self.assertEqual(self.judge()[0], 0)
        self.assertEqual(self.judge("--feeds", "15,30", "--revision", "b", "--set-up",
                                    "loom 2")[0], 0)
        for options, codes in (
                (["--feeds", "30"], ["other_feeds"]), (["--revision", "C"], ["other_revision"]),
                (["--set-up", "loom 3"], ["other_set_up"]),
                (["--feeds", "30,15,50", "--revision", "C", "--set-up", "loom 3"],
                 ["other_feeds", "other_revision", "other_set_up"])):
            status, line = self.judge(*options)
            self.assertEqual((status, line["verdict"]), (2, "unsure"))
            self.assertEqual([reason["code"] for reason in line["reasons"]], codes)
            self.assertIn(line["settle"][0]["text"], line["reasons"][0]["text"])
        done = run("judge", "--reference", self.reference, "--unit", "u", "--feeds", "30",
                   self.trace, self.trace)
        unit = json.loads(done.stdout.splitlines()[-1])
        self.assertEqual((unit["verdict"], unit["reasons"][0]["code"]), ("unsure", "other_feeds"))

    def test_a_range_holds_about_its_voltage(self):
        self.assertEqual(self.build("--voltage", "13.8").returncode, 0)
        self.assertEqual(self.judge()[0], 0)
        self.assertEqual(self.build("--voltage", "24").returncode, 0)
        status, line = self.judge()
        self.assertEqual((status, line["reasons"][0]["code"]), (2, "outside_voltage"))
        self.assertAlmostEqual(line["reasons"][0]["measured_V"], 13.8, delta=1e-6)

    def test_no_voltage_column_is_refused(self):
        self.assertEqual(self.build().returncode, 0)
        rows = [row.split(",") for row in self.trace.read_text().splitlines()]
        self.trace.write_text("".join(f"{time},{current}\n" for time, _, current in rows))
        status, line = self.judge()
        self.assertEqual((status, line["verdict"], line["error"]["line"]), (65, None, 1))
        self.assertIn("voltage_V", line["error"]["found"] + line["error"]["expected"])

    def test_bad_options(self):
        self.assertEqual(self.build().returncode, 0)
        for options in (["--feeds", ""], ["--feeds", "30,,15"], ["--feeds", ",".join("abcdefghijklmnopq")],
                        ["--revision", ""], ["--set-up", "x" * 501],
                        ["--revision", b"\xff".decode("utf-8", "surrogateescape")]):
            for command in (["build-reference", "--type", "x", "--range", "0.3:0.5", "--out",
                             self.folder / "never.json", *options],
                            ["judge", "--reference", self.reference, *options, self.trace]):
                done = run(*command, errors="surrogateescape")
                self.assertEqual((done.returncode, done.stdout), (64, ""), options)
                self.assertIn(options[0], done.stderr)
                self.assertEqual(len(done.stderr.splitlines()), 1)
        self.assertFalse((self.folder / "never.json").exists())


if __name__ == "__main__":
    main()
