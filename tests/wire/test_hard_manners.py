#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Supplies of awkward manners, all at once on one daemon, with a module on each:
every power-up is caught whichever way it begins, no reading is ever wrong,
nothing but queries goes out, and polling comes back by itself. The instrument
here knows nothing of the daemon or of simulate. That supplies behave so is
common practice, no source."""
import os
import pathlib
import pty
import random
import signal
import socket
import threading
import time
import tty
import unittest

from bench_process import (PATIENCE_S, ROOT, Daemon, Supply, config_text, is_off, main,
                           run, temporary_folder)

SUPPLY_V = 12.0
SPIKE_A, BOOT_A, RUN_A, SLEEP_A = 1.1, 0.12, 0.25, 0.004


class Instrument:
    """SCPI by its own lights, over TCP or a pseudo-terminal."""

    def __init__(self, path=None, end="\n", joined=True, tells_output=True, turnaround_s=0.01,
                 step_A=0.001, renewals_hz=0, offset_A=0.0, noise_V=0.0, exponent=False,
                 pieces=False, error_always=False, overflows=False):
        self.end, self.joined, self.tells_output = end, joined, tells_output
        self.turnaround_s, self.step_A, self.renewals_hz = turnaround_s, step_A, renewals_hz
        self.offset_A, self.noise_V, self.exponent = offset_A, noise_V, exponent
        self.pieces, self.error_always, self.overflows = pieces, error_always, overflows
        self.random = random.Random(5)
        self.output, self.ignition, self.plug, self.limit_A = False, True, True, 3.0
        self.woke_s = None
        self.fault, self.fault_until_s = None, 0.0
        self.errors, self.heard, self.shown = [], set(), (None, None)
        self.connections = []
        if path:
            self.master, self.slave = pty.openpty()
            tty.setraw(self.master)
            tty.setraw(self.slave)
            os.symlink(os.ttyname(self.slave), path)
            self.link = f"serial:{path}"
            threading.Thread(target=self.serve, args=(self.master, None), daemon=True).start()
        else:
            self.listen(0)

    def listen(self, port):
        self.listener = socket.socket()
        self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.listener.bind(("127.0.0.1", port))
        self.listener.listen(4)
        self.port = self.listener.getsockname()[1]
        self.link = f"tcp:127.0.0.1:{self.port}"
        threading.Thread(target=self.accept, args=(self.listener,), daemon=True).start()

    def unplug(self):
        for open_socket in [self.listener, *self.connections]:
            try:
                open_socket.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
        self.listener.close()

    def accept(self, listener):
        while True:
            try:
                connection = listener.accept()[0]
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connections.append(connection)
            threading.Thread(target=self.serve, args=(connection.fileno(), connection),
                             daemon=True).start()

    def turn(self, **what):
        for name, value in what.items():
            setattr(self, name, value)
        lives = self.output and self.ignition and self.plug
        self.woke_s = (self.woke_s or time.monotonic()) if lives else None

    def fail(self, fault, for_s):
        self.fault, self.fault_until_s = fault, time.monotonic() + for_s

    def physics(self):
        """Volts, amperes, in current limit."""
        if not self.output:
            return 0.0, 0.0, False
        woke_s = self.woke_s
        if not self.plug or woke_s is None:
            return SUPPLY_V, SLEEP_A if self.plug else 0.0, False
        since_s = time.monotonic() - woke_s
        draw_A = SPIKE_A if since_s < 0.02 else BOOT_A if since_s < 0.7 else RUN_A
        if draw_A > self.limit_A:
            return 0.7 * SUPPLY_V, self.limit_A, True
        return SUPPLY_V, draw_A, False

    def look(self):
        renewal = int(time.monotonic() * self.renewals_hz) if self.renewals_hz else None
        if renewal is not None and self.shown[0] == renewal:
            return self.shown[1]
        volts, amperes, limited = self.physics()
        volts += self.random.gauss(0, self.noise_V)
        amperes += self.offset_A + self.random.gauss(0, 0.0003)
        amperes = round(amperes / self.step_A) * self.step_A
        if self.overflows and self.woke_s and time.monotonic() - self.woke_s < 0.05:
            amperes = 9.9e37  # SCPI-1999: over range
        self.shown = renewal, (volts, amperes, limited)
        return self.shown[1]

    def number(self, value):
        return f"{value:+.6E}" if self.exponent or abs(value) > 1e30 else f"{value:.4f}"

    def question(self, header):
        volts, amperes, limited = self.look()
        if header == "*CLS":
            self.errors.clear()
            return None
        if header == "SYST:ERR?":
            if self.error_always:
                return '-113,"Undefined header"'
            return self.errors.pop(0) if self.errors else '0,"No error"'
        answers = {"*IDN?": "Harbour Lane,manners,1,1", "MEAS:VOLT?": self.number(volts),
                   "MEAS:CURR?": self.number(amperes), "VOLT?": self.number(SUPPLY_V),
                   "CURR?": self.number(self.limit_A)}
        if self.tells_output:
            answers |= {"OUTP?": str(int(self.output)), "STAT:QUES:COND?": str(int(limited))}
        if header not in answers:
            self.errors.append('-113,"Undefined header"')
        return answers.get(header)

    def reply(self, line):
        self.heard.update(part.strip().lstrip(":") for part in line.split(";"))
        parts = line.split(";")
        if len(parts) > 1 and not self.joined:
            self.errors.append('-102,"Syntax error"')
            return None
        path, replies = "", []
        for part in (part.strip() for part in parts):
            header = part.lstrip(":") if part[:1] in ":*" else path + part
            if not part.startswith("*") and ":" in header:
                path = header.rsplit(":", 1)[0] + ":"
            answer = self.question(header.upper())
            if answer is not None:
                replies.append(answer)
        return ";".join(replies) if replies else None

    def serve(self, descriptor, connection):
        buffered = b""
        try:
            while data := os.read(descriptor, 4096):
                buffered += data
                while b"\n" in buffered:
                    line, buffered = buffered.split(b"\n", 1)
                    if not self.converse(descriptor, connection, line.decode("latin-1").strip()):
                        return
        except OSError:
            pass

    def converse(self, descriptor, connection, line):
        time.sleep(self.turnaround_s)
        answer = self.reply(line)
        fault = self.fault if time.monotonic() < self.fault_until_s else None
        if fault == "silent":
            return True
        if fault == "garbage":
            os.write(descriptor, self.random.randbytes(20))
            return True
        if fault == "late":
            time.sleep(1.3)
        if fault == "half line":
            self.fault = None
            os.write(descriptor, (answer or "1.2")[:3].encode())
            connection.shutdown(socket.SHUT_RDWR)
            return False
        if answer is not None:
            sent = (answer + self.end).encode()
            for at in range(0, len(sent), 5 if self.pieces else len(sent)):
                os.write(descriptor, sent[at:at + 5] if self.pieces else sent)
                time.sleep(0.001 if self.pieces else 0)
        return True


class Bench(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)

    def start(self, instruments, profile="scpi"):
        self.instruments = instruments
        supplies = {name: (one.link, f"profile = {profile}") for name, one in instruments.items()}
        self.daemon = Daemon(self.folder, config_text(self.folder, supplies))
        self.addCleanup(self.daemon.stop)
        for name in instruments:
            self.daemon.wait_supply(name, lambda item: item["state"] == "reading" and
                                    item["rate_hz"])
        self.read_on()

    def read_on(self, fits=lambda item: True):
        """Readings that fit have gone through the chain from every supply."""
        self.daemon.wait_readings(*self.instruments, count=8, fits=fits)

    def turn(self, wait_s, fits=lambda item: True, **what):
        """Turns all of them, and waits so long at least, readings that fit."""
        for one in self.instruments.values():
            one.turn(**what)
        time.sleep(wait_s)
        self.read_on(fits)

    def ends(self, name):
        return [item["ended_why"] for item in self.power_ups(name)]

    def wait_ends(self, wanted):
        """Every supply's power-ups have ended so, and all of it is kept."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            if all(self.ends(name) == wanted for name in self.instruments):
                break
            time.sleep(0.1)

    def power_ups(self, name):
        items = self.daemon.get("power-ups?limit=200")["items"]
        return [item for item in reversed(items) if item["supply"] == name]

    def check_onset(self, power_up, told):
        """0.5 s from before onset in full, and no reading more."""
        onset_s = power_up["onset_s"]
        times = self.daemon.get("power-ups/" + power_up["id"])["trace"]["time_s"]
        self.assertGreaterEqual(onset_s, 0.5 - 1e-5, told)
        self.assertGreaterEqual(times[1], onset_s - 0.5 - 1e-5, told)

    def check_readings(self, name, power_up):
        """None is wrong: each is what the module drew or the supply gave."""
        one = self.instruments[name]
        trace = self.daemon.get("power-ups/" + power_up["id"])["trace"]
        for amperes in trace["current_A"]:
            if amperes is not None:
                self.assertTrue(one.offset_A - 1.5 * one.step_A - 0.002 <= amperes <=
                                SPIKE_A + 0.02, (name, amperes))
        for volts in trace["voltage_V"]:
            if volts is not None:
                self.assertTrue(-6 * one.noise_V - 0.01 <= volts <= SUPPLY_V + 6 * one.noise_V +
                                0.01, (name, volts))


