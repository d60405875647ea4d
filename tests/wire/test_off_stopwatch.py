#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A stop-watch on off: from the request to the message as the supply sees it. 100 ms,
and what is left of the reply that is outstanding at that time (its turnaround and its
characters; the profile's timeout where none comes). Whatever the link is at: reading,
switching on, looking, opening, trying out, waiting for quiet. It counts as skipped where
it fails on a machine that has other work: a thread that waits for a processor is no slow
off."""
import json
import pathlib
import random
import subprocess
import sys
import threading
import time
import unittest

from bench_process import PATIENCE_S, ROOT, Daemon, config_text, main, temporary_folder
from test_output import TYPE, plain_profile, wait

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent / "peers"))
from checks import busy  # noqa: E402
from scpi_instrument import Traps  # noqa: E402
from switched_instrument import SwitchedInstrument, SwitchedUnit  # noqa: E402

# Off is asked for by a process of its own: in this one it would take turns with a peer that
# answers without pause. It tells when it sent it, and how it was answered.
TOUCH = """
import http.client, json, sys, time
connection = http.client.HTTPConnection("127.0.0.1", int(sys.argv[1]), timeout=60)
connection.connect()
print("ready", flush=True)
sys.stdin.readline()
begun = time.monotonic()
connection.request("PUT", "/api/v1/supplies/%s/output" % sys.argv[2], body='{"on": false}',
                   headers={"Content-Type": "application/json"})
print(json.dumps([begun, connection.getresponse().status]), flush=True)
"""

OFF_S = 0.1
TIMEOUT_S = 0.4


class Watch(unittest.TestCase):
    def setUp(self):
        self.folder_object = temporary_folder()
        self.addCleanup(self.folder_object.cleanup)
        self.folder = pathlib.Path(self.folder_object.name)
        self.worst_s = 0.0

    def start(self, link, profile=None, names=("left",), ready=True, more=""):
        profile = profile or plain_profile(self.folder, timeout_s=TIMEOUT_S)
        self.daemon = Daemon(self.folder, config_text(self.folder, {
            name: (link, f"profile = {profile}\ncontrol = on\noutput = {i + 1}\n{more}")
            for i, name in enumerate(names)}))
        self.addCleanup(lambda: self.daemon.stop())
        status, body = self.daemon.ask("POST", "module-types", TYPE)
        self.assertIn(status, (200, 201), body)
        for name in names:
            self.daemon.ask("PUT", f"supplies/{name}/on-bench",
                            {"module_type": TYPE["name"], "unit": None, "work_order": None,
                             "stage": None})
        for name in names if ready else ():
            self.reading(name)

    def reading(self, name="left"):
        self.daemon.wait_supply(name, lambda item: item["state"] == "reading" and
                                item["voltage_V"] is not None)

    def put(self, on, name="left"):
        return self.daemon.ask("PUT", f"supplies/{name}/output", {"on": on})

    def switch_on(self, name="left"):
        status, body = self.put(True, name)
        self.assertEqual(status, 200, body)

    def instrument(self, loads=("healthy",), **options):
        peer = SwitchedInstrument(loads, traps=Traps(**options.pop("traps", {})), **options)
        self.addCleanup(peer.stop)
        return peer

    def watch(self, seen, outstanding_s, name="left", what=""):
        """Asks for off and takes the time until it is seen; its answer's status."""
        with subprocess.Popen([sys.executable, "-c", TOUCH, str(self.daemon.port), name], text=True,
                              stdin=subprocess.PIPE, stdout=subprocess.PIPE) as touch:
            touch.stdout.readline()
            asked = time.monotonic()
            touch.stdin.write("off\n")
            touch.stdin.flush()
            # Nothing is looked at before it is answered: that too would hold up the peer.
            begun, status = json.loads(touch.stdout.readline())
            at = wait(lambda: seen(asked), f"off {what}")
        self.check(at - begun, outstanding_s, what)
        return status

    def check(self, took_s, outstanding_s, what=""):
        self.worst_s = max(self.worst_s, took_s)
        if took_s > OFF_S + outstanding_s and busy():
            self.skipTest(f"the machine has other work ({took_s * 1e3:.0f} ms)")
        self.assertLessEqual(took_s, OFF_S + outstanding_s, what)


class Reading(Watch):
    def readings(self, peer, link, outstanding_s, times=6):
        self.start(link)
        for i in range(times):
            self.switch_on()
            time.sleep(random.random() * 0.3)
            status = self.watch(lambda begun: peer.when("OUTP OFF", begun), outstanding_s)
            self.assertEqual(status, 200)
            self.assertFalse(peer.each[0].on)
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)

    def test_turnaround_0(self):
        peer = self.instrument()
        self.readings(peer, peer.start_tcp(), 0)

    def test_turnaround_5_ms(self):
        peer = self.instrument(traps={"turnaround_s": 0.005})
        self.readings(peer, peer.start_tcp(), 0.005)

    def test_turnaround_50_ms(self):
        peer = self.instrument(traps={"turnaround_s": 0.05})
        self.readings(peer, peer.start_tcp(), 0.05, times=3)

    def test_9600_baud(self):
        peer = self.instrument(traps={"baud": 9600, "turnaround_s": 0.005})
        # The longest question and its answer, and off itself: 100 characters.
        self.readings(peer, f"serial:{peer.start_pty()}?baud=9600", 0.005 + 100 * 10 / 9600,
                      times=3)


