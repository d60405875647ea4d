# SPDX-License-Identifier: GPL-3.0-or-later
"""Wire recordings (tests/recorded/README.md says how they are written): the tap that
makes them, between a program and a supply, and the reader of their text."""

import os
import pty
import re
import select
import subprocess
import termios
import threading
import time
import tty

from checks import PATIENCE_S, PROGRAM

HAND = os.path.join(os.path.dirname(PROGRAM), "tests", "recorded", "hand")


def raw_pty():
    master, slave = pty.openpty()
    tty.setraw(slave, termios.TCSANOW)
    return master, slave, os.ttyname(slave)


class Hand:
    """tests/recorded/hand.c: what it is told to do, and its line about each."""

    def __init__(self, profile, link, output, control):
        self.process = subprocess.Popen([HAND, profile, link, str(output), control],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                                        bufsize=1)

    def do(self, what):
        self.process.stdin.write(what + "\n")
        self.process.stdin.flush()
        if not select.select([self.process.stdout], [], [], PATIENCE_S)[0]:
            raise RuntimeError("the hand hangs at " + what)
        return self.process.stdout.readline().rstrip("\n")

    def end(self):
        """True: it ended well."""
        self.process.stdin.close()
        try:
            return self.process.wait(PATIENCE_S) == 0
        except subprocess.TimeoutExpired:
            self.process.kill()
            return False


class Tap:
    """A port for the program; all that passes to and from the supply's port is kept as
    (instant, "ask" or "tell", bytes): what came without the other side saying anything
    is one entry, an answer at the instant of its last byte."""

    def __init__(self, supply_path):
        self.master, self.slave, self.path = raw_pty()
        self.supply = os.open(supply_path, os.O_RDWR | os.O_NOCTTY)
        self.begun = time.monotonic()
        self.entries = []
        self.stopping = False
        self.thread = threading.Thread(target=self.carry, daemon=True)
        self.thread.start()

    def now(self):
        return time.monotonic() - self.begun

    def note(self, way, data):
        entries = self.entries
        if entries and entries[-1][1] == way == "tell":
            data = entries.pop()[2] + data
        entries.append((self.now(), way, data))

    def carry(self):
        while not self.stopping:
            for source in select.select([self.master, self.supply], [], [], 0.02)[0]:
                data = os.read(source, 4096)
                self.note("ask" if source == self.master else "tell", data)
                os.write(self.supply if source == self.master else self.master, data)

    def stop(self):
        self.stopping = True
        self.thread.join(3)
        for descriptor in (self.master, self.slave, self.supply):
            os.close(descriptor)


def text_of(data, binary):
    if binary:
        return "hex " + data.hex(" ")
    return '"' + "".join(
        {10: "\\n", 13: "\\r", 34: '\\"', 92: "\\\\"}.get(b) or
        (chr(b) if 32 <= b < 127 else "\\x%02x" % b) for b in data) + '"'


def bytes_of(text):
    if text.startswith("hex "):
        return bytes.fromhex(text[4:])
    plain = re.sub(r'\\(n|r|"|\\|x[0-9a-f]{2})', lambda m: {
        "n": "\n", "r": "\r", '"': '"', "\\": "\\"}.get(m.group(1)) or chr(int(m.group(1)[1:], 16)),
        text[1:-1])
    return plain.encode("latin-1")


class Recording:
    """heads: profile, link, output, control; steps: ("do", words), ("ask", instant,
    bytes), ("tell", instant, bytes), ("got", words), with their lines."""

    LINE = re.compile(r'(ask|tell) +([0-9.]+) +("(?:[^"\\]|\\.)*"|hex(?: [0-9a-f]{2})+) *(#.*)?$')

    def __init__(self, path):
        self.path = path
        self.heads, self.steps = {}, []
        for number, line in enumerate(open(path), 1):
            line = line.rstrip("\n")
            if not line.strip() or line.startswith("#"):
                continue
            word, _, rest = line.partition(" ")
            found = self.LINE.match(line)
            if found:
                self.steps.append((found.group(1), float(found.group(2)),
                                   bytes_of(found.group(3)), number))
            elif word in ("do", "got"):
                self.steps.append((word, rest.split(" #")[0].strip(), number))
            elif word in ("profile", "link", "output", "control"):
                self.heads[word] = rest.split("#")[0].strip()
            else:
                raise ValueError("%s:%d: neither a head nor a step: %s" % (path, number, line))


class Player:
    """The supply's side of a recording, strictly: each question must come as it was
    asked, byte by byte and in order; each answer goes back as late as it was."""

    def __init__(self, recording):
        self.steps = [s for s in recording.steps if s[0] in ("ask", "tell")]
        self.master, self.slave, self.path = raw_pty()
        self.at = 0
        self.wrong = None  # (line, what was expected, what came)
        self.stopping = False
        self.thread = threading.Thread(target=self.play, daemon=True)
        self.thread.start()

    def hear(self, wanted, line):
        """Bytes up to the question's length; what is asked is no longer than that."""
        heard = b""
        while not self.stopping and len(heard) < len(wanted):
            if select.select([self.master], [], [], 0.02)[0]:
                heard += os.read(self.master, len(wanted) - len(heard))
            if heard != wanted[:len(heard)]:
                heard += os.read(self.master, 4096) if select.select(
                    [self.master], [], [], 0.05)[0] else b""
                self.wrong = (line, wanted, heard)
                return False
        return len(heard) == len(wanted)

    def play(self):
        asked_at = heard_at = 0.0
        for step in self.steps:
            way, instant, data, line = step
            if way == "ask":
                if not self.hear(data, line):
                    return
                asked_at, heard_at = instant, time.monotonic()
            else:
                due = heard_at + instant - asked_at
                while not self.stopping and time.monotonic() < due:
                    time.sleep(min(0.02, max(0, due - time.monotonic())))
                if select.select([self.master], [], [], 0)[0]:
                    self.wrong = (line, b"", os.read(self.master, 4096))
                    return
                os.write(self.master, data)
            self.at += 1
        if self.hear_more():
            self.wrong = (0, b"", self.hear_more())

    def hear_more(self):
        more = select.select([self.master], [], [], 0)[0]
        return os.read(self.master, 4096) if more else b""

    def finished(self):
        return self.at == len(self.steps) and not self.wrong

    def stop(self):
        self.stopping = True
        self.thread.join(3)
        os.close(self.master)
        os.close(self.slave)


