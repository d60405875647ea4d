#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The repair over the API, on a real daemon with a simulated supply: from intake to
close, two clients at once, the daemon killed in the middle, heat, moves, bad input.
Every answer is held against the OpenAPI document."""
import hashlib
import http.client
import json
import os
import pathlib
import re
import signal
import threading
import time
import unittest

from bench_process import (PATIENCE_S, ROOT, Daemon, Supply, config_text, is_off, main, run,
                           temporary_folder)
from test_http import Document

MODULE = "reefer-controller"
WATCH_S = 1
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 4
PNG = b"\x89PNG\r\n\x1a\n" + bytes(64)
WEBP = b"RIFF\x20\0\0\0WEBPVP8 " + bytes(32)
DOCUMENT = Document(json.loads((ROOT / "web" / "openapi.json").read_text()))


class Answer:
    """What Document.check wants of one."""

    def __init__(self, response):
        self.status, self.headers, self.body = response.status, response.headers, response.read()

    def __iter__(self):
        return iter((self.status, self.headers, self.body))

    def json(self):
        return json.loads(self.body)


def template_of(path):
    """The document's name of a path: "/api/v1/units/{id}"."""
    for template in DOCUMENT.document["paths"]:
        pattern = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(template))
        if re.fullmatch(pattern, path):
            return template
    raise AssertionError(f"{path} is not in the document")


