#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job end to end: a simulated supply on a real port, the daemon as its
own process, its API and its live events."""
import json
import pathlib
import signal
import time
import unittest

from bench_process import (ROOT, Daemon, Supply, config_text, is_off, main, run,
                           temporary_folder)

MODULE = "reefer-controller"


class Bench(unittest.TestCase):
    """A supply named left, plain SCPI over TCP, with the daemon polling it."""

    module = MODULE
    options = ()
    more = "profile = scpi"

    def setUp(self):
        self.folder_object = temporary_folder()
        self.addCleanup(self.folder_object.cleanup)
        self.folder = pathlib.Path(self.folder_object.name)
        self.supply = Supply(self.folder, "left", "--module", self.module, "--unit", "HL-0001",
                             "--seed", "7", *self.options)
        self.addCleanup(self.supply.stop)
        self.config = config_text(self.folder, {"left": (self.supply.link, self.more)})
        self.start_daemon()
        self.daemon.wait_supply("left", lambda item: item["state"] == "reading")

    def start_daemon(self):
        self.daemon = Daemon(self.folder, self.config)
        self.addCleanup(self.daemon.stop)
        self.events = self.daemon.events()
        self.addCleanup(self.events.close)

    def teach_range(self, low_A, high_A, watch_s=4):
        path = self.folder / "range.json"
        made = run("build-reference", "--type", MODULE, "--out", path, "--range",
                   f"{low_A}:{high_A}", "--watch", watch_s)
        self.assertEqual(made.returncode, 0, made.stderr)
        status, body = self.daemon.ask("POST", "references", path.read_text())
        self.assertEqual(status, 201, body)
        self.put_on()
        return path

    def put_on(self):
        status, body = self.daemon.ask("PUT", "supplies/left/on-bench",
                                       {"module_type": MODULE, "unit": "HL-0001",
                                        "work_order": None, "stage": "intake"})
        self.assertEqual(status, 200, body)

    def opened(self, earlier=()):
        event = self.events.wait("power-up", lambda data: data["power_up"]["state"] == "open" and
                                 data["power_up"]["id"] and
                                 data["power_up"]["id"] not in earlier)
        return event["power_up"]["id"]

    def ended(self, wanted):
        """Its end is kept; the end of its watch may come before it, or with it."""
        return self.events.wait("power-up", lambda data: data["power_up"]["id"] == wanted and
                                data["power_up"]["ended_why"] and
                                data["power_up"]["on_time_s"] is not None)["power_up"]


class Beginnings(Bench):
    def check_caught(self, before, begin, finish, why):
        self.supply.say(*before)
        # With the output on and no draw the bench goes idle first, after 2.5 s.
        if before[-1] == "output on":
            self.daemon.wait_newest(lambda item: item["ended_why"] == "no draw")
        self.daemon.wait_readings("left")
        earlier = {item["id"] for item in self.daemon.get("power-ups")["items"]}
        self.supply.say(begin)
        power_up = self.opened(earlier)
        self.assertEqual(len(self.daemon.get("power-ups")["items"]), len(earlier) + 1)
        time.sleep(3)
        self.supply.say(finish)
        ended = self.ended(power_up)
        self.assertEqual(ended["ended_why"], why)
        self.assertEqual(ended["state"], "complete")
        kept = self.daemon.get("power-ups/" + power_up)
        trace = kept["trace"]
        self.assertEqual(len(trace["time_s"]), len(trace["current_A"]))
        self.assertEqual(trace["time_s"], sorted(set(trace["time_s"])))
        # 0.5 s from before onset in full, and no reading more.
        onset_s = kept["signature"]["onset_s"]
        self.assertGreaterEqual(onset_s, 0.5 - 1e-5)
        self.assertGreaterEqual(trace["time_s"][1], onset_s - 0.5 - 1e-5)
        self.assertGreater(trace["time_s"][-1], 3)
        before_A = [a for t, a in zip(trace["time_s"], trace["current_A"])
                    if a is not None and t < kept["signature"]["onset_s"] - 0.05]
        after_A = [a for t, a in zip(trace["time_s"], trace["current_A"])
                   if a is not None and t > kept["signature"]["onset_s"] + 1.5]
        self.assertTrue(before_A and after_A)
        self.assertLess(max(before_A), 0.5 * max(after_A))
        self.assertEqual(kept["verdict"]["reasons"][0]["code"], "no_reference")
        self.assertEqual(kept["verdict"]["verdict"], "unsure")

    def test_hand_at_the_front_panel(self):
        self.check_caught(["output off"], "output on", "output off", "output off")

    def test_ignition_feed(self):
        self.check_caught(["ignition off", "output on"], "ignition on", "ignition off", "draw off")

    def test_plug_put_in(self):
        self.check_caught(["plug out", "output on"], "plug in", "plug out", "draw off")

    def test_off_and_on_again_is_a_new_one(self):
        self.supply.say("output on")
        first = self.opened()
        time.sleep(1)
        self.supply.say("output off")
        self.ended(first)
        self.supply.say("output on")
        second = self.opened()
        self.assertNotEqual(first, second)

    def test_an_open_one_is_given_with_all_that_was_read(self):
        self.supply.say("output on")
        power_up = self.opened()
        for _ in range(3):
            told = self.events.wait("reading", lambda data: data["power_up"] == power_up)
            begun = self.events.wait("power-up", lambda data: data["power_up"]["id"] == power_up)
            zero_s = begun["onset_time_s"] - begun["power_up"]["onset_s"]
            for _ in range(5):  # within a second on any but the slowest disk
                last_s = self.daemon.get("power-ups/" + power_up)["trace"]["time_s"][-1]
                if last_s >= told["time_s"][-1] - zero_s - 1e-5:
                    break
            self.assertGreaterEqual(last_s, told["time_s"][-1] - zero_s - 1e-5)
            # So that a page opened meanwhile can place what was read before.
            self.assertEqual(self.daemon.get("power-ups/" + power_up)["onset_s"],
                             begun["power_up"]["onset_s"])

    def test_sag_in_current_limit_is_not(self):
        self.supply.say("output on")
        first = self.opened()
        time.sleep(2)
        self.supply.say("limit 0.1")
        sagging = self.daemon.wait_supply("left", lambda item: item["limited"])
        self.assertLess(sagging["current_A"], 0.11)
        time.sleep(1)
        self.supply.say("limit 3")
        self.daemon.wait_readings("left", fits=lambda item: item["limited"] is False)
        self.supply.say("output off")
        self.ended(first)
        self.daemon.wait_readings("left", fits=is_off)
        items = self.daemon.get("power-ups")["items"]
        self.assertEqual([item["id"] for item in items], [first])


class Judged(Bench):
    # As the demo's reference was taught.
    options = ("--conversion-hz", "100", "--aperture", "0.01")

    def teach_demo(self, watch_s):
        """The demo's reference of this type, with another watch."""
        reference = json.loads((ROOT / "signatures" / "harbour-lane" / "references" /
                                f"{MODULE}.json").read_text())
        reference["watch_s"] = watch_s
        self.assertEqual(self.daemon.ask("POST", "references", reference)[0], 201)
        self.put_on()

    def check_log(self, log, read):
        """After the watch (4 s) one reading a second or more is kept, where one was
        read: the first that comes 0.8 s after the last, if not one before."""
        self.assertGreater(len(log), 4)
        for last_s, next_s in zip(log, log[1:]):
            between = [time_s for time_s in read if last_s + 0.81 < time_s < next_s - 1e-5]
            self.assertEqual(between, [], (last_s, next_s))

    def test_verdict_live_and_from_the_file_agree(self):
        reference = self.teach_range(0.05, 5)
        self.supply.say("output on")
        power_up = self.opened()
        live = self.events.wait("verdict", lambda data: data["power_up"] == power_up and
                                data["kept"])
        self.assertTrue(live["verdict"]["final"], live)
        self.assertIsNotNone(live["commit_s"])
        begun = self.events.wait("power-up", lambda data: data["power_up"]["id"] == power_up and
                                 data["power_up"]["state"] == "complete")
        zero_s = begun["onset_time_s"] - begun["power_up"]["onset_s"]
        self.events.wait("reading", lambda data: data["time_s"][-1] > begun["onset_time_s"] + 9)
        self.supply.say("output off")
        self.ended(power_up)
        kept = self.daemon.get("power-ups/" + power_up)
        self.assertEqual(kept["verdict"], live["verdict"])
        times = kept["trace"]["time_s"]
        self.assertEqual(times, sorted(set(times)))
        self.check_log([time_s for time_s in times if time_s > kept["signature"]["onset_s"] + 4],
                       [time_s - zero_s for name, data, _ in self.events.seen
                        if name == "reading" for time_s in data["time_s"]])
        status, text = self.daemon.ask("GET", f"power-ups/{power_up}/trace.csv")
        self.assertEqual(status, 200)
        path = self.folder / "again.csv"
        path.write_text(text)
        again = run("judge", "--reference", reference, "--profile", "scpi", path)
        told = json.loads(again.stdout)
        for key in ("verdict", "decided_at_s", "onset_s", "reasons"):
            self.assertEqual(told[key], kept["verdict"][key], key)

    def test_a_verdict_that_was_told_as_kept_survives_a_kill(self):
        # Bad is seen in the first phase; the kill finds a watch open that no slow
        # disk outlasts.
        self.teach_demo(watch_s=300)
        self.supply.say("fault stall:1")
        for _ in range(3):
            self.daemon.wait_readings("left", fits=is_off)
            self.supply.say("output on")
            told = self.events.wait("verdict", lambda data: data["kept"])
            self.daemon.stop(signal.SIGKILL)
            self.supply.say("output off")
            self.start_daemon()
            kept = self.daemon.get("power-ups/" + told["power_up"])
            self.assertEqual(kept["verdict"], told["verdict"])
            self.assertEqual(kept["state"], "incomplete")
            self.assertGreater(len(kept["trace"]["time_s"]), 3)
            on_bench = self.daemon.supply("left")
            self.assertEqual(on_bench["module_type"], MODULE)
            self.assertEqual(on_bench["unit"], "HL-0001")