class Silent(Watch):
    def test_it_falls_silent(self):
        peer = self.instrument()
        self.start(peer.start_tcp())
        for _ in range(3):
            self.switch_on()
            peer.hush()
            time.sleep(random.random() * 2 * TIMEOUT_S)
            status = self.watch(lambda begun: peer.when("OUTP OFF", begun), TIMEOUT_S)
            self.assertEqual(status, 503)
            self.assertFalse(peer.each[0].on)
            item = self.daemon.supply("left")
            self.assertTrue(item["off_wanted"])
            self.assertIn("use the switch on the supply", item["output_problem"])
            peer.hush(False)
            self.daemon.wait_supply("left", lambda item: item["state"] == "reading" and
                                    not item["off_wanted"])
            self.reading()

    def test_it_was_silent_from_the_start(self):
        peer = self.instrument()
        peer.hush()
        peer.each[0].on = True
        self.start(peer.start_tcp(), ready=False)
        for _ in range(4):
            time.sleep(random.random() * 2)
            peer.each[0].on = True
            status = self.watch(lambda begun: peer.when("OUTP OFF", begun), TIMEOUT_S)
            self.assertEqual(status, 503)
            self.assertFalse(peer.each[0].on)

    def test_it_talks_without_end(self):
        peer = self.instrument()
        self.start(peer.start_tcp())
        self.switch_on()
        peer.traps.babble = True
        time.sleep(0.3)
        self.watch(lambda begun: peer.when("OUTP OFF", begun), TIMEOUT_S)
        self.assertFalse(peer.each[0].on)

    def test_answers_that_come_late(self):
        peer = self.instrument()
        self.start(peer.start_tcp())
        for _ in range(3):
            self.switch_on()
            peer.traps.late.update({n: 3 * TIMEOUT_S for n in
                                    range(peer.readings + 1, peer.readings + 3)})
            time.sleep(TIMEOUT_S + random.random() * TIMEOUT_S)
            # The peer reads on only once it has answered: what counts is when it could.
            begun = time.monotonic()
            status, _ = self.put(False)
            self.assertIn(status, (200, 503))
            wait(lambda: peer.when("OUTP OFF", begun), "off")
            peer.traps.late.clear()
            self.assertEqual([m for m in peer.messages(begun) if "OUTP O" in m][0], "OUTP OFF")
            self.daemon.wait_supply("left", lambda item: item["state"] == "reading" and
                                    not item["off_wanted"] and item["output_on"] is False)

    def test_nobody_there(self):
        """The link is closed, and comes back: off before anything else."""
        peer = self.instrument()
        link = peer.start_tcp()
        self.start(link)
        self.switch_on()
        peer.listener.close()
        peer.traps.close_at.add(peer.readings + 2)
        self.daemon.wait_supply("left", lambda item: item["state"] == "gone")
        begun = time.monotonic()
        status, body = self.put(False)
        self.assertEqual(status, 503, body)
        self.assertIn("use the switch on the supply", body["detail"])
        self.assertLess(time.monotonic() - begun, 3)
        self.assertTrue(peer.each[0].on)
        self.assertTrue(self.daemon.supply("left")["off_wanted"])


