#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""An SCPI bench supply for the tests: Python's standard library alone, no code
of the project's, written to the text of IEEE 488.2 (program messages, error
queue, message exchange) and SCPI-1999 (header paths, short and long forms,
9.91E37, channel lists, INSTrument:NSELect), with the manners that real supplies
have beside the standard as switches.

It answers over TCP or over a pseudo-terminal, logs every byte line that it
receives, and remembers every pair of values that it told, with the instant."""

import collections
import os
import pty
import select
import socket
import struct
import termios
import threading
import time
import tty

from line import Line, wait_until


class Traps:
    """How it misbehaves. Everything off: to the standard's letter."""

    def __init__(self, **switches):
        self.terminator = b"\n"
        self.number_form = "nr2"
        self.pieces = False          # replies in several writes
        self.two_lines = False       # one line a query instead of joined by ;
        self.refuse_compound = False  # -113 to anything with ;
        self.refuse_inherited = False  # only ;: is understood, not ;
        self.repeat_first = False    # answers the first query of a compound twice over
        self.no_flags = False        # OUTP? and STAT:QUES:COND? are -113 and silent
        self.echo = False            # sends back what it receives
        self.strict = False          # -410 where a message comes before the reply is out
        self.late = {}               # number of reading -> seconds
        self.silent = set()          # numbers of readings that get no reply
        self.half = set()            # numbers of readings whose reply stops half way
        self.noise = {}              # number of reading -> bytes in front of the reply
        self.after = {}              # number of reading -> bytes after the reply
        self.instead = {}            # number of reading -> bytes instead of the reply
        self.close_at = set()        # numbers of readings at which the link drops in mid-reply
        self.turnaround_s = 0.0
        self.baud = 0                # pace bytes at 10 bits each; 0: as fast as it goes
        self.mute = False            # never says a word
        self.babble = False          # talks without being asked, without end
        self.renewal_hz = 0.0        # readback renews so often; 0: at every question
        self.arrays = ""             # list, f32 or f64: MEASure:ARRay is known; "": it is not
        self.array_order = "big"     # of a float's bytes
        self.array_interval_s = 0.001
        self.array_tells = True      # SENSe:SWEep:TINTerval? is known
        self.array_fault = {}        # number of acquisition -> short, length, one_more,
                                     # garbage, indefinite, early, mad
        for name, value in switches.items():
            if not hasattr(self, name):
                raise AttributeError(name)
            setattr(self, name, value)


def counted(k, _time_s):
    """Values that tell which conversion they belong to."""
    return 10 + (k % 1000) * 0.001, (k % 20000) * 0.0001


def waking(_k, time_s):
    """A controller that wakes: inrush, loader, kernel, at work (invented)."""
    if time_s < 0.5:
        return 0.0, 0.0
    t = time_s - 0.5
    ripple = 0.002 * ((int(t * 977) % 7) - 3)
    for until, level in ((0.02, 1.4), (0.4, 0.08), (1.1, 0.21), (2.0, 0.33)):
        if t < until:
            return 13.8, level + ripple
    return 13.8, 0.26 + ripple


SHORT = {
    "MEASURE": "MEAS", "VOLTAGE": "VOLT", "CURRENT": "CURR", "OUTPUT": "OUTP", "STATE": "STAT",
    "STATUS": "STAT", "QUESTIONABLE": "QUES", "OPERATION": "OPER", "CONDITION": "COND",
    "SYSTEM": "SYST", "ERROR": "ERR", "INSTRUMENT": "INST", "NSELECT": "NSEL", "SOURCE": "SOUR",
    "ARRAY": "ARR", "FETCH": "FETC", "SENSE": "SENS", "SWEEP": "SWE", "TINTERVAL": "TINT",
    "LEVEL": "LEV", "IMMEDIATE": "IMM", "AMPLITUDE": "AMPL", "PROTECTION": "PROT", "SCALAR":
    "SCAL", "EVENT": "EVEN", "VERSION": "VERS", "POWER": "POW",
}
OPTIONAL = {"SCAL", "DC", "SOUR", "SENS", "LEV", "IMM", "AMPL", "NEXT", "EVEN"}