class Switched(Bench):
    more = "profile = scpi\ncontrol = on"

    def test_the_daemon_switches_the_output(self):
        status, body = self.daemon.ask("PUT", "supplies/left/output", {"on": True})
        self.assertEqual(status, 200, body)
        power_up = self.opened()
        time.sleep(1)
        status, body = self.daemon.ask("PUT", "supplies/left/output", {"on": False})
        self.assertEqual(status, 200, body)
        self.assertEqual(json.loads(self.supply.say("status"))["output_on"], False)
        self.assertEqual(self.ended(power_up)["ended_why"], "output off")

    def test_the_types_limit_is_set_before_the_output_is_on(self):
        status, body = self.daemon.ask("POST", "module-types",
                                       {"name": MODULE, "nominal_voltage_V": 24,
                                        "current_limit_A": 1.5, "watch_s": 5})
        self.assertIn(status, (200, 201), body)
        self.daemon.ask("PUT", "supplies/left/on-bench",
                        {"module_type": MODULE, "unit": None, "work_order": None, "stage": None})
        status, body = self.daemon.ask("PUT", "supplies/left/output", {"on": True})
        self.assertEqual(status, 200, body)
        panel = json.loads(self.supply.say("status"))
        self.assertEqual((panel["set_voltage_V"], panel["set_limit_A"], panel["output_on"]),
                         (24, 1.5, True))