def is_off_or_noisy(item):
    """Is read as off, through a voltage that may be noisy."""
    return is_off(item) and abs(item["current_A"] or 0) < 0.03


class Manners(Bench):
    def patient_profile(self):
        """A dozen instruments share this process: none is gone because it waits for a
        processor."""
        source = (ROOT / "daemon" / "profiles" / "scpi.ini").read_text()
        path = self.folder / "patient.ini"
        path.write_text(source.replace("reply_timeout_s = 1\n", "reply_timeout_s = 3\n"))
        self.assertNotEqual(path.read_text(), source)
        return path

    def test_every_beginning_is_caught_by_every_manner(self):
        self.start({
            "plain": Instrument(),
            "single": Instrument(joined=False, tells_output=False),
            "exponent-crlf": Instrument(exponent=True, end="\r\n", tells_output=False),
            "slow": Instrument(turnaround_s=0.115),
            "renews-5": Instrument(renewals_hz=5),
            "renews-20": Instrument(renewals_hz=20, tells_output=False),
            "negative": Instrument(offset_A=-0.012),
            "noisy-volts": Instrument(noise_V=0.05),
            "overflow": Instrument(overflows=True),
            "pieces": Instrument(pieces=True),
            "errors": Instrument(error_always=True),
            "terminal": Instrument(path=str(self.folder / "terminal"), end="\r\n"),
        }, self.patient_profile())
        self.turn(1.2, output=True)
        self.turn(0.6, limit_A=0.1)
        self.turn(0.3, limit_A=3.0)
        self.turn(0.5, is_off_or_noisy, output=False)
        self.turn(1.2, output=True)
        self.turn(0.5, is_off_or_noisy, output=False)
        # With the ignition off it rests, and that on-time is one without a draw.
        self.turn(2.5, output=True, ignition=False)
        self.wait_ends(["output off", "output off", "no draw"])
        self.turn(1.2, ignition=True)
        self.turn(1, plug=False)
        self.wait_ends(["output off", "output off", "no draw", "draw off"])
        self.turn(1.2, plug=True)
        self.turn(0.5, is_off_or_noisy, output=False)
        self.wait_ends(["output off", "output off", "no draw", "draw off", "output off"])
        for name, one in self.instruments.items():
            with self.subTest(name):
                found = self.power_ups(name)
                item = self.daemon.supply(name)
                told = {key: item[key] for key in ("rate_hz", "conversion_hz", "longest_gap_s",
                                                   "gaps", "timeouts", "garbled")}
                self.assertEqual([item["ended_why"] for item in found],
                                 ["output off", "output off", "no draw", "draw off", "output off"],
                                 told)
                for item in found:
                    self.assertEqual(item["state"], "complete")
                    self.check_onset(item, told)
                    self.check_readings(name, item)
                self.assertEqual([q for q in one.heard if not q.endswith("?") and q != "*CLS"], [])