class WhileAtWork(Watch):
    def at_work(self, peer, link, outstanding_s, times, longest_s, prepare=lambda: None):
        """Off at any instant of an on."""
        self.start(link)
        for i in range(times):
            prepare()
            before = len(peer.each[0].history)
            asked = threading.Thread(target=self.put, args=(True,), daemon=True)
            begun = time.monotonic()
            asked.start()
            time.sleep(random.random() * longest_s)
            status = self.watch(lambda begun: peer.when("OUTP OFF", begun), outstanding_s)
            self.assertEqual(status, 200)
            asked.join(PATIENCE_S)
            # Nothing comes after it.
            off_at = peer.when("OUTP OFF", begun)
            self.daemon.wait_supply("left", lambda item: item["output_doing"] is None and
                                    item["voltage_V"] is not None)
            self.assertFalse(peer.each[0].on)
            self.assertIsNotNone(off_at)
            self.assertLessEqual(sum(on for _, on, _, _ in peer.each[0].history[before:]), 2)
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)

    def test_during_on(self):
        peer = self.instrument()
        self.at_work(peer, peer.start_tcp(), 0, 12, 0.4)

    def test_during_on_of_a_slow_one(self):
        peer = self.instrument(traps={"turnaround_s": 0.05})
        self.at_work(peer, peer.start_tcp(), 0.05, 6, 2.0)

    def test_during_a_look_at_a_short(self):
        peer = self.instrument(("short",))
        self.at_work(peer, peer.start_tcp(), 0, 6, 0.5)

    def test_while_the_voltage_falls(self):
        peer = self.instrument()

        def prepare():
            peer.each[0].holds_s = 10

        self.at_work(peer, peer.start_tcp(), 0, 3, 3.0, prepare)

    def test_while_a_setting_settles(self):
        """It reads back another voltage: asked again and again for half a second."""
        peer = self.instrument()
        peer.most_volts = 12
        self.at_work(peer, peer.start_tcp(), 0, 6, 0.5)

    def test_while_errors_are_taken(self):
        peer = self.instrument(traps={"turnaround_s": 0.02})

        def prepare():
            for _ in range(18):
                peer.error(-222, "Data out of range")

        self.at_work(peer, peer.start_tcp(), 0.02, 4, 0.6, prepare)


class Opening(Watch):
    def test_during_opening(self):
        """Off at each of the questions of opening and trying out, one after the other."""
        for n in range(1, 40, 3):
            with self.subTest(question=n):
                peer = self.instrument(traps={"turnaround_s": 0.03})
                peer.each[0].on = True
                self.start(peer.start_tcp(), ready=False)
                wait(lambda: len(peer.messages()) >= n, f"question {n}")
                status = self.watch(lambda begun: peer.when("OUTP OFF", begun), 0.03,
                                    what=f"at question {n}")
                self.assertEqual(status, 200)
                self.assertFalse(peer.each[0].on)
                # Nothing between.
                self.reading()
                self.daemon.stop()
                peer.stop()
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)

    def test_questions_it_does_not_know(self):
        """Each stays unanswered until its time is over."""
        peer = self.instrument(traps={"no_flags": True})
        peer.each[0].on = True
        self.start(peer.start_tcp(), ready=False)
        wait(lambda: peer.when("STAT:QUES:COND?") or peer.when("OUTP?"), "trying out")
        self.watch(lambda begun: peer.when("OUTP OFF", begun), TIMEOUT_S)
        self.assertFalse(peer.each[0].on)


class Eight(Watch):
    NAMES = tuple(f"out{i + 1}" for i in range(8))

    def eight(self, traps, outstanding_s):
        peer = self.instrument(("healthy",) * 8, dialect="list", traps=traps)
        text = (ROOT / "daemon" / "profiles" / "scpi-channel-list.ini").read_text()
        path = self.folder / "eight.ini"
        path.write_text(text.replace("outputs = 4", "outputs = 8")
                        .replace("reply_timeout_s = 1", f"reply_timeout_s = {TIMEOUT_S}"))
        self.start(peer.start_tcp(), path, self.NAMES)
        switched = [threading.Thread(target=self.switch_on, args=(name,), daemon=True)
                    for name in self.NAMES]
        for thread in switched:
            thread.start()
        for thread in switched:
            thread.join(PATIENCE_S)
        self.assertTrue(all(output.on for output in peer.each))
        return peer

    def all_off(self, peer, outstanding_s, status):
        """All at once."""
        answers = {}

        def off(name):
            answers[name] = self.put(False, name)

        threads = [threading.Thread(target=off, args=(name,), daemon=True)
                   for name in self.NAMES]
        begun = time.monotonic()
        for thread in threads:
            thread.start()
        for i in range(8):
            at = wait(lambda i=i: peer.when(f"OUTP OFF,(@{i + 1})", begun), f"off {i + 1}")
            self.check(at - begun, outstanding_s, self.NAMES[i])
        for thread in threads:
            thread.join(PATIENCE_S)
        self.assertEqual({answer[0] for answer in answers.values()}, {status})
        self.assertFalse(any(output.on for output in peer.each))
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)

    def test_eight_at_once(self):
        peer = self.eight({"turnaround_s": 0.005}, 0.005)
        self.all_off(peer, 0.005, 200)

    def test_eight_that_fell_silent(self):
        peer = self.eight({}, TIMEOUT_S)
        peer.hush()
        time.sleep(random.random() * TIMEOUT_S)
        self.all_off(peer, TIMEOUT_S, 503)

    def test_one_of_eight_while_another_goes_on(self):
        peer = self.eight({"turnaround_s": 0.005}, 0.005)
        for _ in range(5):
            self.put(False, "out1")
            asked = threading.Thread(target=self.put, args=(True, "out1"), daemon=True)
            asked.start()
            time.sleep(random.random())
            status = self.watch(lambda begun: peer.when("OUTP OFF,(@5)", begun), 0.005, "out5")
            self.assertEqual(status, 200)
            asked.join(PATIENCE_S)
            self.assertTrue(peer.each[0].on)
            self.switch_on("out5")
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)