class NotSwitched(Bench):
    def test_control_off_switches_nothing(self):
        status, body = self.daemon.ask("PUT", "supplies/left/output", {"on": True})
        self.assertEqual(status, 409, body)
        self.assertEqual(json.loads(self.supply.say("status"))["output_on"], False)


class AtRest(Bench):
    options = ("--conversion-hz", "20", "--aperture", "0.05")

    def questions_a_reading(self):
        # What it takes beside (settings, the output's state) comes every few seconds.
        before = self.daemon.supply("left")
        after = self.daemon.wait_supply("left", lambda item: item["readings"] >=
                                        before["readings"] + 60)
        return ((after["transactions"] - before["transactions"]) /
                (after["readings"] - before["readings"]))

    def test_a_load_at_rest_is_asked_once_a_renewal(self):
        self.teach_range(0.05, 5, watch_s=6)
        self.supply.say("output on")
        power_up = self.opened()
        self.daemon.wait_supply("left", lambda item: item["conversion_hz"] and
                                abs(item["conversion_hz"] - 20) < 2)
        self.events.wait("power-up", lambda data: data["power_up"]["id"] == power_up and
                         data["power_up"]["state"] == "complete")
        self.assertLess(self.questions_a_reading(), 2)
        item = self.daemon.wait_supply("left", lambda item: item["limit_share"] is not None)
        self.assertGreater(item["limit_share"], 0.8)
        # And each conversion soon after it is made, as soon as something may happen.
        self.supply.say("output off")
        self.ended(power_up)
        self.assertGreater(self.questions_a_reading(), 2.5)