class Instrument:
    """One supply with one or more outputs; `values(k, time_s)` gives volts and
    amperes of conversion k."""

    def __init__(self, traps=None, values=counted, outputs=1, identity="EXAMPLE,PSU-1,7,1.0",
                 dialect="plain"):
        self.traps = traps or Traps()
        self.values = values
        self.outputs = outputs
        self.identity = identity
        self.dialect = dialect  # plain, nselect, list or terse
        self.received = []      # every program message, as bytes without its terminator
        self.told = collections.OrderedDict()  # k -> (instant, volts, amperes)
        self.errors = collections.deque()
        self.selected = 1
        self.output_on = True
        self.set_voltage = 13.8
        self.set_limit = 2.0
        self.protection = 16.0
        self.limited = False
        self.readings = 0
        self.conversion = 0
        self.acquisitions, self.acquired = 0, []
        self.lock = threading.Lock()
        self.started = time.monotonic()
        self.line = Line(self.traps.baud, self.traps.turnaround_s)
        self.stopping = threading.Event()
        self.threads = []
        self.listener = None
        self.master = -1
        self.connections = 0

    # -- values -----------------------------------------------------------

    def number(self, value):
        form = self.traps.number_form
        if form == "nr1":
            return "%d" % round(value)
        if form == "nr3":
            return "%+.6E" % value
        return "%.4f" % value

    def convert(self):
        """Which conversion is readable now, and its values."""
        now = time.monotonic()
        if self.traps.renewal_hz:
            k = int((now - self.started) * self.traps.renewal_hz)
            at = k / self.traps.renewal_hz
        else:
            k = self.conversion
            at = now - self.started
        volts, amperes = self.values(k, at)
        if not self.output_on:
            volts = amperes = 0.0
        return k, volts, amperes

    def error(self, code, text):
        if len(self.errors) >= 20:
            self.errors[-1] = (-350, "Queue overflow")
        else:
            self.errors.append((code, text))

    # -- program messages ---------------------------------------------------

    def split(self, message):
        parts, quote, start = [], None, 0
        for i, c in enumerate(message):
            if quote:
                quote = None if c == quote else quote
            elif c in "\"'":
                quote = c
            elif c == ";":
                parts.append(message[start:i])
                start = i + 1
        parts.append(message[start:])
        return parts

    def words(self, header):
        return [SHORT.get(w, w) for w in header.upper().split(":") if w]

    def execute_terse(self, message):
        """The older dialect of numbered queries (common practice, no source):
        one query a message, no header paths, no error queue."""
        message = message.strip().upper()
        if message == "*IDN?":
            return [self.identity]
        for word, key in (("VOUT", "MEAS:VOLT?"), ("IOUT", "MEAS:CURR?")):
            if message.startswith(word) and message[4:] in ("1?", "2?"):
                return [self.measure(key, int(message[4:-1]))]
        for word, name in (("VSET", "set_voltage"), ("ISET", "set_limit")):
            if message.startswith(word) and message[4:] in ("1?", "2?"):
                return ["%.3f" % getattr(self, name)]
            if message.startswith(word) and message[4:6] in ("1:", "2:"):
                setattr(self, name, float(message[6:]))
        if message in ("OUT0", "OUT1"):
            self.output_on = message == "OUT1"
        if message == "STATUS?":
            # One byte: bit 0 is constant voltage, bit 6 the output.
            return [chr((not self.limited) | self.output_on << 6)]
        return []

    def execute(self, message):
        """The replies of one program message, in order."""
        traps = self.traps
        if self.dialect == "terse":
            return self.execute_terse(message)
        if traps.refuse_compound and ";" in message:
            self.error(-113, "Undefined header")
            return []
        replies, path = [], []
        for i, part in enumerate(self.split(message)):
            part = part.strip()
            if not part:
                continue
            header, _, parameters = part.partition(" ")
            query = header.endswith("?")
            header = header.rstrip("?")
            if header.startswith("*"):
                words = [header.upper()]
            elif header.startswith(":"):
                words = self.words(header)
                path = words[:-1]
            elif i == 0:
                words = self.words(header)
                path = words[:-1]
            elif traps.refuse_inherited and path:
                self.error(-113, "Undefined header")
                return replies
            else:
                words = path + self.words(header)
                path = words[:-1]
            reply = self.unit([w for w in words if w not in OPTIONAL], query, parameters.strip())
            if reply is None and query:
                return replies  # a command error ends the message
            if reply is not None:
                replies.append(reply)
        if traps.repeat_first and len(replies) > 1:
            replies = [replies[0]] * len(replies)
        return replies

    def output_of(self, parameters):
        if self.dialect != "list":
            return self.selected if not parameters else None
        if parameters.startswith("(@") and parameters.endswith(")"):
            try:
                return int(parameters[2:-1])
            except ValueError:
                return None
        return None

    def unit(self, words, query, parameters):
        if words[0].startswith("*"):
            return self.common(words[0], query)
        key = ":".join(words) + ("?" if query else "")
        if key == "SYST:ERR?":
            code, text = self.errors.popleft() if self.errors else (0, "No error")
            return '%d,"%s"' % (code, text)
        if key == "SYST:VERS?":
            return "1999.0"
        if key in ("INST:NSEL?", "INST:NSEL") and self.dialect == "nselect":
            if query:
                return str(self.selected)
            self.selected = int(parameters)
            return None
        if self.traps.arrays and key in ("MEAS:ARR:VOLT?", "FETC:ARR:CURR?", "SWE:TINT?"):
            return self.array_unit(key, parameters)
        if self.traps.no_flags and key in ("OUTP?", "OUTP:STAT?", "STAT:QUES:COND?"):
            self.error(-113, "Undefined header")
            return None
        return self.output_unit(key, query, parameters)

    def common(self, word, query):
        if word == "*IDN" and query:
            return self.identity
        if word == "*OPC" and query:
            return "1"
        if word in ("*ESR", "*STB", "*TST") and query:
            return "0"
        if word == "*CLS" and not query:
            self.errors.clear()
            return None
        if word in ("*RST", "*WAI") and not query:
            return None
        self.error(-113, "Undefined header")
        return None

    def output_unit(self, key, query, parameters):
        channel = parameters
        if not query and self.dialect == "list":
            parameters, _, channel = parameters.rpartition(",")
        output = self.output_of(channel if (query or self.dialect == "list") else "")
        if output is None or not 1 <= output <= self.outputs:
            self.error(-108 if output is None else -222, "Parameter not allowed")
            return None
        if key in ("MEAS:VOLT?", "MEAS:CURR?"):
            return self.measure(key, output)
        settings = {"VOLT": "set_voltage", "CURR": "set_limit", "VOLT:PROT": "protection"}
        if key.rstrip("?") in settings:
            name = settings[key.rstrip("?")]
            if query:
                return self.number(getattr(self, name))
            try:
                value = float(parameters)
            except ValueError:
                self.error(-104, "Data type error")
                return None
            if not 0 <= value <= 60:
                self.error(-222, "Data out of range")
                return None
            setattr(self, name, value)
            return None
        if key in ("OUTP", "OUTP:STAT"):
            self.output_on = parameters.upper() in ("ON", "1")
            return None
        if key in ("OUTP?", "OUTP:STAT?"):
            return "1" if self.output_on else "0"
        if key == "STAT:QUES:COND?":
            return "1" if self.limited else "0"
        self.error(-113, "Undefined header")
        return None

    def array_unit(self, key, parameters):
        """An acquisition of so many conversions, each at its own instant; the currents
        of the last one."""
        traps = self.traps
        if key == "SWE:TINT?":
            if not traps.array_tells:
                self.error(-113, "Undefined header")
                return None
            return "%.6g" % traps.array_interval_s
        if key == "FETC:ARR:CURR?":
            return self.array_text([amperes for _, amperes in self.acquired], "")
        count = int(parameters.strip("()"))
        self.acquisitions += 1
        fault = traps.array_fault.get(self.acquisitions, "")
        begun = time.monotonic()
        self.acquired = []
        for i in range(count):
            self.conversion += 1
            self.readings += 1
            at = begun + (i + 0.5) * traps.array_interval_s
            volts, amperes = self.values(self.conversion, at - self.started)
            self.told[self.conversion] = (at, volts, amperes)
            self.acquired.append((volts, amperes))
        if fault != "early":
            wait_until(begun + count * traps.array_interval_s)
            # From here on it thinks about its answer.
            self.line.heard_s = begun + count * traps.array_interval_s
        return self.array_text([volts for volts, _ in self.acquired], fault)

    def array_text(self, values, fault):
        """As a list of numbers, or a block of binary floats (IEEE 488.2, 8.7.9)."""
        traps = self.traps
        if fault == "mad":
            values = [v * 1e6 for v in values]
        if fault == "length":
            values = values[:-3]
        if fault == "one_more":
            values = values + values[-1:]
        if fault == "garbage":
            return "~x" * 40
        if traps.arrays == "list":
            text = ",".join("%.9g" % v for v in values)
            return text[:len(text) // 2] if fault == "short" else text
        form = (">" if traps.array_order == "big" else "<") + \
            ("f" if traps.arrays == "f32" else "d")
        data = b"".join(struct.pack(form, v) for v in values)
        head = b"#0" if fault == "indefinite" else b"#%d%d" % (len(str(len(data))), len(data))
        if fault == "short":
            data = data[:len(data) // 2]
        return (head + data).decode("latin-1")

    def measure(self, key, output):
        """Voltage begins a conversion; the current that follows belongs to it."""
        if key == "MEAS:VOLT?":
            self.conversion += 1
            self.readings += 1
        k, volts, amperes = self.convert()
        if output > 1:
            volts, amperes = volts + output, amperes
        if k not in self.told:
            self.told[k] = (time.monotonic(), volts, amperes)
        value = volts if key == "MEAS:VOLT?" else amperes
        return value if isinstance(value, str) else self.number(value)

    # -- the wire -------------------------------------------------------------

    def reply_bytes(self, replies):
        end = self.traps.terminator
        texts = [r.encode("latin-1") for r in replies]
        if self.traps.two_lines:
            return b"".join(t + end for t in texts)
        return b";".join(texts) + end if texts else b""

    def send(self, write, data):
        if not data:
            return
        if self.traps.baud or self.traps.turnaround_s:
            self.line.answer(data, write)
        elif self.traps.pieces:
            for i in range(0, len(data), 3):
                write(data[i:i + 3])
                time.sleep(0.0007)
        else:
            write(data)

    def answer(self, message, write, drop, pending):
        traps = self.traps
        with self.lock:
            self.received.append(message)
            self.line.asked(message)
            before = self.readings
            replies = self.execute(message.decode("latin-1"))
            reading = self.readings if self.readings > before else 0
        if traps.echo:
            write(message + traps.terminator)
        if traps.mute:
            return
        data = self.reply_bytes(replies)
        if reading in traps.instead and data:
            data = traps.instead.pop(reading)
        if reading in traps.silent:
            return
        if reading in traps.late:
            deadline = time.monotonic() + traps.late[reading]
            while time.monotonic() < deadline and not self.stopping.is_set():
                time.sleep(0.005)
                if traps.strict and pending():
                    self.error(-410, "Query INTERRUPTED")
                    return
        data = traps.noise.get(reading, b"") + data
        if reading in traps.half:
            self.send(write, data[:len(data) // 2])
            return
        if reading in traps.close_at:
            traps.close_at.discard(reading)
            self.send(write, data[:len(data) // 2])
            drop()
            return
        self.send(write, data)
        if reading in traps.after:
            write(traps.after[reading])

    def converse(self, read, write, drop, pending):
        held = b""
        while not self.stopping.is_set():
            if self.traps.babble:
                write(b"+0.000000E+00 status ok\n")
                time.sleep(0.002)
            data = read()
            if data is None:
                return
            if not data:
                continue
            if self.traps.baud or self.traps.turnaround_s:
                self.line.hear(data)
            held += data
            if self.dialect == "terse":
                held += b"\n"  # a message is what came at once
            while b"\n" in held:
                line, held = held.split(b"\n", 1)
                try:
                    self.answer(line.rstrip(b"\r"), write, drop, pending)
                except OSError:
                    return

    def serve_socket(self, connection):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def pending():
            return bool(select.select([connection], [], [], 0)[0])

        def read():
            try:
                if not select.select([connection], [], [], 0.02)[0]:
                    return b""
                return connection.recv(4096) or None
            except (OSError, ValueError):
                return None

        def drop():
            connection.shutdown(socket.SHUT_RDWR)
            connection.close()

        try:
            self.converse(read, connection.sendall, drop, pending)
        finally:
            connection.close()

    def start_tcp(self):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.listener.settimeout(0.1)

        def accept():
            while not self.stopping.is_set():
                try:
                    connection, _ = self.listener.accept()
                except socket.timeout:
                    continue
                except OSError:
                    return
                self.connections += 1
                connection.settimeout(None)
                self.serve_socket(connection)

        self.run(accept)
        return "tcp:127.0.0.1:%d" % self.listener.getsockname()[1]

    def start_pty(self, link=None):
        """A pseudo-terminal; its path, or `link` made to point to it."""
        self.master, slave = pty.openpty()
        tty.setraw(slave, termios.TCSANOW)
        path = os.ttyname(slave)
        self.held = slave  # or the master reads EIO whenever the port is closed
        if link:
            if os.path.lexists(link):
                os.unlink(link)
            os.symlink(path, link)
        master = self.master

        def read():
            try:
                if not self.line.comes(master, 0.02):
                    return b""
                return os.read(master, 4096)
            except (OSError, ValueError):
                return None

        def write(data):
            os.write(master, data)

        def pending():
            return bool(select.select([master], [], [], 0)[0])

        self.run(lambda: self.converse(read, write, self.unplug, pending))
        return link or path

    def unplug(self):
        """The pseudo-terminal's other end goes away, as a USB plug does."""
        for descriptor in (self.master, getattr(self, "held", -1)):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self.held = -1

    def run(self, function):
        thread = threading.Thread(target=function, daemon=True)
        thread.start()
        self.threads.append(thread)

    def stop(self):
        self.stopping.set()
        for thread in self.threads:
            thread.join(3)
        if self.listener:
            self.listener.close()
        if self.master >= 0:
            self.unplug()


if __name__ == "__main__":
    instrument = Instrument(values=waking)
    print("ready " + instrument.start_tcp(), flush=True)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        instrument.stop()