class Repair(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder_object = temporary_folder()
        cls.folder = pathlib.Path(cls.folder_object.name)
        cls.supply = Supply(cls.folder, "left", "--module", MODULE, "--unit", "HL-0001",
                            "--seed", "7")
        # Nothing answers there, and nothing need.
        cls.config = config_text(cls.folder, {"left": (cls.supply.link, "profile = scpi"),
                                              "right": ("tcp:127.0.0.1:1", "profile = scpi")})
        cls.daemon = Daemon(cls.folder, cls.config)
        cls.daemon.wait_supply("left", lambda item: item["state"] == "reading")
        path = cls.folder / "range.json"
        made = run("build-reference", "--type", MODULE, "--out", path, "--range", "0.05:5",
                   "--watch", WATCH_S)
        assert made.returncode == 0, made.stderr
        status, body = cls.daemon.ask("POST", "references", path.read_text())
        assert status == 201, body

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()
        cls.supply.stop()
        cls.folder_object.cleanup()

    def restart(self, how):
        type(self).daemon.stop(how)
        type(self).daemon = Daemon(self.folder, self.config)
        self.daemon.wait_supply("left", lambda item: item["state"] == "reading")

    # --- asking ---

    def send(self, method, path, body=None, media_type="application/json"):
        """The answer, after it was found to be as the document tells."""
        connection = http.client.HTTPConnection("127.0.0.1", self.daemon.port, timeout=PATIENCE_S)
        raw = body if body is None or isinstance(body, bytes) else json.dumps(body)
        connection.request(method, "/api/v1/" + path, raw,
                           {"Content-Type": media_type} if body is not None else {})
        answer = Answer(connection.getresponse())
        connection.close()
        faults = DOCUMENT.check(answer, method, template_of("/api/v1/" + path.split("?")[0]))
        self.assertEqual(faults, [], (method, path, answer.status, answer.body[:300]))
        return answer

    def announce(self, path, length):
        """The status where a photo is announced; what is refused by its length is not read."""
        connection = http.client.HTTPConnection("127.0.0.1", self.daemon.port, timeout=PATIENCE_S)
        connection.putrequest("POST", "/api/v1/" + path)
        connection.putheader("Content-Type", "image/jpeg")
        connection.putheader("Content-Length", str(length))
        connection.endheaders()
        status = connection.getresponse().status
        connection.close()
        return status

    def ask(self, method, path, body=None, status=200):
        answer = self.send(method, path, body)
        self.assertEqual(answer.status, status, (method, path, answer.body[:600]))
        return answer.json()

    def refused(self, method, path, body, field, status=422):
        problem = self.ask(method, path, body, status)
        self.assertEqual(problem.get("field"), field, problem)
        self.assertGreater(len(problem["detail"]), 10, problem)

    def take_in(self, serial, supply="left", **more):
        return self.ask("POST", f"supplies/{supply}/intake",
                        {"serial": serial, "module_type": MODULE, **more})

    def put_on(self, **said):
        return self.ask("PUT", "supplies/left/on-bench", {"module_type": MODULE, **said})

    # --- power-ups ---

    def begin(self):
        """An open power-up's id."""
        self.supply.say("output off")
        self.daemon.wait_readings("left", count=4, fits=is_off)
        earlier = {item["id"] for item in self.daemon.get("power-ups?limit=500")["items"]}
        self.supply.say("output on")
        return self.daemon.wait_newest(lambda item: item["id"] not in earlier)["id"]

    def finish(self, power_up):
        """It as kept, once its watch is over and the output is off."""
        self.daemon.wait_newest(lambda item: item["id"] == power_up and item["state"] != "open")
        self.supply.say("output off")
        self.daemon.wait_newest(lambda item: item["id"] == power_up and item["ended_why"])
        return self.ask("GET", "power-ups/" + power_up)

    def power_up(self):
        return self.finish(self.begin())

    # --- the tests ---

    def test_a_repair_from_intake_to_warranty(self):
        taken = self.take_in("  HL-0100 ", revision="C", set_up="loom 2", cells="CR2032",
                             complaint="dead after a wash\nwet inside", customer_reference="q/17")
        self.assertTrue(taken["made_unit"] and taken["made_work_order"])
        order, unit = taken["work_order"]["id"], taken["unit"]["id"]
        self.assertEqual(taken["supply"]["unit"], "HL-0100")
        self.assertEqual(taken["supply"]["stage"], "intake")
        self.assertEqual(taken["unit"]["open_work_order"], order)
        self.assertEqual(self.ask("GET", "units?serial=%20HL-0100")["items"][0]["id"], unit)
        self.assertEqual([item["id"] for item in self.ask("GET", "units?search=Q/1")["items"]],
                         [unit])
        # Cold checks before power, a note, a photo.
        self.ask("POST", f"work-orders/{order}/meter-readings",
                 {"stage": "intake", "before_power": True, "what": "feed to ground",
                  "value": 312.5, "unit": "ohm", "hand": "ab"}, 201)
        self.ask("POST", f"work-orders/{order}/notes",
                 {"stage": "intake", "text": "green at the connector", "hand": "ab"}, 201)
        # Good at intake is good; under heat it is a diagnosis.
        first = self.power_up()
        self.assertEqual((first["unit"], first["work_order"], first["stage"], first["tag"]),
                         ("HL-0100", order, "intake", None))
        self.assertEqual((first["revision"], first["set_up"]), ("C", "loom 2"))
        self.assertEqual(first["verdict"]["verdict"], "good", first["verdict"])
        self.put_on(work_order=order, stage="heat check")
        events = self.daemon.events()
        self.addCleanup(events.close)
        heated = self.power_up()
        told = events.wait("verdict", lambda data: data["power_up"] == heated["id"] and
                           data["kept"])["verdict"]
        self.assertEqual(told, heated["verdict"])
        self.assertEqual(told["verdict"], "unsure")
        self.assertEqual(told["reasons"][0]["code"], "under_heat")
        self.assertIn("common practice", told["reasons"][0]["details"])
        self.assertEqual(told["settle"][0]["code"], "cold")
        self.assertTrue(told["final"])
        on_bench = self.put_on(work_order=order, stage="after rework", tag="heat")
        self.assertEqual((on_bench["unit"], on_bench["tag"]), ("HL-0100", "heat"))
        tagged = self.power_up()
        self.assertEqual(tagged["tag"], "heat")
        self.assertEqual(tagged["verdict"]["reasons"][0]["code"], "under_heat")
        self.put_on(work_order=order, stage="final")
        last = self.power_up()
        self.assertEqual(last["verdict"]["verdict"], "good", last["verdict"])
        whole = self.ask("GET", f"work-orders/{order}")
        self.assertEqual(whole["verdicts"]["heat check"], {"good": 0, "bad": 0, "unsure": 1})
        self.assertEqual(whole["verdicts"]["final"], {"good": 1, "bad": 0, "unsure": 0})
        self.assertEqual(whole["power_ups"], 4)
        self.assertEqual(whole["stage"], "final")
        self.assertEqual(whole["meter_readings"][0]["value"], 312.5)
        # Each figure leads to its power-ups.
        day = last["started_at"][:10]
        for query, wanted in ((f"work_order={order}&verdict=good", [last, first]),
                              (f"work_order={order}&reason=under_heat", [tagged, heated]),
                              (f"work_order={order}&stage=final&day={day}", [last]),
                              (f"work_order={order}&day=2026-01-31", [])):
            found = self.ask("GET", "power-ups?" + query)["items"]
            self.assertEqual([item["id"] for item in found], [item["id"] for item in wanted],
                             query)
        closed = self.ask("POST", f"work-orders/{order}/close",
                          {"outcome": "repaired", "found_cause": "corroded connector",
                           "parts": "connector, 24 way", "hand": "ab"})
        self.assertEqual((closed["outcome"], closed["warranty_days"]), ("repaired", 365))
        self.assertIsNone(self.daemon.supply("left")["unit"])
        # It comes back under warranty.
        back = self.take_in("HL-0100")
        self.assertFalse(back["made_unit"])
        self.assertTrue(back["made_work_order"])
        self.assertEqual(back["unit"]["warranty"]["work_order"], order)
        self.assertEqual(back["unit"]["warranty"]["days_left"], 365)
        self.assertEqual(back["unit"]["shipped"], {"work_order": order, "power_ups": [last["id"]]})
        again = back["work_order"]["id"]
        self.refused("POST", f"work-orders/{again}/close",
                     {"outcome": "nothing found", "hand": "ab"}, "outcome")
        self.power_up()
        self.ask("POST", f"work-orders/{again}/close",
                 {"outcome": "nothing found", "hand": "ab", "warranty_days": 0})

    def test_twenty_units(self):
        for i in range(20):
            serial = f"HL-03{i:02}"
            taken = self.take_in(serial, supply="right", complaint=f"complaint {i}")
            order = taken["work_order"]["id"]
            for stage in ("intake", "after rework", "after cleaning", "final"):
                self.ask("PUT", "supplies/right/on-bench",
                         {"module_type": MODULE, "unit": serial, "work_order": order,
                          "stage": stage})
                self.ask("POST", f"work-orders/{order}/notes", {"stage": stage, "text": stage},
                         201)
            self.ask("PUT", f"work-orders/{order}", {"found_cause": "worn relay"})
            self.ask("POST", f"work-orders/{order}/close", {"outcome": "repaired", "hand": "cd"})
            whole = self.ask("GET", f"work-orders/{order}")
            self.assertEqual([note["text"] for note in whole["notes"]],
                             ["intake", "after rework", "after cleaning", "final"])
            self.assertEqual(whole["stage"], "final")
            self.assertEqual(whole["found_cause"], "worn relay")
        found = self.ask("GET", "units?search=HL-03&limit=500")["items"]
        self.assertEqual(len(found), 20)
        self.assertTrue(all(unit["warranty"] and not unit["open_work_order"] for unit in found))

    def test_two_tablets_at_once_lose_nothing(self):
        order = self.take_in("HL-0400", supply="right")["work_order"]["id"]
        events = self.daemon.events()
        self.addCleanup(events.close)
        failed = []

        def work(key, rounds=25):
            try:
                for i in range(rounds):
                    self.ask("PUT", f"work-orders/{order}", {key: f"{key} {i}"})
                    self.ask("POST", f"work-orders/{order}/notes", {"text": f"{key} {i}"}, 201)
            except AssertionError as error:
                failed.append(error)

        threads = [threading.Thread(target=work, args=(key,))
                   for key in ("complaint", "condition", "parts")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(PATIENCE_S)
        self.assertEqual(failed, [])
        whole = self.ask("GET", f"work-orders/{order}")
        self.assertEqual((whole["complaint"], whole["condition"], whole["parts"]),
                         ("complaint 24", "condition 24", "parts 24"))
        texts = [note["text"] for note in whole["notes"]]
        self.assertEqual(len(texts), 75)
        self.assertEqual(sorted(texts), sorted(f"{key} {i}" for key in
                                               ("complaint", "condition", "parts")
                                               for i in range(25)))
        events.wait("work-order", lambda data: data["id"] == order)

    def test_the_daemon_killed_in_the_middle(self):
        order = self.take_in("HL-0500", revision="D")["work_order"]["id"]
        self.put_on(unit="HL-0500", work_order=order, stage="heat check", tag="heat")
        note = self.ask("POST", f"work-orders/{order}/notes", {"text": "still here"}, 201)["id"]
        photo = self.send("POST", f"work-orders/{order}/photos", JPEG, "image/jpeg")
        self.assertEqual(photo.status, 201)
        self.ask("PUT", "settings", {"warranty_days": 90})
        for how in (signal.SIGKILL, signal.SIGTERM):
            before = self.daemon.supply("left")
            self.restart(how)
            after = self.daemon.supply("left")
            for key in ("module_type", "unit", "work_order", "stage", "tag",
                        "on_bench_confirmed_at", "ask_unit"):
                self.assertEqual(before[key], after[key], key)
            self.assertEqual(after["tag"], "heat")
            whole = self.ask("GET", f"work-orders/{order}")
            self.assertEqual([item["id"] for item in whole["notes"]], [note])
            self.assertEqual(len(whole["photos"]), 1)
            self.assertEqual(self.ask("GET", "settings")["warranty_days"], 90)
        # And the rule of heat holds for what was put on before.
        self.assertEqual(self.power_up()["verdict"]["reasons"][0]["code"], "under_heat")
        self.ask("PUT", "settings", {"warranty_days": None})

    def test_still_this_unit(self):
        self.ask("PUT", "settings", {"ask_after_min": 0})
        self.addCleanup(lambda: self.ask("PUT", "settings", {"ask_after_min": None}))
        self.take_in("HL-0600")
        self.assertFalse(self.daemon.supply("left")["ask_unit"])
        power_up = self.begin()
        self.daemon.wait_supply("left", lambda item: item["ask_unit"])
        self.finish(power_up)  # which is judged all the same
        self.assertTrue(self.daemon.supply("left")["ask_unit"])
        self.restart(signal.SIGKILL)
        self.assertTrue(self.daemon.supply("left")["ask_unit"])
        before = self.daemon.supply("left")["on_bench_confirmed_at"]
        after = self.ask("POST", "supplies/left/on-bench/confirm", {})
        self.assertFalse(after["ask_unit"])
        self.assertGreater(after["on_bench_confirmed_at"], before)
        self.restart(signal.SIGTERM)
        self.assertFalse(self.daemon.supply("left")["ask_unit"])
        # With the usual patience a power-up soon after asks nothing.
        self.ask("PUT", "settings", {"ask_after_min": 20})
        self.finish(self.begin())
        self.assertFalse(self.daemon.supply("left")["ask_unit"])

    def test_a_power_up_is_moved(self):
        wrong = self.take_in("HL-0700")["work_order"]["id"]
        power_up = self.begin()
        right = self.take_in("HL-0701", supply="right")["work_order"]["id"]
        events = self.daemon.events()
        self.addCleanup(events.close)
        # While it is being watched: what is told of it is told of the right one.
        moved = self.ask("PUT", f"power-ups/{power_up}/attachment",
                         {"unit": "HL-0701", "work_order": right, "stage": "heat check",
                          "why": "not scanned", "hand": "ab"})
        self.assertEqual(moved["unit"], "HL-0701")
        told = events.wait("power-up", lambda data: data["power_up"]["id"] == power_up and
                           data["power_up"]["unit"] == "HL-0701")
        self.assertEqual(told["power_up"]["stage"], "heat check")
        kept = self.finish(power_up)
        self.assertEqual((kept["unit"], kept["work_order"]), ("HL-0701", right))
        self.assertEqual(kept["verdict"]["reasons"][0]["code"], "under_heat")
        self.assertEqual(kept["moves"][0]["from"], {"unit": "HL-0700", "work_order": wrong,
                                                    "stage": "intake"})
        self.assertEqual(kept["moves"][0]["why"], "not scanned")
        # Good, and found out later to have been under heat.
        self.put_on(unit="HL-0700", work_order=wrong, stage="final")
        good = self.power_up()
        self.assertEqual(good["verdict"]["verdict"], "good")
        tagged = self.ask("PUT", f"power-ups/{good['id']}/tag", {"tag": "heat"})
        self.assertEqual(tagged["verdict"]["reasons"][0]["code"], "under_heat")
        self.assertEqual(self.ask("PUT", f"power-ups/{good['id']}/tag", {"tag": None})
                         ["verdict"]["verdict"], "unsure")
        detached = self.ask("PUT", f"power-ups/{good['id']}/attachment", {"why": "a test lamp"})
        self.assertIsNone(detached["unit"])
        self.assertEqual(self.ask("GET", f"work-orders/{wrong}")["power_ups"], 0)
        self.refused("PUT", f"power-ups/{good['id']}/attachment",
                     {"unit": "HL-0700", "work_order": right, "why": "x"}, "work_order")
        self.refused("PUT", f"power-ups/{good['id']}/attachment", {"unit": "HL-0700"}, "why")
        self.refused("PUT", f"power-ups/{good['id']}/attachment", {"unit": "HL-9", "why": "x"},
                     "unit")
        self.refused("PUT", f"power-ups/{good['id']}/tag", {"tag": "warm"}, "tag")
        self.refused("PUT", "power-ups/999999/tag", {"tag": "heat"}, "id", 404)

    def test_a_soak_with_a_drop(self):
        self.put_on(unit="HL-0001")
        power_up = self.begin()

        def wait_log(fits):
            deadline = time.monotonic() + PATIENCE_S
            while time.monotonic() < deadline:
                log = self.ask("GET", f"power-ups/{power_up}/on-time")
                if fits(log):
                    return log
                time.sleep(0.05)
            raise AssertionError(log)

        def is_settled(log):
            last = log["current_A"][-8:]
            return len(last) == 8 and max(last) - min(last) < 0.05 * max(last)

        # It has booted, and draws what it draws; then it restarts, as by a brown-out.
        before = wait_log(is_settled)
        self.supply.say("fault none")
        wait_log(lambda log: log["drops"] and log["drops"][-1]["to_s"] < log["time_s"][-1])
        self.finish(power_up)
        log = self.ask("GET", f"power-ups/{power_up}/on-time")
        drop = log["drops"][0]
        self.assertGreater(drop["from_s"], before["time_s"][-1])
        self.assertLess(drop["to_s"], log["time_s"][-1])
        self.assertLess(drop["low_A"], 0.6 * drop["of_A"])
        whole = self.ask("GET", "power-ups/" + power_up)
        self.assertEqual(whole["trace"]["time_s"][-len(log["time_s"]):], log["time_s"])
        self.assertGreater(whole["trace"]["time_s"][0] + 1e-9, 0)
        self.assertEqual(self.send("GET", "power-ups/999999/on-time").status, 404)

    def test_photos(self):
        order = self.take_in("HL-0800", supply="right")["work_order"]["id"]
        for media_type, image in (("image/jpeg", JPEG), ("image/png", PNG), ("image/webp", WEBP)):
            answer = self.send("POST", f"work-orders/{order}/photos?stage=intake", image,
                               media_type)
            self.assertEqual(answer.status, 201, answer.body)
            item = answer.json()
            self.assertEqual(item["media_type"], media_type)
            self.assertEqual(item["sha256"], hashlib.sha256(image).hexdigest())
            self.assertEqual(answer.headers["Location"], f"/api/v1/photos/{item['id']}")
            got = self.send("GET", f"photos/{item['id']}")
            self.assertEqual(got.body, image)
            self.assertEqual(got.headers["Content-Type"], media_type)
            self.assertEqual(got.headers["X-Content-Type-Options"], "nosniff")
            self.assertEqual(got.headers["ETag"], f'"{item["sha256"]}"')
            self.assertIn("immutable", got.headers["Cache-Control"])
        path = f"work-orders/{order}/photos"
        largest = JPEG + bytes(2 * 1024 * 1024 - len(JPEG))
        self.assertEqual(self.send("POST", path, largest, "image/jpeg").status, 201)
        self.assertEqual(self.announce(path, len(largest) + 1), 413)
        self.assertEqual(self.send("POST", path, JPEG, "image/gif").status, 415)
        self.assertEqual(self.send("POST", path, JPEG, "application/json").status, 415)
        self.assertEqual(self.send("POST", path, b"<svg/>" * 9, "image/png").status, 422)
        self.assertEqual(self.send("POST", path, b"", "image/png").status, 422)
        self.assertEqual(self.send("POST", path + "?stage=no", PNG, "image/png").status, 422)
        for _ in range(20):
            self.assertEqual(self.send("POST", path, PNG, "image/png").status, 201)
        self.assertEqual(self.send("POST", path, PNG, "image/png").status, 409)
        photos = self.ask("GET", f"work-orders/{order}")["photos"]
        self.assertEqual(len(photos), 24)
        struck = self.ask("POST", f"photos/{photos[0]['id']}/strike", {"why": "blurred"})
        self.assertEqual(struck["struck_why"], "blurred")
        self.assertEqual(self.send("GET", f"photos/{photos[0]['id']}").body, JPEG)
        self.refused("POST", f"photos/{photos[0]['id']}/strike", {"why": "x"}, None, 409)
        self.assertEqual(self.send("GET", "photos/999999").status, 404)

    def test_settings(self):
        first = self.ask("GET", "settings")
        self.assertEqual(first["stages"][:2], ["intake", "heat check"])
        changed = self.ask("PUT", "settings", {"stages": ["coming in", "drying", "going out"],
                                               "shop": {"name": "Harbour Lane", "lines": ["Q 4"]}})
        self.assertEqual(changed["ask_after_min"], first["ask_after_min"])
        order = self.take_in("HL-0900", supply="right")["work_order"]
        self.assertEqual(order["stages"], ["coming in", "drying", "going out"])
        self.assertEqual(order["stage"], "coming in")
        for key, value in (("stages", []), ("stages", ["a", "a"]), ("stages", "final"),
                           ("warranty_days", -1), ("warranty_days", 0.5), ("check_every_h", 0),
                           ("ask_after_min", "20"), ("resistors", [{"ohm": -47}]),
                           ("check_standard", {"serial": 7}), ("shop", {"colour": "red"}),
                           ("colour", "red")):
            self.refused("PUT", "settings", {key: value}, key)
        self.ask("PUT", "settings", {key: None for key in first})
        self.assertEqual(self.ask("GET", "settings"), first)

    def test_bad_input_names_its_field(self):
        order = self.take_in("HL-1000", supply="right")["work_order"]["id"]
        unit = self.ask("GET", "units?serial=HL-1000")["items"][0]["id"]
        close = f"work-orders/{order}/close"
        notes, readings = f"work-orders/{order}/notes", f"work-orders/{order}/meter-readings"
        intake = "supplies/right/intake"
        reading = {"what": "feed", "value": 1, "unit": "V"}
        for method, path, body, field in (
                ("POST", intake, {}, "serial"),
                ("POST", intake, {"serial": "   "}, "serial"),
                ("POST", intake, {"serial": "HL-1001"}, "module_type"),
                ("POST", intake, {"serial": "HL-1000", "complaint": 7}, "complaint"),
                ("POST", intake, {"serial": "HL-1000", "colour": "red"}, "colour"),
                ("POST", intake, {"serial": "x" * 128, "module_type": "y"}, "serial"),
                ("PUT", "supplies/right/on-bench", {"work_order": "999999"}, "work_order"),
                ("PUT", "supplies/right/on-bench", {"work_order": order, "stage": "no"}, "stage"),
                ("PUT", "supplies/right/on-bench", {"tag": "warm"}, "tag"),
                ("PUT", f"units/{unit}", {"serial": "HL-2"}, "serial"),
                ("PUT", f"units/{unit}", {"revision": 3}, "revision"),
                ("PUT", f"work-orders/{order}", {"outcome": "repaired"}, "outcome"),
                ("PUT", f"work-orders/{order}", {"stages": ["a", "a"]}, "stages"),
                ("PUT", f"work-orders/{order}", {"parts": "x" * 4001}, "parts"),
                ("POST", close, {"hand": "ab"}, "outcome"),
                ("POST", close, {"outcome": "mended", "hand": "ab"}, "outcome"),
                ("POST", close, {"outcome": "repaired"}, "hand"),
                ("POST", close, {"outcome": "repaired", "hand": "a", "warranty_days": -1},
                 "warranty_days"),
                ("POST", notes, {"stage": "intake"}, "text"),
                ("POST", notes, {"stage": "no", "text": "x"}, "stage"),
                ("POST", notes, {"text": "a\u0007b"}, "text"),
                ("POST", readings, {**reading, "what": None}, "what"),
                ("POST", readings, {**reading, "value": "312"}, "value"),
                ("POST", readings, {**reading, "unit": ""}, "unit"),
                ("POST", readings, {**reading, "before_power": 1}, "before_power"),
                ("POST", "work-orders", {"unit": ""}, "unit"),
                ("POST", f"work-orders/{order}/reopen", {}, "why")):
            self.refused(method, path, body, field)
        for method, path, body in (("POST", "supplies/none/intake", {"serial": "HL-1000"}),
                                   ("POST", "supplies/none/on-bench/confirm", {}),
                                   ("PUT", "units/999999", {}), ("PUT", "work-orders/999999", {}),
                                   ("POST", "work-orders/999999/notes", {"text": "x"}),
                                   ("POST", "notes/999999/strike", {"why": "x"})):
            self.assertEqual(self.send(method, path, body).status, 404, path)
        self.refused("POST", f"work-orders/{order}/reopen", {"why": "x"}, None, 409)
        for query, field in (("verdict=fine", "verdict"), ("day=yesterday", "day"),
                             ("day=2026-13-01", "day")):
            self.refused("GET", "power-ups?" + query, None, field, 400)
        # Nothing of all that was kept.
        whole = self.ask("GET", f"work-orders/{order}")
        self.assertEqual((whole["notes"], whole["meter_readings"], whole["hand"]), ([], [], None))
        self.assertEqual(self.ask("GET", "units?serial=HL-1001")["items"], [])


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    main()