class Gone(Bench):
    def test_the_supply_goes_away_in_mid_capture_and_comes_back(self):
        # Unplugged within the watch, however slow the disk.
        self.teach_range(0.05, 5, watch_s=300)
        self.supply.say("output on")
        power_up = self.opened()
        time.sleep(2)
        self.supply.say("unplug")
        event = self.events.wait("power-up", lambda data: data["power_up"]["id"] == power_up and
                                 data["power_up"]["state"] == "incomplete")
        self.assertEqual(event["power_up"]["ended_why"], "supply gone")
        self.assertEqual(event["power_up"]["verdict"]["verdict"], "unsure")
        kept = self.daemon.get("power-ups/" + power_up)
        self.assertEqual(kept["state"], "incomplete")
        self.assertGreater(len(kept["trace"]["time_s"]), 10)
        gone = self.daemon.wait_supply("left", lambda item: item["state"] == "gone")
        self.assertTrue(gone["problem"])
        self.assertIsNone(self.daemon.wait_supply(
            "left", lambda item: item["age_s"] > 2)["current_A"])
        self.supply.say("replug")
        self.daemon.wait_supply("left", lambda item: item["state"] == "reading" and
                                item["current_A"] is not None)


class Started(unittest.TestCase):
    """What a wrong start says."""

    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)

    def refused(self, text, status, *words):
        path = self.folder / "wrong.ini"
        path.write_text(text)
        done = run("serve", "--config", path)
        self.assertEqual(done.returncode, status, done.stderr)
        lines = [line for line in done.stderr.splitlines() if line]
        self.assertEqual(len(lines), 1, done.stderr)
        for word in words:
            self.assertIn(word, lines[0])

    def test_mistyped_key(self):
        self.refused("[bench]\ndatta = x\n", 65, "wrong.ini:2", "datta")

    def test_unknown_section(self):
        self.refused("[bench]\ndata = x\n[suply left]\nlink = tcp:127.0.0.1:1\n", 65,
                     "wrong.ini:4", "suply left")

    def test_section_without_a_key(self):
        self.refused("[bench]\ndata = x\n\n[supply left]\n", 65, "wrong.ini:4", "supply left",
                     "link")
        self.refused("[bench]\ndata = x\n[suply left]\n# nothing\n", 65, "wrong.ini:3",
                     "suply left")

    def test_doubled_key(self):
        self.refused("[bench]\ndata = x\ndata = y\n", 65, "wrong.ini:3", "data")

    def test_same_link_and_output_twice(self):
        one = "[supply {}]\nlink = tcp:127.0.0.1:5025\nprofile = scpi\n"
        self.refused("[bench]\ndata = x\n" + one.format("a") + one.format("b"), 65,
                     "wrong.ini:7", "supply b", "supply a")

    def test_link_that_is_none(self):
        self.refused("[bench]\ndata = x\n[supply a]\nprofile = scpi\nlink = tpc:127.0.0.1:5025\n",
                     65, "wrong.ini:5", "tpc")

    def test_profile_that_is_none(self):
        self.refused("[bench]\ndata = x\n[supply a]\nlink = tcp:127.0.0.1:5025\n"
                     "profile = nosuch\n", 66, "nosuch")

    def test_missing_configuration(self):
        done = run("serve", "--config", self.folder / "none.ini")
        self.assertEqual(done.returncode, 66)
        self.assertIn("none.ini", done.stderr)

    def test_no_supply_is_valid_and_ends_cleanly(self):
        daemon = Daemon(self.folder, config_text(self.folder, {}))
        self.assertEqual(daemon.get("supplies")["items"], [])
        self.assertEqual(daemon.stop(), 0)

    def test_port_in_use_and_directory_in_use(self):
        daemon = Daemon(self.folder, config_text(self.folder, {}))
        self.addCleanup(daemon.stop)
        self.refused(config_text(self.folder, {}), 69, "data")
        self.refused(config_text(self.folder / "other", {}, listen=f"127.0.0.1:{daemon.port}"), 69,
                     str(daemon.port))

    def test_a_supply_that_is_not_there_is_shown_and_found_later(self):
        config = config_text(self.folder, {"left": ("tcp:127.0.0.1:1", "profile = scpi")})
        daemon = Daemon(self.folder, config)
        self.addCleanup(daemon.stop)
        item = daemon.wait_supply("left", lambda item: item["state"] == "gone")
        self.assertIn("127.0.0.1", item["problem"])


if __name__ == "__main__":
    main()