class Failures(Bench):
    def wait_all(self, fits):
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            found = {name: self.power_ups(name) for name in self.instruments}
            if all(items and fits(items[-1]) for items in found.values()):
                return {name: len(items) for name, items in found.items()}
            time.sleep(0.1)
        raise AssertionError(f"they did not come to fit: {found}")

    def wait_open(self):
        return self.wait_all(lambda item: not item["ended_why"])

    def wait_ended(self):
        return self.wait_all(lambda item: item["ended_why"])

    def test_no_wrong_reading_and_back_by_itself(self):
        faults = {"silent": 2, "garbage": 1, "late": 0.5, "half line": 2}
        self.start({name.replace(" ", "-"): Instrument() for name in [*faults, "refused"]})
        self.turn(1.2, output=True)
        self.wait_open()
        for name, for_s in faults.items():
            self.instruments[name.replace(" ", "-")].fail(name, for_s)
        refused = self.instruments["refused"]
        refused.unplug()
        item = self.daemon.wait_supply("refused", lambda item: item["state"] == "gone")
        self.assertIn("127.0.0.1", item["problem"])
        time.sleep(1)
        refused.listen(refused.port)
        time.sleep(2)
        self.read_on()
        self.turn(0.5, is_off_or_noisy, output=False)
        before = self.wait_ended()
        self.turn(1.5, output=True)
        self.wait_open()
        self.turn(0.5, is_off_or_noisy, output=False)
        self.wait_ended()
        for name in self.instruments:
            with self.subTest(name):
                found = self.power_ups(name)
                self.assertEqual(len(found), before[name] + 1)
                self.assertEqual(found[-1]["state"], "complete")
                for item in found:
                    self.check_readings(name, item)
        for name in ("half-line", "refused"):
            self.assertEqual(self.power_ups(name)[0]["state"], "incomplete", name)


