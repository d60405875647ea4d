#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Hands on outputs over the API: the log of who did what and why, hold, pages that go,
restarts. Simulated supplies: wakedraw may switch two of three."""
import http.client
import json
import pathlib
import signal
import socket
import sqlite3
import threading
import time
import unittest

from bench_process import PATIENCE_S, Daemon, Supply, config_text, main, temporary_folder
from test_http import Document

MODULE = "bilge-pump-controller"
# How long the page may be gone in these tests.
GONE_S = 1.5


class Tap(threading.Thread):
    """Stands between the daemon and a supply, and keeps what is sent to the supply."""

    def __init__(self, link):
        super().__init__(daemon=True)
        host, port = link.removeprefix("tcp:").split(":")
        self.to = (host, int(port))
        self.sent = b""
        self.door = socket.create_server(("127.0.0.1", 0))
        self.link = f"tcp:127.0.0.1:{self.door.getsockname()[1]}"
        self.start()

    def run(self):
        while True:
            try:
                near, _ = self.door.accept()
                far = socket.create_connection(self.to)
            except OSError:
                return
            for source, sink, keep in ((near, far, True), (far, near, False)):
                threading.Thread(target=self.carry, args=(source, sink, keep), daemon=True).start()

    def carry(self, source, sink, keep):
        try:
            while data := source.recv(4096):
                if keep:
                    self.sent += data
                sink.sendall(data)
        except OSError:
            pass
        for end in (source, sink):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass


class Outputs(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder_object = temporary_folder()
        cls.addClassCleanup(cls.folder_object.cleanup)
        cls.folder = pathlib.Path(cls.folder_object.name)
        cls.supplies = {}
        # The voltage of "slow" takes its time to fall, so that an on there does, too.
        for name, options in (("left", ()), ("slow", ("--slew", "3")), ("hand", ())):
            cls.supplies[name] = Supply(cls.folder, name, "--module", MODULE, "--seed", "7",
                                        *options)
            cls.addClassCleanup(cls.supplies[name].stop)
        cls.tap = Tap(cls.supplies["hand"].link)
        cls.addClassCleanup(cls.tap.door.close)
        links = {"left": cls.supplies["left"].link, "slow": cls.supplies["slow"].link,
                 "hand": cls.tap.link}
        cls.config = config_text(cls.folder, {
            name: (link, "profile = scpi\ncontrol = " + ("off" if name == "hand" else "on"))
            for name, link in links.items()})
        cls.start()
        cls.document = Document(cls.daemon.get("openapi.json"))
        status, body = cls.daemon.ask("POST", "module-types", {
            "name": MODULE, "nominal_voltage_V": 12, "current_limit_A": 3, "watch_s": 1})
        assert status == 201, body

    @classmethod
    def start(cls):
        cls.daemon = Daemon(cls.folder, cls.config)
        for name in cls.supplies:
            cls.daemon.wait_supply(name, lambda item: item["state"] == "reading" and
                                   item["output_on"] is not None)

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def setUp(self):
        for name in ("left", "slow"):
            self.put_on(name, "HL-0001")
        self.since = {name: self.newest(name) for name in self.supplies}
        self.addCleanup(self.calm)

    def calm(self):
        self.daemon.ask("PUT", "settings", {"page_gone_s": None})
        for name in ("left", "slow"):
            self.ask("PUT", name, "hold", {"on": False})
            self.ask("PUT", name, "output", {"on": False})
        for name, supply in self.supplies.items():
            supply.say("output off")
            self.daemon.wait_supply(name, lambda item: item["output_on"] is False and
                                    not item["output_doing"] and not item["run"])

    # --- what is asked ---

    def ask(self, method, name, what, body, expect=None):
        status, answer = self.daemon.ask(method, f"supplies/{name}/{what}", body)
        if expect:
            self.assertEqual(status, expect, answer)
            faults = self.document.check((status, Headers(status), json.dumps(answer).encode()),
                                         method, f"/api/v1/supplies/{{name}}/{what}")
            self.assertFalse(faults)
        return answer

    def put_on(self, name, unit, expect=200, **more):
        return self.ask("PUT", name, "on-bench", {"module_type": MODULE, "unit": unit, **more},
                        expect)

    def switch(self, name, on, expect=200, **more):
        return self.ask("PUT", name, "output", {"on": on, **more}, expect)

    def hold(self, name, on, expect=200, **more):
        return self.ask("PUT", name, "hold", {"on": on, **more}, expect)

    def is_on(self, name):
        return json.loads(self.supplies[name].say("status"))["output_on"]

    def wait_panel(self, name, on):
        deadline = time.monotonic() + PATIENCE_S
        while self.is_on(name) is not on:
            self.assertLess(time.monotonic(), deadline, f"{name} did not go {on}")
            time.sleep(0.02)

    # --- the log ---

    def newest(self, name):
        items = self.daemon.get(f"output-log?limit=1&supply={name}")["items"]
        return int(items[0]["id"]) if items else 0

    def log(self, name):
        """The lines since the test began, oldest first."""
        answer = self.daemon.get(f"output-log?supply={name}&limit=100")
        faults = self.document.check((200, Headers(200), json.dumps(answer).encode()), "GET",
                                     "/api/v1/output-log")
        self.assertFalse(faults)
        return [item for item in reversed(answer["items"]) if int(item["id"]) > self.since[name]]

    def said(self, name):
        return [(item["what"], item["who"], item["hand"], item["why"]) for item in self.log(name)]

    def wait_log(self, name, what):
        deadline = time.monotonic() + PATIENCE_S
        while what not in [item["what"] for item in self.log(name)]:
            self.assertLess(time.monotonic(), deadline, self.said(name))
            time.sleep(0.05)

    # --- tests ---

    def test_the_log_says_who_and_why(self):
        events = self.daemon.events()
        self.addCleanup(events.close)
        item = self.switch("left", True, hand="ab", why="a first trial", page="page-1")
        self.assertEqual((item["output_last"], item["output_by"], item["output_hand"],
                          item["output_why"], item["output_ours"], item["output_problem"]),
                         ("on", "page", "ab", "a first trial", True, None))
        told = events.wait("supply", lambda data: data["name"] == "left" and
                           data["output_last"] == "on")
        self.assertFalse(self.document.faults({"$ref": "#/components/schemas/Supply"}, told))
        self.switch("left", True, 409)
        item = self.switch("left", False, hand="cd", why="smoke")
        self.assertEqual((item["output_last"], item["output_hand"], item["output_ours"]),
                         ("off", "cd", False))
        left = self.supplies["left"]
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is False)
        left.say("output on")
        told = events.wait("supply", lambda data: data["name"] == "left" and
                           data["output_last"] == "on at the supply")
        self.assertEqual((told["output_by"], told["output_ours"]), ("front panel", False))
        left.say("output off")
        self.wait_log("left", "off at the supply")
        lines = self.log("left")
        looked = next(item for item in lines if item["what"] == "looked")
        self.assertIn(" V at ", looked["why"])
        # Where the type says nothing of it: at full voltage, at a tenth of the limit.
        self.assertEqual((looked["voltage_V"], looked["limit_A"]), (12, 0.3))
        kept = [(item["what"], item["who"], item["hand"], item["why"]) for item in lines
                if item["what"] != "looked"]
        self.assertEqual(kept, [
            ("set", "page", "ab", "a first trial"), ("on", "page", "ab", "a first trial"),
            ("refused", "page", None, None), ("off", "page", "cd", "smoke"),
            ("on at the supply", "front panel", None, None),
            ("off at the supply", "front panel", None, None)])
        on = next(item for item in lines if item["what"] == "on")
        self.assertEqual((on["voltage_V"], on["limit_A"], on["problem"]), (12, 3, None))
        refused = next(item for item in lines if item["what"] == "refused")
        self.assertIn("on already", refused["problem"])
        # In pages, and of all outputs.
        first = self.daemon.get("output-log?supply=left&limit=2")
        self.assertEqual([item["what"] for item in first["items"]],
                         ["off at the supply", "on at the supply"])
        more = self.daemon.get(f"output-log?supply=left&limit=2&before={first['next']}")
        self.assertEqual([item["what"] for item in more["items"]], ["off", "refused"])
        self.assertEqual(self.daemon.get("output-log?limit=1")["items"][0]["id"],
                         first["items"][0]["id"])

    def test_a_short_is_refused_with_what_was_seen(self):
        self.supplies["left"].say("fault short")
        self.addCleanup(self.supplies["left"].say, "fault none")
        problem = self.switch("left", True, 409, hand="ab")
        self.assertIn("short or reversed", problem["detail"])
        self.assertFalse(self.is_on("left"))
        item = self.daemon.wait_supply("left", lambda it: it["output_last"] == "refused")
        self.assertEqual((item["output_by"], item["output_hand"], item["output_problem"]),
                         ("page", "ab", problem["detail"]))
        self.wait_log("left", "refused")
        self.assertEqual([line["problem"] for line in self.log("left")
                          if line["what"] == "refused"], [problem["detail"]])
        self.supplies["left"].say("fault none")
        # From the next on it is told no longer.
        self.assertIsNone(self.switch("left", True)["output_problem"])

    def test_the_types_look_and_longest_limit_are_its_own(self):
        self.addCleanup(self.daemon.ask, "POST", "module-types",
                        {"name": MODULE, "look_voltage_V": None, "look_limit_A": None,
                         "limit_longest_s": None})
        # Never above what is set for full power.
        for volts, amperes, looked_V, looked_A in ((20, 5, 12, 3), (2, 0.2, 2, 0.2)):
            status, body = self.daemon.ask("POST", "module-types", {
                "name": MODULE, "look_voltage_V": volts, "look_limit_A": amperes,
                "limit_longest_s": 0.5})
            self.assertEqual(status, 200, body)
            self.switch("left", False)
            self.switch("left", True)
            looked = [line for line in self.log("left") if line["what"] == "looked"][-1]
            self.assertEqual((looked["voltage_V"], looked["limit_A"]), (looked_V, looked_A))
        self.supplies["left"].say("fault short")
        self.addCleanup(self.supplies["left"].say, "fault none")
        self.wait_panel("left", False)
        self.wait_log("left", "off")
        off = self.log("left")[-1]
        self.assertEqual((off["what"], off["who"]), ("off", "wakedraw"))
        self.assertIn("in current limit", off["why"])

    def test_control_off_sends_nothing(self):
        before = len(self.tap.sent)
        for on in (True, False):
            problem = self.switch("hand", on, 409, hand="ab")
            self.assertIn("control is off", problem["detail"])
        self.daemon.wait_readings("hand")
        said = self.tap.sent[before:].decode()
        self.assertIn("?", said)
        for message in said.replace(";", "\n").split("\n")[:-1]:
            self.assertTrue(message.strip().endswith("?") or message.strip() == "*CLS", message)
        self.assertFalse(self.is_on("hand"))
        self.assertEqual([line[:3] for line in self.said("hand")], [("refused", "page", "ab")])

    def test_off_is_answered_while_an_on_is_under_way(self):
        answers = []

        def ask_on():
            answers.append(("on", *self.daemon.ask("PUT", "supplies/slow/output",
                                                   {"on": True, "hand": "ab"})))

        asking = threading.Thread(target=ask_on)
        asking.start()
        self.daemon.wait_supply("slow", lambda it: it["output_doing"] ==
                                "waiting for the voltage to fall")
        # Another supply's off does not wait for it either.
        self.switch("left", False)
        self.assertTrue(asking.is_alive())
        item = self.switch("slow", False, hand="cd")
        answers.append(("off", 200, item))
        asking.join(PATIENCE_S)
        status = dict((name, status) for name, status, _ in answers)
        self.assertEqual(status, {"on": 409, "off": 200}, answers)
        self.daemon.wait_readings("slow", fits=lambda it: it["output_on"] is False)
        self.assertFalse(self.is_on("slow"))
        whats = [line[0] for line in self.said("slow")]
        self.assertNotIn("on", whats)
        self.assertEqual(sorted(whats), ["off", "refused"])

    def test_a_disk_that_hangs_holds_nothing_up(self):
        self.daemon.get("output-log")
        disk = sqlite3.connect(self.folder / "data" / "wakedraw.db", isolation_level=None)
        self.addCleanup(disk.close)
        disk.execute("BEGIN IMMEDIATE")
        self.switch("left", True, hand="ab")
        self.switch("left", False, hand="cd")
        self.assertFalse(self.is_on("left"))
        # Nothing of it is on the disk yet; then all of it is, in order.
        self.assertEqual(self.said("left"), [])
        disk.execute("ROLLBACK")
        self.wait_log("left", "off")
        self.assertEqual([line[0] for line in self.said("left")], ["looked", "set", "on", "off"])

    def test_off_counts_against_an_on_asked_for_before_it(self):
        """The on waits for the disk yet when off is asked for and carried out."""
        self.daemon.get("output-log")
        disk = sqlite3.connect(self.folder / "data" / "wakedraw.db", isolation_level=None)
        self.addCleanup(disk.close)
        disk.execute("BEGIN IMMEDIATE")
        asking = http.client.HTTPConnection("127.0.0.1", self.daemon.port, timeout=PATIENCE_S)
        self.addCleanup(asking.close)
        asking.request("PUT", "/api/v1/supplies/left/output", json.dumps({"on": True}),
                       {"Content-Type": "application/json"})
        # What is answered later came in later.
        self.daemon.supply("left")
        self.daemon.supply("left")
        self.switch("left", False, hand="cd")
        answer = asking.getresponse()
        self.assertEqual(answer.status, 409)
        self.assertIn("off was asked for meanwhile", json.loads(answer.read())["detail"])
        disk.execute("ROLLBACK")
        self.wait_log("left", "refused")
        self.assertEqual([line[0] for line in self.said("left")], ["off", "refused"])
        self.assertFalse(self.is_on("left"))
        # One asked for after it is none of its business.
        self.switch("left", True)

    def test_a_hold_that_is_not_kept_is_none(self):
        disk = sqlite3.connect(self.folder / "data" / "wakedraw.db", isolation_level=None)
        self.addCleanup(disk.close)
        self.daemon.get("output-log")
        disk.execute("BEGIN IMMEDIATE")
        problem = self.hold("left", True, 503)
        self.assertTrue(problem["detail"])
        disk.execute("ROLLBACK")
        self.assertIsNone(self.daemon.supply("left")["hold"])
        self.switch("left", True)
        self.hold("left", True)
        disk.execute("BEGIN IMMEDIATE")
        # Nor does it end where its end is not kept.
        self.hold("left", False, 503)
        disk.execute("ROLLBACK")
        self.assertTrue(self.daemon.supply("left")["hold"])

    def test_off_that_is_not_confirmed_says_so(self):
        self.switch("left", True)
        self.supplies["left"].say("silence 8")
        problem = self.switch("left", False, 503, hand="ab", why="smoke")
        self.assertIn("use the switch on the supply", problem["detail"])
        item = self.daemon.supply("left")
        self.assertTrue(item["off_wanted"])
        self.assertIn("use the switch on the supply", item["output_problem"])
        item = self.daemon.wait_supply("left", lambda it: it["output_on"] is False)
        self.assertFalse(self.is_on("left"))
        item = self.daemon.wait_supply("left", lambda it: not it["off_wanted"])
        self.wait_log("left", "off")
        self.assertEqual([line for line in self.said("left") if line[0].startswith("off")],
                         [("off not confirmed", "page", "ab", "smoke"),
                          ("off", "page", "ab", "smoke")])

    def test_the_page_is_gone(self):
        self.daemon.ask("PUT", "settings", {"page_gone_s": GONE_S})
        events = self.daemon.events("page-2")
        events.wait("supply")
        self.switch("left", True, page="page-2", hand="ab")
        other = self.daemon.events()  # of no page, and left open
        self.addCleanup(other.close)
        left_s = time.monotonic()
        events.close()
        self.wait_panel("left", False)
        self.assertGreater(time.monotonic() - left_s, GONE_S - 0.1)
        self.wait_log("left", "off")
        self.assertEqual(self.said("left")[-1],
                         ("off", "wakedraw", None, "the page that switched it on is gone"))

    def test_the_page_comes_back_in_time(self):
        self.daemon.ask("PUT", "settings", {"page_gone_s": 2 * GONE_S})
        events = self.daemon.events("page-3")
        events.wait("supply")
        self.switch("left", True, page="page-3")
        events.close()
        again = self.daemon.events("page-3")
        self.addCleanup(again.close)
        again.wait("supply")
        # This one's page never opened a stream: it counts from the on, which is later.
        self.switch("slow", True, page="page-4")
        self.wait_panel("slow", False)
        self.wait_log("slow", "off")
        self.assertEqual(self.said("slow")[-1][3], "the page that switched it on is gone")
        self.assertTrue(self.is_on("left"))
        self.assertEqual(self.said("left")[-1][0], "on")

    def test_hold_keeps_hands_off(self):
        item = self.hold("left", True, hand="ab", why="reading the map")
        since = item["hold"]["since"]
        self.assertEqual((item["hold"]["unit"], item["hold"]["hand"], item["hold"]["why"]),
                         ("HL-0001", "ab", "reading the map"))
        self.assertEqual(self.hold("left", True, hand="cd")["hold"]["since"], since)

        def check_held():
            problem = self.switch("left", True, 409, hand="cd")
            self.assertIn("memory", problem["detail"])
            self.assertFalse(self.is_on("left"))
            problem = self.put_on("left", "HL-0002", 409)
            self.assertEqual(problem["detail"], "the memory of HL-0001 is being read or "
                                                "written: end the hold first")
            self.put_on("left", None, 409)
            self.put_on("left", "HL-0001", 200, tag="cold")
            self.ask("POST", "left", "intake", {"serial": "HL-0003"}, 409)
            self.begin_run("left", 409)
            self.assertEqual(self.daemon.supply("left")["hold"]["since"], since)

        check_held()
        self.assertEqual(self.daemon.stop(), 0)
        self.start()
        check_held()
        # A hand at the supply wins, and a deliberate off is carried out.
        self.supplies["left"].say("output on")
        self.wait_log("left", "on at the supply")
        self.daemon.wait_supply("left", lambda it: it["output_on"] is True)
        self.switch("left", False, hand="ef")
        self.assertFalse(self.is_on("left"))
        self.assertIsNone(self.hold("left", False, hand="ab")["hold"])
        self.put_on("left", "HL-0002")
        self.switch("left", True)
        told = [line[:3] for line in self.said("left") if line[0] in ("held", "hold over", "on",
                                                                     "off", "refused")]
        self.assertEqual(told, [
            ("held", "page", "ab"), ("refused", "page", "cd"), ("refused", "page", "cd"),
            ("off", "page", "ef"), ("hold over", "page", "ab"), ("on", "page", None)])

    def begin_run(self, name, expect):
        return self.ask("POST", name, "run", {"wanted": 100, "off_s": 0.5, "on_s": 60,
                                              "stop_on": "never", "switched": "wakedraw"}, expect)

    def test_no_hold_while_a_run_switches(self):
        item = self.begin_run("left", 201)
        problem = self.hold("left", True, 409)
        self.assertIn(f"run {item['id']} switches this output", problem["detail"])
        self.wait_log("left", "on")
        self.assertEqual(self.said("left")[-1][:2], ("on", f"run {item['id']}"))
        # Off on the page ends the run; then there may be a hold.
        self.switch("left", False, hand="ab")
        self.daemon.wait_supply("left", lambda it: it["run"] is None)
        self.assertEqual(self.hold("left", True)["hold"]["unit"], "HL-0001")
        self.assertFalse(self.is_on("left"))

    def test_the_page_gone_switches_nothing_under_hold(self):
        self.daemon.ask("PUT", "settings", {"page_gone_s": GONE_S})
        self.switch("left", True, page="page-5")
        self.hold("left", True)
        self.switch("slow", True, page="page-6")
        self.wait_panel("slow", False)
        self.assertTrue(self.is_on("left"))
        # Once it is over the page counts as gone from there.
        self.hold("left", False)
        self.wait_panel("left", False)
        self.wait_log("left", "off")
        self.assertEqual(self.said("left")[-1][3], "the page that switched it on is gone")

    def test_killed_while_on(self):
        self.switch("left", True, hand="ab", why="a soak")
        self.daemon.stop(signal.SIGKILL)
        self.assertTrue(self.is_on("left"))
        self.start()
        self.wait_panel("left", False)
        self.wait_log("left", "off")
        told = self.said("left")
        self.assertEqual(told[-2], ("found on", "page", "ab", "a soak"))
        self.assertEqual(told[-1][:2], ("off", "wakedraw"))
        item = self.daemon.wait_supply("left", lambda it: it["output_on"] is False)
        self.assertEqual((item["output_last"], item["output_ours"]), ("off", False))
        # What happened last is known after the next start, too.
        self.daemon.stop()
        self.start()
        item = self.daemon.supply("left")
        self.assertEqual((item["output_last"], item["output_by"]), ("off", "wakedraw"))
        self.assertTrue(item["output_at"])

    def test_killed_while_on_under_hold(self):
        self.switch("left", True, hand="ab")
        self.hold("left", True)
        self.daemon.stop(signal.SIGKILL)
        self.start()
        item = self.daemon.wait_supply("left", lambda it: it["output_last"] == "found on")
        self.assertEqual((item["output_ours"], item["output_hand"]), (True, "ab"))
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is True)
        # And an orderly end leaves it alone.
        self.assertEqual(self.daemon.stop(), 0)
        self.assertTrue(self.is_on("left"))
        self.start()
        self.daemon.wait_supply("left", lambda it: it["output_last"] == "found on")
        self.switch("left", False)
        self.assertFalse(self.is_on("left"))

    def test_a_hand_was_there_before_the_restart(self):
        """What a hand switched off and on again since is no longer ours."""
        left = self.supplies["left"]
        self.switch("left", True)
        self.daemon.stop(signal.SIGKILL)
        left.say("output off")
        self.start()
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is False)
        # The thread that looks after it comes round four times a second.
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is False)
        self.daemon.stop(signal.SIGKILL)
        left.say("output on")
        self.start()
        self.wait_log("left", "on at the supply")
        self.daemon.wait_readings("left", fits=lambda it: it["output_on"] is True)
        self.assertTrue(self.is_on("left"))
        self.assertFalse(self.daemon.supply("left")["output_ours"])

    def test_an_orderly_end_switches_off(self):
        self.switch("left", True)
        self.assertEqual(self.daemon.stop(), 0)
        self.assertFalse(self.is_on("left"))
        self.start()
        self.assertEqual(self.said("left")[-1], ("off", "wakedraw", None, "wakedraw stops"))


class Headers:
    """What the document's check wants to know of an answer."""

    def __init__(self, status):
        self.kind = "application/json" if status < 300 else "application/problem+json"

    def get_content_type(self):
        return self.kind


if __name__ == "__main__":
    main()
