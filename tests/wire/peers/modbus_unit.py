#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A Modbus RTU unit on a pseudo-terminal for what a sound server never does:
frames that come broken, late, in pieces, from another unit or not at all.
Written to the Modbus application protocol V1.1b3 and serial line V1.02 texts
alone."""

import os
import pty
import select
import termios
import threading
import time
import tty

from line import Line


def crc(data):
    """CRC-16 of serial line V1.02, 6.2.2: preset FFFF, polynomial A001."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return bytes((value & 0xFF, value >> 8))


class Unit:
    """Registers by a function of k, the number of the request that reads the
    voltage; faults by that number."""

    def __init__(self, registers, voltage_at, address=1, bits=None, written=None, **faults):
        self.registers = registers
        self.bits = bits or {}
        self.written = written  # called with function, address and words; None: all is read-only
        self.voltage_at = voltage_at
        self.address = address
        self.faults = {"crc": set(), "silent": set(), "late": {}, "half": set(), "other": set(),
                       "busy": set(), "noise": set(), "pieces": False, "baud": 0,
                       "turnaround_s": 0.0}
        assert set(faults) <= set(self.faults), faults
        self.faults.update(faults)
        self.line = Line(self.faults["baud"], self.faults["turnaround_s"])
        self.k = 0
        self.told = {}
        self.frames = []
        self.stopping = threading.Event()
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave, termios.TCSANOW)
        self.path = os.ttyname(self.slave)
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def read(self, function, at, count):
        if at <= self.voltage_at < at + count and count > 1:
            self.k += 1
        words = self.registers(self.k)
        self.told.setdefault(self.k, (time.monotonic(), words))
        if any(at + i not in words for i in range(count)):
            return bytes((function | 0x80, 2))
        data = b"".join(words[at + i].to_bytes(2, "big") for i in range(count))
        return bytes((function, len(data))) + data

    def read_bits(self, function, at, count):
        """Functions 1 and 2: eight states a byte, the first one lowest (6.1, 6.2)."""
        if any(at + i not in self.bits for i in range(count)):
            return bytes((function | 0x80, 2))
        number = sum(1 << i for i in range(count) if self.bits[at + i])
        data = number.to_bytes((count + 7) // 8, "little")
        return bytes((function, len(data))) + data

    def write(self, function, frame):
        """5, 6 and 16 (6.5, 6.6, 6.12): answered by their first five bytes."""
        at, number = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        words = [number] if function != 16 else \
            [int.from_bytes(frame[7 + 2 * i:9 + 2 * i], "big") for i in range(number)]
        self.written(function, at, words)
        return frame[1:6]

    def answer(self, frame):
        function = frame[1]
        at, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        if function in (5, 6, 16) and self.written:
            return self.write(function, frame)
        if function in (1, 2) and self.bits:
            return self.read_bits(function, at, count)
        if function not in (3, 4):
            return bytes((function | 0x80, 1))
        return self.read(function, at, count)

    def send(self, data):
        faults = self.faults
        if faults["baud"] or faults["turnaround_s"]:
            self.line.answer(data, lambda piece: os.write(self.master, piece))
        elif faults["pieces"]:
            for i in range(0, len(data), 3):
                time.sleep(0.02)
                os.write(self.master, data[i:i + 3])
        else:
            os.write(self.master, data)

    def reply(self, frame):
        faults = self.faults
        self.line.asked(frame)
        before = self.k
        pdu = self.answer(frame)
        k = self.k if self.k > before else 0
        if k in faults["busy"]:
            pdu = bytes((frame[1] | 0x80, 6))
        unit = self.address + 1 if k in faults["other"] else self.address
        data = bytes((unit,)) + pdu
        data += crc(data)
        if k in faults["crc"]:
            spoiled = 3 + k % (len(data) - 3)
            data = data[:spoiled] + bytes((data[spoiled] ^ (1 << k % 8),)) + data[spoiled + 1:]
        if k in faults["silent"]:
            return
        if k in faults["late"]:
            self.stopping.wait(faults["late"][k])
        if k in faults["half"]:
            data = data[:len(data) // 2]
        if k in faults["noise"]:
            data = b"\x00\xff" + data
        self.send(data)

    def serve(self):
        held = b""
        while not self.stopping.is_set():
            try:
                if not self.line.comes(self.master, 0.02):
                    continue
                data = os.read(self.master, 256)
                self.line.hear(data)
                held += data
                while len(held) >= 8:
                    length = 8 if held[1] != 16 else 9 + held[6]
                    if len(held) < length:
                        break
                    frame, held = held[:length], held[length:]
                    if crc(frame[:-2]) != frame[-2:]:
                        held = b""
                        break
                    self.frames.append(frame)
                    if frame[0] == self.address:
                        self.reply(frame)
            except (OSError, ValueError):
                return

    def stop(self):
        self.stopping.set()
        self.thread.join(3)
        os.close(self.master)
        os.close(self.slave)