class Selected(Watch):
    def test_the_right_one_of_three(self):
        """Selected and switched off in two messages on end, whatever was selected."""
        peer = self.instrument(("healthy",) * 3, dialect="nselect",
                               traps={"turnaround_s": 0.01})
        text = (ROOT / "daemon" / "profiles" / "scpi-nselect.ini").read_text()
        path = self.folder / "three.ini"
        path.write_text(text.replace("reply_timeout_s = 1", f"reply_timeout_s = {TIMEOUT_S}"))
        names = ("one", "two", "three")
        self.start(peer.start_tcp(), path, names)
        for name in names:
            self.switch_on(name)
        for name, number in (("two", 2), ("three", 3), ("one", 1)):
            begun = time.monotonic()
            status = self.watch(lambda begun: peer.when("OUTP OFF", begun), 0.01, name)
            self.assertEqual(status, 200)
            messages = peer.messages(begun)
            at = messages.index("OUTP OFF")
            self.assertEqual(messages[at - 1], f"INST:NSEL {number}")
            self.assertFalse(peer.each[number - 1].on)
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)


class OverModbus(Watch):
    def unit(self, **faults):
        unit = SwitchedUnit(**faults)
        unit.each = [unit.output]
        self.addCleanup(unit.stop)
        text = (ROOT / "daemon" / "profiles" / "modbus-holding-u16.ini").read_text()
        path = self.folder / "unit.ini"
        path.write_text(text.replace("reply_timeout_s = 0.5", f"reply_timeout_s = {TIMEOUT_S}"))
        return unit, f"modbus-rtu:{unit.path}?baud=9600&address=1", path

    def test_9600_baud(self):
        for turnaround_s in (0, 0.005, 0.05):
            unit, link, path = self.unit(baud=9600, turnaround_s=turnaround_s)
            self.start(link, path)
            # One answer; what else the register holds is asked within the 100 ms.
            outstanding_s = turnaround_s + 21 * 10 / 9600
            for _ in range(3):
                self.switch_on()
                time.sleep(random.random() * 0.3)
                status = self.watch(unit.when_off, outstanding_s, what=str(turnaround_s))
                self.assertEqual(status, 200)
                self.assertFalse(unit.output.on)
            self.daemon.stop()
        print(f"worst {self.worst_s * 1e3:.0f} ms ", end="", flush=True)

    def test_it_falls_silent(self):
        unit, link, path = self.unit()
        self.start(link, path)
        for _ in range(3):
            self.switch_on()
            unit.mute = True
            time.sleep(random.random() * 2 * TIMEOUT_S)
            status = self.watch(unit.when_off, TIMEOUT_S)
            self.assertEqual(status, 503)
            self.assertFalse(unit.output.on)
            unit.mute = False
            self.daemon.wait_supply("left", lambda item: item["state"] == "reading" and
                                    not item["off_wanted"])
            self.reading()

    def test_silent_from_the_start(self):
        unit, link, path = self.unit()
        unit.mute = True
        unit.output.on = True
        self.start(link, path, ready=False)
        for _ in range(3):
            time.sleep(random.random() * 2)
            unit.output.on = True
            status = self.watch(unit.when_off, TIMEOUT_S)
            self.assertEqual(status, 503)


if __name__ == "__main__":
    main()