class Killed(Bench):
    def test_what_was_told_as_kept_is_there_after_any_kill(self):
        seed = random.randrange(10**6)
        print("seed", seed)
        instants = random.Random(seed)
        supply = Supply(self.folder, "left", "--module", "reefer-controller", "--seed", "7")
        self.addCleanup(supply.stop)
        config = config_text(self.folder, {"left": (supply.link, "profile = scpi")})
        reference = self.folder / "range.json"
        made = run("build-reference", "--type", "quick", "--out", reference, "--range", "0.05:5",
                   "--watch", "1")
        self.assertEqual(made.returncode, 0, made.stderr)
        daemon = Daemon(self.folder, config)
        self.assertEqual(daemon.ask("POST", "references", reference.read_text())[0], 201)
        self.assertEqual(daemon.ask("PUT", "supplies/left/on-bench",
                                    {"module_type": "quick", "unit": None, "work_order": None,
                                     "stage": None})[0], 200)
        told = {}
        for _ in range(5):
            daemon.wait_supply("left", lambda item: item["state"] == "reading")
            events = daemon.events()
            supply.say("output off")
            daemon.wait_readings("left", fits=is_off)
            supply.say("output on")
            time.sleep(instants.uniform(0.9, 1.4))
            daemon.stop(signal.SIGKILL)
            events.close()
            time.sleep(0.1)
            while not events.items.empty():
                name, data, _ = events.items.get()
                if name == "verdict" and data["kept"]:
                    told[data["power_up"]] = data["verdict"]
            daemon = Daemon(self.folder, config)
            items = {item["id"]: item for item in daemon.get("power-ups?limit=200")["items"]}
            for power_up, verdict in told.items():
                self.assertEqual(items[power_up]["verdict"], verdict)
            running = daemon.supply("left")["power_up"]
            self.assertEqual([key for key, item in items.items()
                              if item["state"] == "open" and key != running], [])
        daemon.stop()


if __name__ == "__main__":
    main()
