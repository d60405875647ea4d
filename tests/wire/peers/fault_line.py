#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A man in the middle between a client and a supply that is played by a peer:
it takes the client's bytes over TCP or a pseudo-terminal, hands them on, and
does to the answers what a bad line or a bad supply does to them, when told to.
It knows no more of the conversation than where a message ends: by its line end,
by a pause, by the lengths of Modbus frames (application protocol V1.1b3, serial
line V1.02). Every byte that the client sent is kept, with its instant."""

import os
import pty
import random
import select
import socket
import termios
import threading
import time
import tty

from modbus_unit import crc

PAUSE_S = 0.004  # ends a message where nothing else does
DROP = object()  # in place of bytes: the link goes


class Framing:
    """How a stream is cut into messages."""

    def __init__(self, kind, end=b"\n"):
        assert kind in ("lines", "bursts", "rtu", "mbap"), kind
        self.kind, self.end = kind, end
        self.text = kind in ("lines", "bursts")

    def length(self, held, asked):
        """Of the first whole message in what is held; 0: it is not whole yet."""
        if self.kind == "lines":
            at = held.find(self.end)
            return at + len(self.end) if at >= 0 else 0
        if self.kind == "mbap":
            whole = 6 + int.from_bytes(held[4:6], "big") if len(held) >= 6 else 0
        elif self.kind == "rtu" and len(held) >= 3:
            if held[1] & 0x80:
                whole = 5
            elif asked:
                whole = 9 + held[6] if held[1] in (15, 16) and len(held) > 6 else 8
            else:
                whole = 5 + held[2] if held[1] < 5 else 8
        else:
            return 0
        return whole if 0 < whole <= len(held) else 0

    def body(self, message):
        return message[:-len(self.end)] if self.end and message.endswith(self.end) else message

    def is_reading(self, request):
        """Does it ask for the voltage or the current that is measured?"""
        if self.text:
            asked = request.upper()
            return any(word in asked for word in (b"MEAS", b"VOUT", b"IOUT"))
        pdu = self.pdu(request)
        return pdu[0] in (3, 4) and int.from_bytes(pdu[3:5], "big") > 1

    def pdu(self, frame):
        return frame[7:] if self.kind == "mbap" else frame[1:-2]

    def with_pdu(self, frame, pdu, unit=None):
        """The frame with other contents, all else made to fit them."""
        if self.kind == "rtu":
            data = bytes((frame[0] if unit is None else unit,)) + pdu
            return data + crc(data)
        unit = frame[6] if unit is None else unit
        return frame[:4] + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


class Faults:
    """What can be done to one answer: each returns what is sent instead of it, as
    (seconds from now, bytes). `line` is the FaultLine, `data` the whole answer."""

    def __init__(self, seed, timeout_s):
        self.random = random.Random(seed)
        self.timeout_s = timeout_s

    def noise(self, count):
        return bytes(self.random.choice(b"\x00\x01\x07\x1b\x80\xa5\xff") for _ in range(count))

    def put_in(self, line, data, what):
        body = line.framing.body(data)
        at = self.random.randrange(1, max(2, len(body)))
        return [(0, body[:at] + what + body[at:] + data[len(body):])]

    def digit(self):
        return b"%d" % self.random.randrange(10)

    def noise_before(self, line, data):
        return [(0, self.noise(3) + data)]

    def noise_after(self, line, data):
        body = line.framing.body(data)
        return [(0, body + self.noise(2) + data[len(body):])]

    def noise_inside(self, line, data):
        return self.put_in(line, data, self.noise(1))

    def garbage(self, line, data):
        return [(0, bytes(self.random.randrange(256) for _ in range(20)) + line.framing.end)]

    def printable_garbage(self, line, data):
        return [(0, bytes(self.random.choice(b"0123456789.;,-+E V") for _ in range(14)) +
                 line.framing.end)]

    def digit_before(self, line, data):
        return [(0, self.digit() + data)]

    def digit_after(self, line, data):
        body = line.framing.body(data)
        return [(0, body + self.digit() + data[len(body):])]

    def digit_inside(self, line, data):
        return self.put_in(line, data, self.digit())

    def echo(self, line, data):
        return [(0, line.request + data)]

    def cut(self, data):
        at = self.random.randrange(1, max(2, len(data) - 1))
        return data[:at], data[at:]

    def half(self, line, data):
        return [(0, self.cut(data)[0])]

    def half_then_rest(self, line, data):
        first, rest = self.cut(data)
        return [(0, first), (0.3 * self.timeout_s, rest)]

    def half_then_late_rest(self, line, data):
        first, rest = self.cut(data)
        return [(0, first), (1.4 * self.timeout_s, rest)]

    def previous(self, line, data):
        """The answer to the question before, for as long as this goes on."""
        before, line.kept_back = line.kept_back, data
        return [(0, before)] if before else []

    def lost_byte(self, line, data):
        at = self.random.randrange(len(data))
        return [(0, data[:at] + data[at + 1:])]

    def lost_end(self, line, data):
        return [(0, line.framing.body(data))]

    def doubled(self, line, data):
        return [(0, data + data)]

    def doubled_later(self, line, data):
        return [(0, data), (0.005, data)]

    def stray_before(self, line, data):
        """A whole answer that nobody asked for, in front."""
        return [(0, line.older + data)] if line.older else [(0, data)]

    def merged(self, line, data):
        """Nothing now; the next answer has this one in front, without its end."""
        line.in_front = line.framing.body(data)
        return []

    def in_time(self, line, data):
        return [(0.8 * self.timeout_s, data)]

    def late(self, line, data):
        return [(1.3 * self.timeout_s, data)]

    def very_late(self, line, data):
        return [(2.7 * self.timeout_s, data)]

    def busy(self, line, data):
        """Nothing for 2 s, then everything that was asked for meanwhile."""
        return [(2, data)]

    def silent(self, line, data):
        return []

    def error_113(self, line, data):
        line.errors.append(b'-113,"Undefined header"')
        return []

    def error_222(self, line, data):
        line.errors.append(b'-222,"Data out of range"')
        return []

    def error_410(self, line, data):
        line.errors += [b'-410,"Query INTERRUPTED"', b'-410,"Query INTERRUPTED"']
        return []

    def exception(self, line, data, code):
        pdu = bytes((line.framing.pdu(data)[0] | 0x80, code))
        return [(0, line.framing.with_pdu(data, pdu))]

    def exception_busy(self, line, data):
        return self.exception(line, data, 6)

    def exception_acknowledge(self, line, data):
        return self.exception(line, data, 5)

    def wrong_unit(self, line, data):
        frame = line.framing
        unit = data[6] if frame.kind == "mbap" else data[0]
        return [(0, frame.with_pdu(data, frame.pdu(data), unit % 247 + 1))]

    def wrong_function(self, line, data):
        pdu = line.framing.pdu(data)
        return [(0, line.framing.with_pdu(data, bytes((pdu[0] ^ 7,)) + pdu[1:]))]

    def wrong_count(self, line, data):
        pdu = line.framing.pdu(data)
        step = self.random.choice((-2, -1, 1, 2))
        return [(0, line.framing.with_pdu(data, pdu[:1] + bytes(((pdu[1] + step) % 256,)) + pdu[2:]))]

    def fewer_registers(self, line, data):
        pdu = line.framing.pdu(data)
        return [(0, line.framing.with_pdu(data, pdu[:1] + bytes(((pdu[1] - 2) % 256,)) + pdu[2:-2]))]

    def bad_crc(self, line, data):
        at = self.random.randrange(len(data))
        return [(0, data[:at] + bytes((data[at] ^ 1 << self.random.randrange(8),)) +
                 data[at + 1:])]

    def wrong_transaction(self, line, data):
        number = int.from_bytes(data[:2], "big") + self.random.choice((-1, 1))
        return [(0, (number & 0xFFFF).to_bytes(2, "big") + data[2:])]

    def dropped(self, line, data):
        return [(0, self.cut(data)[0]), (0, DROP)]


ANY = ("noise_before", "garbage", "half", "half_then_rest", "half_then_late_rest", "doubled",
       "doubled_later", "echo", "lost_byte", "in_time", "late", "very_late", "silent", "dropped")
TEXT = ("noise_after", "noise_inside", "printable_garbage", "digit_before", "digit_after",
        "digit_inside", "stray_before", "merged", "error_113", "error_222", "error_410")
MODBUS = ("exception_busy", "exception_acknowledge", "wrong_unit", "wrong_function",
          "wrong_count", "fewer_registers")


def faults_of(framing):
    """The names of what can be done to one answer of such a stream."""
    if framing.kind == "lines":
        return ANY + TEXT + ("lost_end",)
    if framing.kind == "bursts":
        return ANY + TEXT
    return ANY + MODBUS + (("bad_crc",) if framing.kind == "rtu" else ("wrong_transaction",))


class FaultLine(threading.Thread):
    """peer: "tcp:HOST:PORT" or a terminal's path. front: "tcp", or the path that
    is made to lead to the pseudo-terminal which the client opens."""

    def __init__(self, framing, peer, front="tcp", seed=0, timeout_s=0.3):
        super().__init__(daemon=True)
        self.framing, self.peer_link = framing, peer
        self.faults = Faults(seed, timeout_s)
        self.random = random.Random(seed + 1)
        self.lock = threading.RLock()
        self.sent = []            # (instant, bytes) as the client sent them
        self.requests = []        # (instant, whole message)
        self.request = b""        # the last one
        self.answers = 0
        self.older = self.kept_back = self.in_front = b""
        self.errors = []          # what the next error queries are answered
        self.armed, self.left, self.where = None, 0, None
        self.share, self.names = 0.0, ()
        self.done = []            # (instant, fault's name)
        self.waiting = []         # [instant, bytes], in order
        self.held = {"front": b"", "peer": b""}
        self.came_s = {"front": 0.0, "peer": 0.0}
        self.refusing = False     # no connection is taken, no terminal is there
        self.stopping = False
        self.front = self.peer = -1
        self.slave = -1
        self.terminals = 0
        self.sockets = {}
        self.path = None if front == "tcp" else front
        self.wake_out, self.wake_in = os.pipe()
        if self.path:
            self.listener = None
            self.make_terminal()
            self.connect_peer()
        else:
            self.listener = socket.create_server(("127.0.0.1", 0))
            self.port = self.listener.getsockname()[1]
        self.start()

    def place(self):
        return self.path or "127.0.0.1:%d" % self.port

    # -- what the test says ---------------------------------------------------

    def arm(self, name, times=1, where=None):
        """The next answers (to readings, unless `where` chooses by the question)
        get the fault; times=None: all, until calm()."""
        with self.lock:
            self.kept_back = b""
            self.where = where or self.framing.is_reading
            self.left = times
            self.armed = name

    def calm(self):
        with self.lock:
            self.armed, self.share, self.errors = None, 0.0, []
            self.kept_back = self.in_front = b""

    def at_random(self, share, names=None):
        with self.lock:
            self.names = tuple(names or faults_of(self.framing))
            self.share = share

    def through(self):
        """Is what was armed done, and everything sent?"""
        with self.lock:
            return self.armed is None and not self.waiting

    def unplug(self):
        with self.lock:
            self.drop()
            self.refusing = True
        self.wake()

    def replug(self, hidden=False):
        """Under another device's name, where it is a terminal; `hidden`: it is there,
        but the name that the client knows does not lead to it until show()."""
        with self.lock:
            self.refusing = False
            if self.path:
                self.make_terminal(hidden)
                self.connect_peer()
        self.wake()

    def hidden(self):
        return "%s.%d" % (self.path, self.terminals)

    def show(self):
        os.rename(self.hidden(), self.path)

    def stop(self):
        self.stopping = True
        self.wake()
        self.join(3)
        with self.lock:
            self.drop()
            if self.listener:
                self.listener.close()

    # -- its two ends ------------------------------------------------------------

    def wake(self):
        os.write(self.wake_in, b"x")

    def make_terminal(self, hidden=False):
        """The new one is another device: the old one's number stays taken."""
        front, slave = pty.openpty()
        tty.setraw(front, termios.TCSANOW)
        tty.setraw(slave, termios.TCSANOW)
        self.front, self.slave = front, slave
        self.terminals += 1
        os.symlink(os.ttyname(slave), self.hidden())
        if not hidden:
            self.show()

    def connect_peer(self):
        if self.peer_link.startswith("tcp:"):
            host, port = self.peer_link[4:].rsplit(":", 1)
            peer = socket.create_connection((host, int(port)))
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.peer = peer.fileno()
            self.sockets[self.peer] = peer
        elif self.peer < 0:
            self.peer = os.open(self.peer_link, os.O_RDWR | os.O_NOCTTY)

    def close(self, descriptor):
        if descriptor in self.sockets:
            self.sockets.pop(descriptor).close()
        elif descriptor >= 0:
            os.close(descriptor)

    def drop(self):
        """The client's link goes; a supply on a line of its own stays."""
        if self.path and self.front >= 0:
            try:
                os.unlink(self.path)
            except FileNotFoundError:
                pass
        self.close(self.front)
        self.close(self.slave)
        if self.peer in self.sockets or self.stopping:
            self.close(self.peer)
            self.peer = -1
        self.front = self.slave = -1
        self.waiting.clear()
        self.held = {"front": b"", "peer": b""}

    def accept(self):
        client, _ = self.listener.accept()
        if self.refusing:
            client.close()
            return
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self.front >= 0:
            self.drop()
        self.front = client.fileno()
        self.sockets[self.front] = client
        self.connect_peer()

    # -- the pump -------------------------------------------------------------------

    def write(self, descriptor, data):
        if descriptor >= 0:
            os.write(descriptor, data)

    def run(self):
        while not self.stopping:
            with self.lock:
                now = time.monotonic()
                ends = [self.front, self.peer, self.wake_out,
                        self.listener.fileno() if self.listener else -1]
                due = [item[0] for item in self.waiting[:1]]
                if self.framing.kind == "bursts":
                    due += [self.came_s[side] + PAUSE_S for side in self.held if self.held[side]]
                left = max(0.0, min([d - now for d in due] + [0.5]))
            try:
                ready = select.select([end for end in ends if end >= 0], [], [], left)[0]
            except (OSError, ValueError):
                continue
            with self.lock:
                if self.stopping:
                    return
                try:
                    self.turn(ready)
                except (BrokenPipeError, ConnectionError, OSError):
                    self.drop()

    def turn(self, ready):
        if self.wake_out in ready:
            os.read(self.wake_out, 64)
        if self.listener and self.listener.fileno() in ready:
            self.accept()
            return
        for side in ("front", "peer"):
            descriptor = getattr(self, side)
            if descriptor < 0 or descriptor not in ready:
                continue
            data = os.read(descriptor, 4096)
            if not data:
                self.drop()
                return
            now = time.monotonic()
            # The rest of a frame whose beginning went with a link that was dropped.
            if self.framing.kind == "rtu" and now - self.came_s[side] > 10 * PAUSE_S:
                self.held[side] = b""
            self.came_s[side] = now
            self.held[side] += data
            if side == "front":
                self.sent.append((self.came_s[side], data))
                self.write(self.peer, data)
        for side in ("front", "peer"):
            self.cut(side)
        now = time.monotonic()
        while self.waiting and self.waiting[0][0] <= now:
            data = self.waiting.pop(0)[1]
            if data is DROP:
                self.drop()
                return
            self.write(self.front, data)

    def cut(self, side):
        """Takes the whole messages off what is held."""
        while self.held[side]:
            length = self.framing.length(self.held[side], side == "front")
            if self.framing.kind == "bursts" and \
                    time.monotonic() - self.came_s[side] >= PAUSE_S:
                length = len(self.held[side])
            if not length:
                break
            message, self.held[side] = self.held[side][:length], self.held[side][length:]
            if side == "front":
                self.request = message
                self.requests.append((self.came_s[side], message))
            else:
                self.answer(message)

    def answer(self, data):
        self.answers += 1
        if self.framing.text and b"SYST:ERR?" in self.request.upper() and self.errors:
            data = self.errors.pop(0) + self.framing.end
        if self.in_front:
            data, self.in_front = self.in_front + data, b""
        name = None
        if self.armed and self.where(self.request):
            name = self.armed
            if self.left is not None:
                self.left -= 1
                if self.left <= 0:
                    self.armed = None
        elif self.share and self.random.random() < self.share:
            name = self.random.choice(self.names)
        items = [(0, data)]
        if name:
            self.done.append((time.monotonic(), name))
            items = getattr(self.faults, name)(self, data)
        elif self.framing.is_reading(self.request):
            self.older = data
        last_s = self.waiting[-1][0] if self.waiting else 0.0
        for delay_s, part in items:
            last_s = max(last_s, time.monotonic() + delay_s)
            self.waiting.append([last_s, part])
