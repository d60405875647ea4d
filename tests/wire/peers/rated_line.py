#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A pseudo-terminal that behaves as a serial line of one rate: whoever opens it at
another rate sends and hears noise. The rate that the other end has set is read with
tcgetattr. What speaks behind it is handed in: bytes come, bytes go back."""

import os
import pty
import random
import select
import termios
import threading
import tty

from modbus_unit import crc

RATES = {getattr(termios, "B%d" % baud): baud for baud in
         (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)}


class RatedLine:
    """speak(bytes) -> bytes, called with what came in at once. noise: it answers noise
    at a wrong rate, else nothing."""

    def __init__(self, baud, speak, noise=True, seed=1):
        self.baud, self.speak, self.noise = baud, speak, noise
        self.random = random.Random(seed)
        self.rates = []  # as they were met, each once in a row
        self.heard = []  # at its own rate
        self.stopping = threading.Event()
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave, termios.TCSANOW)
        self.path = os.ttyname(self.slave)
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def spoil(self, data):
        return bytes(self.random.randrange(256) for _ in range(max(1, len(data) // 2)))

    def serve(self):
        while not self.stopping.is_set():
            try:
                if not select.select([self.master], [], [], 0.02)[0]:
                    continue
                data = os.read(self.master, 4096)
                rate = RATES.get(termios.tcgetattr(self.master)[5])
            except (OSError, ValueError):
                return
            if not self.rates or self.rates[-1] != rate:
                self.rates.append(rate)
            right = rate == self.baud
            if right:
                self.heard.append(data)
            answer = self.speak(data if right else self.spoil(data))
            if not right:
                answer = self.spoil(data * 2) if self.noise else b""
            if answer:
                os.write(self.master, answer)

    def stop(self):
        self.stopping.set()
        self.thread.join(3)
        os.close(self.master)
        os.close(self.slave)


def scpi_speaker(instrument, ends=b"\n", answers_in=b"\n"):
    """An Instrument behind a line: messages end with `ends`, and what came before the
    end, noise too, belongs to them."""
    held = bytearray()

    def speak(data):
        held.extend(data)
        out = b""
        while ends in held:
            at = held.index(ends)
            line = bytes(held[:at])
            del held[:at + len(ends)]
            message = line.decode("latin-1").strip("\r\n")
            with instrument.lock:
                instrument.received.append(line)
                replies = instrument.execute(message) if message.isascii() else []
            if replies:
                out += ";".join(replies).encode() + answers_in
        return out

    return speak


def terse_speaker(instrument):
    """The older dialect: what comes at once is a message, an answer has no end."""
    def speak(data):
        with instrument.lock:
            instrument.received.append(data)
            replies = instrument.execute(data.decode("latin-1"))
        return replies[0].encode() if replies else b""

    return speak


def unit_speaker(units, frames):
    """Modbus units on one bus: {address: {(function, register): word}}. Frames that
    came whole are kept in `frames`."""
    def speak(data):
        if len(data) != 8 or crc(data[:6]) != data[6:]:
            return b""
        frames.append(data)
        registers = units.get(data[0])
        if registers is None:
            return b""
        function, at, count = data[1], int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:6], "big")
        if function not in (3, 4):
            pdu = bytes((data[0], function | 0x80, 1))
        elif any((function, at + i) not in registers for i in range(count)):
            pdu = bytes((data[0], function | 0x80, 2))
        else:
            words = b"".join(registers[function, at + i].to_bytes(2, "big") for i in range(count))
            pdu = bytes((data[0], function, len(words))) + words
        return pdu + crc(pdu)

    return speak
