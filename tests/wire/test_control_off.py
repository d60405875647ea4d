#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""With control = off nothing but queries and *CLS goes out, and over Modbus no
function but 1 to 4: every byte that the daemon and `identify` sent is looked at, for
every shipped profile and for two with remote, local and select keys, through
opening, reading, faults, getting back into step, opening again, orders that are
refused, and the daemon's end. The same with control = on shows that such a message
would have been seen. And in the source there is one door for each way of speaking."""

import os
import pathlib
import re
import sys
import time
import unittest
from concurrent.futures import ThreadPoolExecutor

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from bench_process import (PATIENCE_S, ROOT, Daemon, Supply, config_text, main,  # noqa: E402
                           run, temporary_folder)
from fault_line import FaultLine, Framing  # noqa: E402
from modbus_unit import crc  # noqa: E402

SHIPPED = sorted(path.stem for path in (ROOT / "daemon" / "profiles").glob("*.ini"))
# Our own, after a shipped one: what control = off has to keep in.
KEYED = {
    "keyed-text": ("scpi-nselect", "[scpi]\n", "[scpi]\nremote = SYST:REM\nlocal = SYST:LOC\n"),
    "keyed-modbus": ("modbus-holding-u16", "[modbus]\n", "[modbus]\nremote = 2,0\nlocal = 2,0\n"),
}
FAULTS = {True: ("silent", "garbage", "half", "printable_garbage", "doubled", "late"),
          False: ("silent", "garbage", "half", "wrong_unit", "exception_busy", "late")}


def told_only(framing, data):
    """The first of what was sent that does more than ask; None: there is nothing. All
    of the bytes must be messages."""
    if framing.text:
        ends = b"\n" if framing.kind == "lines" else None
        if ends and not data.endswith(ends):
            return "no end: %r" % data[-60:]
        # Where nothing ends a message each query ends in its question mark.
        messages = data.split(b"\n") if ends else re.split(rb"(?<=\?)", data)
        for message in messages:
            for part in message.decode("latin-1").strip().split(";"):
                word = part.strip().split(" ")[0]
                if word and not word.endswith("?") and word.upper() != "*CLS":
                    return message
        return None
    while data:
        length = framing.length(data, True)
        if not length:
            return "no whole frame: %r" % data[:20]
        frame, data = data[:length], data[length:]
        if framing.kind == "rtu" and crc(frame[:-2]) != frame[-2:]:
            return "bad checksum: %r" % frame
        if framing.pdu(frame)[0] not in (1, 2, 3, 4):
            return frame
    return None


class Bench(unittest.TestCase):
    """A simulated supply for each profile, and a line to it that keeps every byte."""

    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.lines, self.links, self.profiles = {}, {}, {}

    def begin(self, name, kind=None):
        """kind: over which of two ways Modbus goes."""
        base, old, new = KEYED.get(name, (name, "", ""))
        text = (ROOT / "daemon" / "profiles" / (base + ".ini")).read_text()
        self.assertIn(old, text)
        text = re.sub(r"reply_timeout_s = .*", "reply_timeout_s = 0.3", text.replace(old, new, 1))
        path = self.folder / (name + ".ini")
        path.write_text(text)
        modbus = "speaks = modbus" in text
        kind = kind or ("modbus-tcp" if modbus else "tcp")
        supply = Supply(self.folder, name + kind, "--voltage", "13.8", "--limit", "2",
                        "--output-on", link=kind + ":127.0.0.1:0", profile=base)
        self.addCleanup(supply.stop)
        at = re.search(r"127\.0\.0\.1:\d+", supply.link).group()
        if modbus:
            framing = Framing("mbap" if kind == "modbus-tcp" else "rtu", b"")
        else:
            framing = Framing("bursts", b"") if "terminator = none" in text else Framing("lines")
        line = FaultLine(framing, "tcp:" + at, timeout_s=0.3)
        self.addCleanup(line.stop)
        label = name + ("-rtu" if kind == "modbus-rtu-tcp" else "")
        self.lines[label], self.profiles[label] = line, path
        self.links[label] = "%s:%s" % (kind, line.place())
        return label

    def begin_all(self):
        for name in [*SHIPPED, *KEYED]:
            self.begin(name)
            if "modbus" in name:
                self.begin(name, "modbus-rtu-tcp")

    def serve(self, control):
        self.daemon = Daemon(self.folder, config_text(self.folder, {
            name: (self.links[name], "profile = %s\ncontrol = %s\nrate_hz = 30" % (
                self.profiles[name], control)) for name in self.lines}))
        self.addCleanup(self.daemon.stop)
        self.wait_reading()

    def wait_reading(self):
        self.daemon.wait_readings(*self.lines, count=4)

    def wait(self, what, fits):
        deadline = time.monotonic() + PATIENCE_S
        while not fits():
            self.assertLess(time.monotonic(), deadline, what)
            time.sleep(0.01)

    def told(self, name):
        line = self.lines[name]
        return told_only(line.framing, b"".join(data for _, data in line.sent))

    def check_only_asked(self):
        for name, line in self.lines.items():
            with self.subTest(name):
                self.assertGreater(len(line.sent), 3)
                self.assertIsNone(self.told(name))


class TheDaemon(Bench):
    def test_only_asks_through_everything(self):
        self.begin_all()
        self.serve("off")
        for number in range(len(FAULTS[True])):
            for line in self.lines.values():
                line.arm(FAULTS[line.framing.text][number])
            for name, line in self.lines.items():
                self.wait("the fault at " + name, line.through)
        # Also at what is asked besides the readings: opening, error queue, set points.
        for line in self.lines.values():
            line.at_random(0.2)
        for name in self.lines:
            for on in (True, False):
                status, body = self.daemon.ask("PUT", "supplies/%s/output" % name, {"on": on})
                self.assertEqual(status, 409, body)
                self.assertIn("control", body["detail"])
        time.sleep(2)
        for line in self.lines.values():
            line.calm()
        self.wait_reading()
        for line in self.lines.values():
            line.unplug()
        for name in self.lines:
            self.daemon.wait_supply(name, lambda item: item["state"] == "gone")
        for line in self.lines.values():
            line.replug()
        self.wait_reading()
        # Its end while it reads, and what is said last.
        self.assertEqual(self.daemon.stop(), 0)
        self.check_only_asked()

    def test_with_control_it_would_be_seen(self):
        for name in KEYED:
            self.begin(name)
        self.begin("keyed-modbus", "modbus-rtu-tcp")
        self.serve("on")
        self.assertEqual(self.daemon.stop(), 0)
        sent = {name: b"".join(data for _, data in line.sent) for name, line in self.lines.items()}
        self.assertIn(b"SYST:REM\n", sent["keyed-text"])
        self.assertIn(b"SYST:LOC\n", sent["keyed-text"])
        for name in self.lines:
            self.assertIsNotNone(self.told(name))


class Identify(Bench):
    """In all its modes."""

    def test_only_asks(self):
        self.begin_all()
        # Most of it is waiting: all links side by side.
        with ThreadPoolExecutor(len(self.links)) as pool:
            for done in pool.map(self.try_all, list(self.links)):
                self.assertEqual(done, [])
        self.check_only_asked()

    def try_all(self, name):
        link, profile = self.links[name], self.profiles[name]
        runs = [["--wait", "0.1", link], ["--json", "--wait", "0.1", link],
                ["--profile", profile, link],
                ["--profile", profile, "--readings", 5, link],
                ["--profile", profile, "--readings", 5, "--json", link]]
        if "outputs" in profile.read_text():
            runs.append(["--profile", profile, "--readings", 2, "--output", 2, link])
        if name in ("modbus-holding-u16", "modbus-holding-u16-rtu"):
            runs.append(["--all", "--wait", "0.02", link])
        finished = [(arguments, run("identify", *arguments)) for arguments in runs]
        return [(name, arguments, done.stderr) for arguments, done in finished
                if done.returncode not in (0, 69)]

    def test_only_asks_over_a_bad_line(self):
        for name in ("scpi", "terse", "keyed-text", "keyed-modbus"):
            self.begin(name)
        for line in self.lines.values():
            line.at_random(0.2)

        def try_both(name):
            link = self.links[name]
            return [run("identify", *arguments) for arguments in (
                [link], ["--profile", self.profiles[name], "--readings", 5, link])]

        with ThreadPoolExecutor(len(self.links)) as pool:
            for made in pool.map(try_both, list(self.links)):
                for done in made:
                    self.assertIn(done.returncode, (0, 69), done.stderr)
        self.check_only_asked()


class TheSource(unittest.TestCase):
    """Each way of speaking hands its bytes to what writes them in one place; what stands
    there refuses what does more than ask, or is built to ask alone. What writes them is
    the link, and for Modbus the one file that uses its library, which knows of no
    question: what is sent raw, and nothing that the library makes by itself."""

    doors = {
        "supply/scpi.c": ("link_write", "if (!control && !scpi_text_only_asks(message))"),
        "supply/modbus_wire.c": ("modbus_frames_send", "if (!control && (question->pdu[0] < 1 || "
                                 "question->pdu[0] > 4))"),
        "supply/modbus_ask.c": ("modbus_frames_send", "function == 4 ? 4 : 3"),
        "supply/probe_text.c": ("link_write", "question->text"),
    }
    frames = "supply/modbus_frame.c"

    def texts(self):
        for path in sorted((ROOT / "daemon").rglob("*.c")):
            name = str(path.relative_to(ROOT / "daemon"))
            if not name.startswith(("link/", "simulate/")):
                yield name, path.read_text()

    def test_one_door_each(self):
        found = {}
        for name, text in self.texts():
            if name == self.frames:
                continue
            calls = re.findall(r"\b(link_write|modbus_frames_send)\s*\(", text)
            if calls:
                found[name] = calls
            self.assertNotIn("modbus.h>", text, name)
            if name.startswith("supply/"):
                self.assertIsNone(re.search(r"[^_a-z](write|send|sendto|sendmsg|writev)\s*\(", text),
                                  name)
                self.assertNotIn("link_descriptor", text, name)
        self.assertEqual(found, {name: [call] for name, (call, _) in self.doors.items()})
        for name, (call, words) in self.doors.items():
            text = (ROOT / "daemon" / name).read_text()
            self.assertIn(words, text, name)
            self.assertLess(text.index(words), text.index(call + "("), name)

    def test_frames_go_out_where_they_are_told_to(self):
        text = (ROOT / "daemon" / self.frames).read_text()
        used = set(re.findall(r"\bmodbus_(?!frames_|came\b)\w+(?=\()", text))
        self.assertEqual(used, {
            "modbus_new_rtu", "modbus_new_tcp_pi", "modbus_set_socket", "modbus_set_slave",
            "modbus_set_error_recovery", "modbus_set_response_timeout", "modbus_set_byte_timeout",
            "modbus_send_raw_request", "modbus_receive_confirmation", "modbus_free"})
        start = text.index("int modbus_frames_send(")
        end = text.index("\n}\n", start)
        for call in ("modbus_send_raw_request(", "link_write("):
            self.assertEqual([at.start() for at in re.finditer(re.escape(call), text)],
                             [text.index(call, start, end)])
        self.assertIsNone(re.search(r"[^_a-z](write|send|sendto|sendmsg|writev)\s*\(", text))

    def test_what_is_asked_while_looking_for_a_supply_only_asks(self):
        text = (ROOT / "daemon" / "supply" / "probe_text.c").read_text()
        questions = re.findall(r'\{"([^"]+)", LINE_END_', text)
        self.assertGreaterEqual(len(questions), 3)
        for question in questions:
            self.assertRegex(question, r"^[*A-Z0-9:]+\?(\\r)?(\\n)?$")


if __name__ == "__main__":
    main()
